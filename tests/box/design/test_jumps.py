"""Where numbers jump on a map, against the level of single boxes taken finely."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import vented_search

from tsfit.box.design.jumps import jumps
from tsfit.box.design.search import design_map, usual_limits
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)


def mapped(driver, around=(0.08, 31.0), points=40):
    return design_map(vented_search(driver, usual_limits(driver, 0.2), leak_q=10.0), around, points)


def dip_db(search, volume, tuning):
    """Deepest dip of the level of one box above the place where it first comes up, over half power."""
    frequency = np.geomspace(15.0, 400.0, 6000)
    boxes = search.boxes(np.array([volume]), np.array([tuning]))
    level = (boxes.respond(frequency).spl_db - np.asarray(boxes.references_db)[..., None]).ravel() + 10.0 * np.log10(2.0)
    inner = level[1:-1]
    dips = inner[(inner < level[:-2]) & (inner <= level[2:])]
    return np.min(dips) if dips.size else np.nan


@pytest.mark.parametrize("qes", [0.3, 0.36])
def test_f3_jumps_where_a_dip_in_the_level_reaches_half_power(qes):
    design = mapped(replace(HERON, Qes=qes), points=40)
    pieces = jumps(design, "f3").pieces
    assert len(pieces) > 5
    for volume, tuning in pieces[:: len(pieces) // 5, 0]:
        above, below = (dip_db(design.search, volume, part * tuning) for part in (1.004, 0.996))
        assert above > 0.0
        assert not below > 0.0


@pytest.mark.parametrize("quantity", ["f3", "ripple"])
@pytest.mark.parametrize(("fs", "qes"), [(22.0, 0.3), (31.0, 0.42), (45.0, 0.36), (60.0, 0.5)])
def test_the_line_hangs_together_and_has_no_steps(fs, qes, quantity):
    """Within two meshes it is straight and its pieces meet; of one along boxes of the map, most lies 0.2 meshes aside."""
    design = mapped(replace(HERON, Fs=fs, Qes=qes), (0.08, fs), 60)
    meshes = np.log([design.volume[1] / design.volume[0], design.tuning[1] / design.tuning[0]])
    middles = np.log(jumps(design, quantity).pieces.mean(axis=1)) / meshes
    away = np.linalg.norm(middles[:, None] - middles, axis=-1)
    aside = []
    for near in (middles[one < 2.0] for one in away):
        aside.append(np.linalg.svd(near - near.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(near)))
    assert len(aside) > 20
    assert np.quantile(aside, 0.9) < 0.1
    assert np.max(np.min(away + 1e9 * np.eye(len(away)), axis=1)) < 1.0


def test_small_boxes_have_no_jump():
    design = mapped(HERON, around=(0.008, 31.0), points=20)
    found = jumps(design, "f3")
    assert not found.upwards.any()
    assert not found.across.any()
    assert found.pieces.shape == (0, 2, 2)
