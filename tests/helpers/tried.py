"""Drivers and states for the page whose knobs turn."""

from dataclasses import replace

import numpy as np

from helpers.made_fit import made_driver, made_fit
from tsfit.live.knobs import groups_of
from tsfit.live.state import OWN, PageState, Tried


def two_drivers(name="Wagtail 8", folder="."):
    """One that came as a fit, with the ratings of a sheet, and one that came as a sheet."""
    fit = made_fit(spread=0.02)
    first = Tried(f"{folder}/fit.json", replace(fit.driver, Xmax=0.006, Pe=120.0, name=name), fit)
    second = Tried(f"{folder}/other.json", replace(made_driver(Fs=41.0, Qes=0.38), name="Dipper 8", Xmax=0.009), None)
    return first, second


def random_state(kind, drivers, rng):
    """Turn every knob of a kind of box anywhere between its ends."""
    values, to_limit = {}, False
    for group in groups_of(kind, drivers):
        way = group.ways[rng.integers(len(group.ways))]
        to_limit |= bool(way.flag)
        for knob in way.knobs:
            if (knob.optional or knob.told or knob.words) and rng.random() > 0.3:
                continue
            if knob.words:
                values[knob.key] = str(rng.choice(knob.words))
            elif knob.step == 1.0:
                values[knob.key] = int(rng.integers(1, 4))
            else:
                low = max(knob.low, 1e-3 * knob.high)
                values[knob.key] = float(f"{low * (knob.high / low) ** rng.random():.3g}")
    own = {key: values.pop(key, None) for key in OWN}
    sections = []
    if rng.random() < 0.4:
        sections = [{"kind": "peaking", "frequency_hz": 40.0, "q": 1.2, "gain_db": round(float(rng.uniform(-6, 6)), 1)}]
    return PageState(kind=kind, values=values, **own, to_limit=to_limit, sections=sections)


def random_states(count, drivers):
    """States of every kind in turn, always the same ones."""
    rng = np.random.default_rng(25)
    kinds = ("vented", "closed", "bandpass", "passive", "baffle")
    return [random_state(kinds[number % 5], drivers, rng) for number in range(count)]
