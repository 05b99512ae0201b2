"""The house rules that a machine can check: floors, types, style, size of files, what start-up may load."""

import ast
import dataclasses
import importlib
import os
import pkgutil
import re
import subprocess
import sys
from functools import cache
from importlib.metadata import version
from pathlib import Path

import pytest
from helpers.paths import ROOT
from numpy.lib import NumpyVersion

import tsfit

MODULES = sorted((ROOT / "tsfit").rglob("*.py"))
FILES = sorted(path for folder in ("tsfit", "tests", "rigs", "sample_data") for path in (ROOT / folder).rglob("*.py"))


def _run(*command):
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def _tool(name):
    return str(Path(sys.executable).with_name(name))


def test_floors():
    assert "2 kept, 0 broken" in _run(_tool("lint-imports"), "--no-cache")


def test_style():
    _run(sys.executable, "-m", "ruff", "check", "--no-cache", "tsfit", "tests", "rigs", "sample_data")
    _run(sys.executable, "-m", "ruff", "format", "--no-cache", "--check", "tsfit", "tests", "rigs", "sample_data")


@pytest.mark.skipif(
    not os.environ.get("TSFIT_REQUIRE_REFERENCES"),
    reason="optional here, for it takes as long as a tenth of all tests; .ci/run has it, and by hand: python -m mypy",
)
@pytest.mark.skipif(
    NumpyVersion(version("numpy")) < "2.4.0",
    reason="optional: ours are judged by the types that NumPy has since 2.4",
)
def test_types():
    assert "no issues found" in _run(sys.executable, "-m", "mypy")


def test_a_file_fits_in_a_head():
    lines = {str(path.relative_to(ROOT)): path.read_text().count("\n") for path in FILES}
    assert {name: count for name, count in lines.items() if count > 400} == {}


def test_a_module_says_what_it_is():
    assert [path for path, tree in _trees().items() if not ast.get_docstring(tree)] == []


@cache
def _trees():
    """What stands in every module, read once for all that is asked of it."""
    return {path: ast.parse(path.read_text()) for path in MODULES}


@cache
def _definitions(kind):
    """Every class or function of the package, and its file."""
    return [(node, path) for path, tree in _trees().items() for node in ast.walk(tree) if isinstance(node, kind)]


def test_a_function_fits_on_a_screen():
    lines = {f"{path.name}: {one.name}": one.end_lineno - one.lineno + 1 for one, path in _definitions(ast.FunctionDef)}
    assert {name: count for name, count in lines.items() if count > 60} == {}


def test_more_than_eight_parameters_want_a_record():
    found = [
        f"{path.name}: {one.name}"
        for one, path in _definitions(ast.FunctionDef)
        if "cli" not in path.parts and len([*one.args.posonlyargs, *one.args.args, *one.args.kwonlyargs]) > 8
    ]
    assert found == []


def test_a_class_name_means_one_thing():
    names = [one.name for one, _ in _definitions(ast.ClassDef)]
    assert sorted({name for name in names if names.count(name) > 1}) == []


def test_what_is_meant_is_said():
    """Where a number or a record is meant, the type says so."""
    assert sum(bool(re.search(r"\bAny\b", line)) for path in MODULES for line in path.read_text().splitlines()) < 100


def test_few_files_lie_directly_in_the_package():
    assert len([path for path in (ROOT / "tsfit").iterdir() if path.is_file()]) <= 6


def test_no_test_imports_a_private_name():
    imports = re.compile(r"^\s*from (tsfit[\w.]*) import (\([^)]*\)|.*)$", re.MULTILINE)
    private = [
        f"{path.name}: {module}.{name}"
        for path in (ROOT / "tests").rglob("*.py")
        for module, names in imports.findall(path.read_text())
        for name in re.findall(r"\b_\w+", names)
    ]
    assert private == []


def test_a_test_finds_its_helpers_without_a_path_of_its_own():
    """Scripts that run as processes may; everything else is found as pyproject.toml says."""
    scripts = {"driver_in_the_loop.py", "power_in_the_loop.py", "mutation.py", Path(__file__).name}
    for path in (ROOT / "tests").rglob("*.py"):
        assert path.name in scripts or "sys.path.insert" not in path.read_text(), path


WORKERS = {"Clock"}
"""Dataclasses that do something and change while they do; all others are records."""


