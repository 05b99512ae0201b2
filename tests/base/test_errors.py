"""A refusal as people and machines get it."""

import json
from pathlib import Path

import pytest

from tsfit.base.errors import TsfitError


@pytest.mark.parametrize(("file", "told"), [(None, None), ("a.toml", "a.toml"), (Path("b") / "c.toml", "b/c.toml")])
def test_a_refusal_is_a_sentence_and_a_fixed_machine_form(file, told):
    error = TsfitError("a.toml: Fs is no number; write it as 30.", code="wrong_value", file=file)
    assert str(error) == "a.toml: Fs is no number; write it as 30."
    assert json.loads(json.dumps({"error": vars(error)})) == {
        "error": {"code": "wrong_value", "message": "a.toml: Fs is no number; write it as 30.", "file": told}
    }
