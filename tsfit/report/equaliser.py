"""Equalisers as parts of a page."""

from __future__ import annotations

import numpy as np

from tsfit.box.equaliser.form import EqualiserForm
from tsfit.box.frequencies import PREFERRED_HZ
from tsfit.plots.equalised import equalised_figure
from tsfit.report.blocks import Block, Part, heading, number, table, text
from tsfit.report.picture import picture

RATES_HZ = ("44100", "48000", "96000")


def equaliser_part(data: EqualiserForm, name: str) -> Part:
    """Turn an equalised box into a part."""
    subject = data.driver
    rated = data.headroom_after_db is not None
    caption = f"{subject}, equalised: level, gain, travel{', and how much boost the first limit leaves' * rated}."
    box = [
        heading(f"{subject}, equalised"),
        Block("picture", picture=picture(equalised_figure(data), f"{name}-equaliser", caption)),
        _costs(subject, data),
        Block("list", items=[f"Section {count}: {one.words}" for count, one in enumerate(data.sections, start=1)]),
        _coefficients(subject, data),
    ]
    return Part(subject, found=[heading(f"{subject}, equalised"), text(" ".join(data.words))], box=box)


def _costs(subject: str, data: EqualiserForm) -> Block:
    low, high = data.played_hz
    preferred = sorted({decade * hz for decade in (1.0, 10.0) for hz in PREFERRED_HZ if low <= decade * hz <= high})
    headroom, limits = data.headroom_after_db, data.headroom_limited_by
    rows = []
    for wanted in preferred:
        k = int(np.argmin(np.abs(data.frequency_hz / wanted - 1.0)))
        row = [f"{wanted:g}", *(f"{curve[k]:.1f}" for curve in (data.before_db, data.gain_db, data.after_db))]
        row += [number(float(data.power_after_w[k]), 3), f"{data.excursion_after_mm[k]:.2f}"]
        if headroom is not None and limits is not None:
            row += [f"{headroom[k]:.1f}", limits[k]]
        rows.append(row)
    columns = ["Hz", "alone, dB", "gain, dB", "equalised, dB", "into Re, W", "travel, mm"]
    columns += [] if headroom is None else ["headroom, dB", "first limit"]
    return table(f"{subject} at {data.level_db:.1f} dB in the mid-band, equalised", columns, rows)


def _coefficients(subject: str, data: EqualiserForm) -> Block:
    rows = []
    for count, section in enumerate(data.sections, start=1):
        for rate in RATES_HZ:
            if (digital := section.biquads.get(rate)) is not None:
                rows.append([str(count), rate, *(f"{value:.12f}" for value in (*digital.b, *digital.a))])
    return table(f"Equaliser of {subject}, a0 = 1", ("section", "rate, Hz", "b0", "b1", "b2", "a1", "a2"), rows)
