"""Write one short recording after another until killed, of samples that tell which file and which frame they are.

python record_without_end.py FOLDER SEED
"""

import itertools
import sys
from pathlib import Path

import numpy as np
import tomlkit  # noqa: F401

from tsfit.capture.recorder import Recorder

RATE = 48000
FRAMES = 1_000_000


def samples(number, first, frames):
    """Frames `first` … of recording `number`, (frames, 2)."""
    return np.column_stack([np.arange(first, first + frames), np.full(frames, number)]).astype(np.float32)


def main(folder, seed):
    rng = np.random.default_rng(int(seed))
    print("started", flush=True)
    for number in itertools.count():
        with Recorder(Path(folder) / f"{number}.wav", RATE, {"state": "free air"}) as recorder:
            while recorder.frames < FRAMES:
                block = int(rng.integers(1, 1500))
                recorder.write(samples(number, recorder.frames, min(block, FRAMES - recorder.frames)))
                if number == 0 and recorder.frames == block:
                    print("writing", flush=True)
            recorder.finish()


if __name__ == "__main__":
    main(*sys.argv[1:])
