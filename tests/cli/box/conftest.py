"""A driver file, and the commands of ``tsfit box`` run in this process."""

import pytest
from helpers.heron import DRIVER

from tsfit.cli import main


@pytest.fixture
def heron(tmp_path):
    path = tmp_path / "heron.toml"
    path.write_text(DRIVER)
    return str(path)


@pytest.fixture
def tsfit(capsys):
    def run(*arguments):
        with pytest.raises(SystemExit) as left:
            main(["box", *arguments])
        out, err = capsys.readouterr()
        return left.value.code, out, err

    return run
