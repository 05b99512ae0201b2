"""Comparisons and drift logs as parts of a page."""

import numpy as np

from tsfit.box.compare.result import CaseResult, DriverComparison
from tsfit.box.compare.short import as_printed, how_sure, in_short, of_measured
from tsfit.box.compare.ways import TITLES, USUAL, Way
from tsfit.box.equaliser.form import FlatForm
from tsfit.box.frequencies import LOUDEST_HZ, PREFERRED_HZ
from tsfit.drift.history import History
from tsfit.driver.units import with_decimals
from tsfit.plots.compare import compare_plot
from tsfit.plots.drift import drift_plot
from tsfit.report.blocks import Block, Part, heading, number, table, text
from tsfit.report.picture import picture


def compare_part(data: DriverComparison, name: str) -> Part:
    """Turn a comparison into a part: who is louder, with the levels in the first box; then box by box."""
    names = [one.name for one in data.compared]
    subject, printed = " and ".join(names), as_printed(data, range(len(names)))
    found: list[Block] = [heading(f"{subject} compared")]
    box: list[Block] = []
    answer: list[Block] = [text(sentence, strong=True) for sentence in in_short(data)]
    answer.append(text(" ".join([*of_measured(data), how_sure(data)])))
    for count, case in enumerate(data.cases, start=1):
        title = case.case
        found += [text(f"{title[:1].upper()}{title[1:]}:"), Block("list", items=case.words)]
        caption = f"{subject}, {case.case}: level, loudest, and differences with their 95 % bands."
        drawn = picture(compare_plot(names, case), f"{name}-case-{count}", caption)
        box += [heading(title), Block("picture", picture=drawn)]
        if count == 1:
            caption = (
                f"{subject}, {case.case}: level at the same power, loudest, and what stops each where. {case.words[0]}"
            )
            seen = picture(compare_plot(names, case, differences=False), f"{name}-level", caption)
            answer.append(Block("picture", picture=seen))
        box += [_levels(names, case, way, printed) for way in data.ways or USUAL if way in case.level_db]
        box += [_equalised(who, one) for who, one in zip(names, case.equalised, strict=False)]
    answer.append(_leads(names, data, printed))
    return Part(subject, answer=answer, found=found, box=box, drivers=names)


def _leads(names: list[str], data: DriverComparison, printed: str) -> Block:
    """Boxes against ways: by how much each driver is louder than the first, and where they cross."""
    rows = []
    for case in data.cases:
        for way in (way for way in data.ways or USUAL if way in case.level_db):
            for who, one in zip(names[1:], case.differences[way], strict=True):
                at = [float(one.db[int(np.searchsorted(case.frequency_hz, hz))]) for hz in LOUDEST_HZ]
                cross = " and ".join(f"{hz:.0f} Hz" for hz in one.crossings_hz)
                which = [who] * (len(names) > 2)
                driven = {"equal power": "at 1 W", "limits": "at its loudest"}.get(way, TITLES[way])
                rows.append(
                    [
                        case.case,
                        driven,
                        *which,
                        *(with_decimals(db, 1, "+").replace("+0.0", "0.0") for db in at),
                        cross or "nowhere",
                    ]
                )
    columns = ("box", "driven", *["driver"] * (len(names) > 2), *(f"{hz:g} Hz" for hz in LOUDEST_HZ), "they cross at")
    louder = f"{names[1]} is louder than {names[0]}" if len(names) == 2 else f"louder than {names[0]}"
    limits = f"; at its loudest {printed}" if printed else ""
    return table(f"By how many dB {louder}{limits}", columns, rows)


def _levels(names: list[str], case: CaseResult, way: Way, printed: str) -> Block:
    frequency = case.frequency_hz
    rows = []
    for wanted in PREFERRED_HZ:
        k = int(np.argmin(np.abs(frequency / wanted - 1.0)))
        row = [f"{wanted:g}", *(f"{level[k]:.1f}" for level in case.level_db[way])]
        for one in case.differences[way]:
            row += [with_decimals(values[k], 1) for values in (one.db, one.low_db, one.high_db) if values is not None]
        if way == "limits" and case.limited_by:
            row += [limits[k] for limits in case.limited_by]
        rows.append(row)
    columns = ["Hz", *(f"{name}, dB" for name in names)]
    for who, one in zip(names[1:], case.differences[way], strict=True):
        columns += [f"{who} less {names[0]}", *(["95 % from", "95 % to"] if one.low_db is not None else [])]
    if way == "limits" and case.limited_by:
        columns += [f"stops {who}" for who in names]
    limits = f" {printed}" if printed and way == "limits" else ""
    before = ", before the equaliser" if case.equalised else ""
    return table(f"Level at 1 m, {TITLES[way]}{limits}: {case.case}{before}", columns, rows)


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
    said = [text(sentence, strong=True) for sentence in judged.sentences()]
    found = [heading(f"{subject}: what the hours did"), *said]
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
    entries = [[number(one.hours), one.added[:16].replace("T", " "), one.rig or "", one.coil] for one in judged.entries]
    measured = [
        heading(f"{subject}: entries"),
        table("Entries of the log", ("hours", "added", "rig", "coil model"), entries),
    ]
    answer = [text(f"{subject}, by its log: {judged.sentences()[0]}")]
    sure += [Block("list", items=remarks)] if remarks else []
    return Part(subject, answer=answer, found=found, sure=sure, measured=measured)
