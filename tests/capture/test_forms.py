"""What JSON and a conditions file hold of a verdict: the keys that scripts read, remarks without a sweep, no NaN."""

import json
import math

import numpy as np
import pytest

from tsfit.base.files import to_json
from tsfit.base.notes import QualityNote
from tsfit.capture.distortion import Distortion
from tsfit.capture.forms import distortion_form, repeats_form, sweep_verdict_form
from tsfit.capture.quality import SweepVerdict
from tsfit.capture.repeats import RepeatsVerdict

WEAK = QualityNote("weak", "warn", "channel 2 is weak.", 3)
REMARK = {"code": "weak", "severity": "warn", "message": "channel 2 is weak."}
SEEN = Distortion(
    np.array([20.0, 50.0]), {"2nd": np.array([0.1, math.nan]), "3rd": np.array([0.2, 0.4])}, {"2nd": np.array([0.06, 0.06])}
)


def written(form):
    return json.loads(to_json(form))


@pytest.mark.parametrize("distortion", [None, SEEN])
def test_a_verdict_by_its_keys(distortion):
    verdict = SweepVerdict((-3.0, -9.0), (-90.0, -91.0), {"63": 0.2}, None, math.nan, distortion, (WEAK,))
    worst = {"worst_percent": 0.4, "worst_hz": 50.0, "worst_of": "3rd", "below_percent": 0.06}
    assert written(sweep_verdict_form(verdict)) == {
        "peak_dbfs": [-3.0, -9.0],
        "noise_dbfs": [-90.0, -91.0],
        "percent_per_octave": {"63": 0.2},
        "delay_samples": None,
        "clock_ppm": None,
        "distortion": "not measurable" if distortion is None else worst,
        "notes": [REMARK],
        "action": "Usable, but better: channel 2 is weak.",
    }


def test_what_noise_hides_has_no_worst():
    hidden = Distortion(np.array([20.0]), {"2nd": np.array([math.nan])}, {"2nd": np.array([0.05])})
    assert written(distortion_form(hidden)) == {
        "worst_percent": None, "worst_hz": None, "worst_of": None, "below_percent": 0.05,
    }  # fmt: skip


def test_repeats_by_their_keys():
    verdict = RepeatsVerdict(2, {"63": 0.1}, {}, (0.0, 1.5), (0.0, 0.2), (WEAK,))
    assert written(repeats_form(verdict)) == {
        "repeats": 2,
        "scatter_percent": {"63": 0.1},
        "chi_square": {},
        "warming_k": [0.0, 1.5],
        "warming_uncertainty_k": [0.0, 0.2],
        "notes": [REMARK],
    }
