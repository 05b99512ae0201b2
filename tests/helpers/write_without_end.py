"""Write one file over and over until killed, of one letter each time."""

import itertools
from pathlib import Path

from tsfit.base.files import write_new


def main(path):
    for k in itertools.count():
        write_new(Path(path), chr(97 + k % 26) * 300_000, replace=True)
        print(k, flush=True)
