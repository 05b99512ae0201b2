"""Let the tests of this folder share their made curves."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def written(tmp_path):
    """Write text or bytes as curve.txt, or under another name, and tell where."""

    def write(content, name="curve.txt"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write
