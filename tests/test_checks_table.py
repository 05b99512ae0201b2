"""The table of checks is that of the tests, and every file of outside checks names its source there."""

import checks_table
import pytest

REFERENCE = sorted((checks_table.ROOT / "tests" / "reference").glob("test_*.py"))


def test_the_table_is_that_of_the_tests():
    assert checks_table.PAGE.read_text(encoding="utf-8") == checks_table.page(), (
        "the table of checks is stale: python tests/checks_table.py"
    )


@pytest.mark.parametrize("path", REFERENCE, ids=lambda path: path.stem)
def test_every_outside_check_names_what_source_and_bound(path):
    rows = list(checks_table.marks(path))
    assert rows
    for row in rows:
        assert len(row) == 3
        assert all(cell.strip() and "|" not in cell and "\n" not in cell for cell in row), row


def test_a_mark_becomes_a_row(tmp_path):
    first, second = '@pytest.mark.against("a", "b", "c")\n', '@pytest.mark.against("d", "e", "1e-3")\n'
    (tmp_path / "test_a.py").write_text(f"{first}{second}def test_x():\n    pass\n")
    (tmp_path / "test_b.py").write_text(f"{first}def test_y():\n    pass\n")
    rows = checks_table.table(tmp_path).splitlines()[2:]
    assert rows == ["| a | b | c | test_a.py, test_b.py |", "| d | e | 1e-3 | test_a.py |"]
