"""The changes that mutation.py makes, and that it finds what a test leaves open without touching the checkout."""

import subprocess
import sys
from pathlib import Path

import mutation
import pytest
from mutation import mutants


@pytest.mark.parametrize(
    ("line", "changes"),
    [
        ("a = b + c", {"b - c"}),
        ("a = b if b < c else d", {"b <= c", "b >= c"}),
        ("a = b and not c", {"b or not c", "c"}),
        ("a = -2", {"2", "3", "1"}),
        ("a = True", {"False"}),
        ("a = f(b, c=d)", {""}),
        ("f(b)", {"pass"}),
        ("raise f", {"pass"}),
        ("a += b", {"a -= b"}),
        ("if a: b = c", {"not a"}),
        ("a: f[1] = b", set()),
    ],
)
def test_changes(tmp_path, line, changes):
    module = tmp_path / "module.py"
    module.write_text(line)
    assert {(mutant.after, mutant.lines) for mutant in mutants(module)} >= {(change, range(1, 2)) for change in changes}
    assert bool(list(mutants(module))) == bool(changes)
    assert all(mutant.text not in (line, "") for mutant in mutants(module))


def test_what_survives_is_told_and_the_checkout_stays(tmp_path):
    """Of a greater of two, the test sees the wrong one and none; at two equals there is nothing to see."""
    texts = {
        "tsfit/__init__.py": "",
        "tsfit/greater.py": "def greater(a, b):\n    return a if a > b else b\n",
        "tests/test_greater.py": "from tsfit.greater import greater\n"
        "def test_greater():\n    assert (greater(1, 2), greater(2, 1)) == (2, 2)\n",
        "tests/mutation.py": Path(mutation.__file__).read_text(),
    }
    for name, text in texts.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    done = subprocess.run(
        [sys.executable, tmp_path / "tests/mutation.py", tmp_path / "tsfit/greater.py", "--", "tests/test_greater.py"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines()[-2:] == [
        "tsfit/greater.py:2: a > b  ->  a >= b",
        "tsfit/greater.py: 2 of 3 killed (66.7 %), 0 of them by time",
    ]
    assert {path.relative_to(tmp_path).as_posix(): path.read_text() for path in tmp_path.rglob("*.*")} == texts
