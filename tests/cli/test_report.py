"""``tsfit report``: one page, written once."""

import json

from tsfit.cli import run


def test_command_writes_once(page_files, tmp_path, capsys):
    files = [str(path) for path in page_files]
    page = tmp_path / "page.html"
    assert run(["report", *files, "-o", str(page)]) == 0
    assert "browser" in capsys.readouterr().out
    before = page.read_bytes()
    assert run(["report", *files, "-o", str(page), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "exists"
    assert page.read_bytes() == before


def test_a_page_is_not_named_as_what_it_is_not(page_files, tmp_path, capsys):
    page = tmp_path / "page.pdf"
    assert run(["report", str(page_files[0]), "-o", str(page)]) == 2
    assert "a page ends in .html" in capsys.readouterr().err
    assert not page.exists()
