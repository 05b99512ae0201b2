"""Record one sweep, as a process of its own that tests may interrupt or kill.

    python record_sweep.py DEVICE RATE SECONDS FILE

Tells on standard output "recording" when the first block has come, then a line of JSON: the report, or the error.
"""

import dataclasses
import json
import signal
import sys
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.capture.device import SoundCard
from tsfit.capture.excitation import Wanted, make_excitation
from tsfit.capture.recorder import Recorder

LEVEL_DBFS = -12.0


def main(device, rate, seconds, file):
    # A shell that started the tests in the background has its children ignore Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    told = []

    def on_level(levels):
        if not told:
            told.append(levels)
            print("recording", flush=True)

    try:
        excitation = make_excitation(
            Wanted("exponential sweep", sample_rate_hz=float(rate), seconds=float(seconds), level_dbfs=LEVEL_DBFS)
        )
        with Recorder(Path(file), float(rate), {"state": "free air"}) as recorder:
            report = SoundCard(device).play(excitation, recorder.write, on_level=on_level)
            recorder.finish(flags=[list(flag) for flag in report.flags])
        print(json.dumps(dataclasses.asdict(report) | {"excited": [excitation.start, excitation.stop]}), flush=True)
    except TsfitError as error:
        print(json.dumps({"error": vars(error)}), flush=True)
        sys.exit(2)


if __name__ == "__main__":
    main(*sys.argv[1:])
