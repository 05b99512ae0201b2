"""Misuses of files at three strengths: named, harmless, or said to be taken on trust; none gives a wrong figure silently.

``TSFIT_FAULTS=all pytest tests/fuzz/test_misuses.py -s`` plays all of them and prints the table.
"""

import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.healthy_benches import BENCHES, made
from helpers.misuses import MISUSES, Desk
from helpers.verdicts import judged

ALL = os.environ.get("TSFIT_FAULTS") == "all"
EVERY = 18
CASES = [(name, strength) for name, misuse in MISUSES.items() for strength in misuse.strengths]
BENCH = replace(BENCHES[0], seconds=3.0, rate=12000)


@pytest.fixture(scope="module")
def healthy(bench_simulator):
    return made(bench_simulator, BENCH)


def _desk(folder, m):
    state = f'"added mass"\nmass_g = {1e3 * BENCH.mass}\nmass_uncertainty_g = {0.1 * BENCH.mass}\n'
    sweeps = f'[[sweep]]\nrecording = "free.wav"\nstate = "free air"\n[[sweep]]\nrecording = "mass.wav"\nstate = {state}'
    bench = f'rig = "rig.toml"\n[driver]\nname = "made"\nsd_cm2 = 300\n{sweeps}'
    recordings = {"free.wav": m.sweeps[0].copy(), "mass.wav": m.sweeps[1].copy()}
    return Desk(folder, BENCH.rate, recordings, bench, BENCH.rig(), np.random.default_rng(11))


def test_nothing_wrong_is_found_where_nothing_is(healthy, tmp_path):
    _desk(tmp_path, healthy).put()
    found = judged(tmp_path / "bench.toml", BENCH.truth, "no such word")
    assert (found.word, found.percent < 1.0) == ("harmless", True)


def test_misuses_are_named_or_do_no_harm(healthy, tmp_path):
    rows, words = [], []
    for number, (name, strength) in enumerate(CASES):
        misuse, folder = MISUSES[name], tmp_path / str(number)
        # The weakest of what is taken on trust is always played, for its words to be those that are said.
        if not ALL and number % EVERY and not (misuse.trusted and strength == misuse.strengths[0]):
            continue
        folder.mkdir()
        desk = _desk(folder, healthy)
        misuse.before(desk, strength)
        desk.put()
        misuse.after(desk, strength)
        found = judged(folder / "bench.toml", BENCH.truth, misuse.words, misuse.trusted)
        words.append(found.word)
        said = found.said.replace(f"{folder}/", "").replace("\n", " ")[:100]
        rows.append(f"{name:34s} {strength!s:24.24s} {found.word:9s} {found.percent:7.2f} % {found.sigmas:7.1f} s  {said}")
        print(rows[-1], flush=True)
    assert "SILENT" not in words, rows
    assert words.count("misnamed") + words.count("warned of") <= 0.05 * len(words), rows