def test_records_are_frozen():
    names = [name for _, name, _ in pkgutil.walk_packages(tsfit.__path__, "tsfit.") if not name.endswith("__main__")]
    modules = [importlib.import_module(name) for name in names]
    found = {thing for module in modules for thing in vars(module).values() if isinstance(thing, type)}
    classes = {each for each in found if each.__module__.startswith("tsfit.") and dataclasses.is_dataclass(each)}
    assert len(classes) > 50
    assert {each.__name__ for each in classes if not each.__dataclass_params__.frozen} == WORKERS


def test_help_loads_nothing_heavy():
    heavy = {"scipy", "lmfit", "matplotlib", "pydantic", "soundfile", "sounddevice", "rich", "numpy"}
    code = (
        "import sys\nfrom tsfit.cli import run\nassert run(['--help']) == 0\n"
        f"print('LOADED', sorted({heavy!r} & set(sys.modules)))"
    )
    assert "LOADED []" in _run(sys.executable, "-c", code)


def test_the_fit_needs_no_sound_system():
    code = (
        "import sys\nsys.modules['sounddevice'] = None\nfrom tsfit.cli import run\n"
        "sys.exit(run(['fit', 'sample_data/saltwit-12-shunt-bench.toml', '--coil', 'ladder-2', '--suspension', 'ideal']))"
    )
    _run(sys.executable, "-c", code)


@pytest.mark.parametrize(
    ("names", "required"),
    [(["test_touchstone_scikit_rf.py"], ""), (["test_touchstone_scikit_rf.py", "test_calibration_scikit_rf.py"], "1")],
)
def test_no_skip_for_want_of_a_tool_passes_where_references_are_required(tmp_path, names, required):
    """One of the two skips a test, the other itself as a whole."""
    (tmp_path / "skrf.py").write_text("raise ModuleNotFoundError('hidden', name='skrf')\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *(f"tests/reference/{name}" for name in names)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(tmp_path), "TSFIT_REQUIRE_REFERENCES": required},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "scikit-rf is not installed" in done.stdout
    assert (done.returncode in (0, 5)) == (not required), done.stdout


def test_readme_commands_are_those_that_ci_runs():
    readme = (ROOT / "README.md").read_text()
    commands = re.findall(r"^<!-- (\w+) command -->\n```sh\n(.+)\n```$", readme, re.MULTILINE)
    assert [name for name, _ in commands] == ["demo", "test"]
    assert commands[1][1].endswith(".venv/bin/pytest -n auto --dist loadfile")
    assert "<!-- test command -->" in (ROOT / ".ci/run").read_text()


def test_what_is_read_first_is_short():
    assert len((ROOT / "README.md").read_text().splitlines()) <= 220
    assert len((ROOT / "DEVELOPERS.md").read_text().splitlines()) <= 400


def test_nothing_names_a_place_on_some_machine():
    places = re.compile(r"/(?:home|Users|root|work)/\w|/tmp/\w")
    for path in [*MODULES, *(ROOT / "tests").rglob("*.py"), *ROOT.glob("*.md"), *ROOT.glob("*.toml"), ROOT / ".ci/run"]:
        if path != Path(__file__):
            assert not places.search(path.read_text()), path


OF_SEVERAL = {
    "cli/fit/test_demands", "cli/test_misspelt", "cli/test_playback", "cli/test_first_lines", "cli/test_terminal",
    "cli/test_written_first",
    "fitting/test_re_note", "live/test_browser", "report/test_browser",
}  # fmt: skip
"""Tests in a room that are of no module of it alone."""


def test_tests_mirror_the_package():
    """Every module has a test_<module>.py, or several that say of what in a word more, in the folder of its room."""
    modules = {path.relative_to(ROOT / "tsfit").with_suffix("") for path in MODULES if not path.name.startswith("__")}
    tests = {path.relative_to(ROOT / "tests").with_suffix("") for path in (ROOT / "tests").rglob("test_*.py")}

    def of(test, module):
        return test.parent == module.parent and f"{test.name}_".startswith(f"test_{module.name}_")

    bare = {module.as_posix() for module in modules if not any(of(test, module) for test in tests)}
    assert bare == set()
    in_rooms = {test for test in tests if (ROOT / "tsfit" / test.parts[0]).is_dir()}
    strays = {test.as_posix() for test in in_rooms if not any(of(test, module) for module in modules)}
    assert strays <= OF_SEVERAL, strays - OF_SEVERAL
