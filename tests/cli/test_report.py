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
