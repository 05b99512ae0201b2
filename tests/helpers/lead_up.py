"""Lead a driver up with short levels, and a short pilot before a run, as ``tsfit sweep --state "full travel"`` does.

python lead_up.py FOLDER OPTION …
"""

import os
import sys

import tsfit.bench.ramp as ramp
from tsfit.cli import run

if __name__ == "__main__":
    os.chdir(sys.argv[1])
    ramp.PERIOD_S, ramp.PILOT_S = 0.8, 2.0
    state = [] if "--state" in sys.argv else ["--state", "full travel"]
    sys.exit(run(["sweep", "rig.toml", *state, "--driver", "fit.json", *sys.argv[2:], "--yes", "--json"]))
