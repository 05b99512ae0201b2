"""The table of what is checked against what, made from the tests.

``python tests/checks_table.py`` writes it into tests/CHECKS.md.

A test says it with ``@pytest.mark.against("what", "held against", "bound")``. The marks are read from the text, because a
module whose reference tool is missing skips before pytest would see them.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "tests" / "CHECKS.md"
HEAD = """# What is checked against what

Made by `python tests/checks_table.py` from the marks in the tests; paths are in tests/."""


def marks(path: Path) -> Iterator[tuple[str, str, str]]:
    """Yield what, against what and how closely, for each mark on a test of the module."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            for mark in node.decorator_list:
                if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.against":
                    what, source, bound = (ast.literal_eval(argument) for argument in mark.args)
                    yield what, source, bound


def table(tests: Path = ROOT / "tests") -> str:
    """Return the table in Markdown: one row for what is held against one source with one bound, and where."""
    where: dict[tuple[str, str, str], list[str]] = {}
    for path in sorted(tests.rglob("test_*.py")):
        for row in marks(path):
            places = where.setdefault(row, [])
            place = path.relative_to(tests).as_posix()
            if place not in places:
                places.append(place)
    lines = ["| what | held against | bound | in tests/ |", "|---|---|---|---|"]
    lines += [f"| {' | '.join(row)} | {', '.join(places)} |" for row, places in where.items()]
    return "\n".join(lines)


def page() -> str:
    """Return the whole file as the tests have it now."""
    return f"{HEAD}\n\n{table()}\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
