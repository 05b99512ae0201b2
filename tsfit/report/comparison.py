"""Comparisons and drift logs as parts of a page."""

import numpy as np

from tsfit.box.compare.drivers import CaseResult, DriverComparison
from tsfit.box.equaliser.form import FlatForm
from tsfit.box.frequencies import PREFERRED_HZ
from tsfit.drift.history import History
from tsfit.plots.compare import compare_plot
from tsfit.plots.drift import drift_plot
from tsfit.report.blocks import Block, Part, heading, number, table, text
from tsfit.report.picture import picture

TITLES = {"equal power": "at 1 W into Re of each", "limits": "as loud as the limits let each"}


def compare_part(data: DriverComparison, name: str) -> Part:
    """Turn a comparison into a part."""
    names = [one.name for one in data.compared]
    subject = " and ".join(names)
    found: list[Block] = [heading(f"{subject} compared")]
    box: list[Block] = []
    for count, case in enumerate(data.cases, start=1):
        title = case.case
        found += [text(f"{title[:1].upper()}{title[1:]}:"), Block("list", items=case.words)]
        box.append(heading(title))
        caption = f"{subject}, {case.case}: level, loudest, and differences with their 95 % bands."
        box.append(Block("picture", picture=picture(compare_plot(names, case), f"{name}-case-{count}", caption)))
        box += [_levels(names, case, way) for way in TITLES if way in case.level_db]
        box += [_equalised(who, one) for who, one in zip(names, case.equalised, strict=False)]
    return Part(subject, found=found, box=box)


def _levels(names: list[str], case: CaseResult, way: str) -> Block:
    frequency = case.frequency_hz
    rows = []
    for wanted in PREFERRED_HZ:
        k = int(np.argmin(np.abs(frequency / wanted - 1.0)))
        row = [f"{wanted:g}", *(f"{level[k]:.1f}" for level in case.level_db[way])]
        for one in case.differences[way]:
            row += [f"{values[k]:.1f}" for values in (one.db, one.low_db, one.high_db) if values is not None]
        if way == "limits" and case.limited_by:
            row += [limits[k] for limits in case.limited_by]
        rows.append(row)
    columns = ["Hz", *(f"{name}, dB" for name in names)]
    for who, one in zip(names[1:], case.differences[way], strict=True):
        columns += [f"{who} less {names[0]}", *(["95 % from", "95 % to"] if one.low_db is not None else [])]
    if way == "limits" and case.limited_by:
        columns += [f"stops {who}" for who in names]
    return table(f"Level at 1 m, {TITLES[way]}: {case.case}", columns, rows)


def _equalised(who: str, data: FlatForm) -> Block:
    rows = []
    for section in data.sections:
        digital = section.biquads.get("48000")
        digits = [""] * 5 if digital is None else [f"{value:.9f}" for value in (*digital.b, *digital.a)]
        rows.append([section.kind, number(section.frequency_hz), number(section.q, 3), *digits])
    caption = f"Equaliser for {who}, flat to {number(data.flat_to_hz, 3)} Hz; coefficients for 48 kHz, a0 = 1"
    return table(caption, ("section", "Hz", "Q", "b0", "b1", "b2", "a1", "a2"), rows)


def history_part(judged: History, name: str) -> Part:
    """Turn a judged log into a part."""
    driver = judged.entries[0].driver
    subject = driver.name if driver.serial is None else f"{driver.name}, serial {driver.serial}"
    found = [heading(f"{subject}: what the hours did"), *(text(sentence, strong=True) for sentence in judged.sentences())]
    caption = f"{subject}: every cause of change against hours of use, with its course."
    drawn = picture(drift_plot(judged), f"{name}-drift", caption)
    rows = [
        [cause, one.figure, number(100.0 * one.relative, 3), one.course, "yes" if one.drifted else "no"]
        for cause, one in judged.causes.items()
    ]
    sure = [
        heading(f"{subject}: course of the causes"),
        Block("picture", picture=drawn),
        table(f"Causes, {subject}", ("cause", "seen in", "change, %", "course", "drifted"), rows),
    ]
    remarks = [note.message for note in judged.notes]
    entries = [[number(one.hours), one.added, one.rig or "", one.coil] for one in judged.entries]
    measured = [
        heading(f"{subject}: entries"),
        table("Entries of the log", ("hours", "added", "rig", "coil model"), entries),
    ]
    return Part(subject, found=found, sure=[*sure, *([Block("list", items=remarks)] if remarks else [])], measured=measured)
