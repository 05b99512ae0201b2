"""A fit, a check and a lot as parts of a page: findings first, numbers after, pictures between."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tsfit.base.notes import gathered
from tsfit.box.compare.consequence import Consequence
from tsfit.box.told import NAMES, headed
from tsfit.check.consistency import Contradiction
from tsfit.check.forms import CheckForm
from tsfit.check.lot import LotParameter, LotResult
from tsfit.check.verdict import PROMISED, Judged
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.driver.units import display, rounded, with_decimals
from tsfit.plots.consequence import consequence_plot
from tsfit.plots.fit import fit_plot
from tsfit.plots.lot import lot_plot
from tsfit.report.blocks import Block, Part, flat, heading, number, parameter_name, table, text, with_unit
from tsfit.report.picture import picture

DOTS_PER_OCTAVE = 20.0
"""Measured points that a page draws; more would only make it heavy."""
STANDARD = "is the standard uncertainty"
VERDICTS = {
    "inside": "The datasheet holds: every parameter that can be judged is inside its tolerance.",
    "outside": "The datasheet does not hold.",
    "undecided": "Undecided: the measurement is not sure enough to tell.",
}


def fit_part(fit: FitResult, name: str) -> Part:
    """Turn a fit into a part; `name` makes its pictures' names."""
    driver = fit.driver
    rows = []
    for parameter, estimate in fit.parameters.items():
        told = estimate.shown(parameter)
        rows.append([with_unit(parameter_name(parameter), told.unit), told.value, told.spread, told.low, told.high])
    columns = ("parameter", "value", "±", "95 % from", "95 % to")
    title = driver.name if driver.serial is None else f"{driver.name}, serial {driver.serial}"
    sure: list[Block] = [heading(title)]
    if fit.states:
        caption = (
            f"{driver.name}: impedance as measured (dots) and as the fitted circuit has it (lines), and what it misses "
            "in each sweep."
        )
        sure.append(Block("picture", picture=picture(fit_plot(_thinned(fit)), f"{name}-fit", caption)))
    remarks = [told.sentence[:1].upper() + told.sentence[1:] for told in gathered(fit.quality, len(fit.states))]
    sure.append(Block("list", items=remarks) if remarks else text("The fit has nothing to remark."))
    model = f"Coil model {driver.coil}, suspension model {driver.suspension}."
    return Part(
        subject=title,
        answer=(text(f"{title}{fit.simulated}: {fit.in_short}."),),
        found=(heading(title), text(f"{fit.in_short}."), table(f"Parameters of {title}; ± {STANDARD}", columns, rows)),
        sure=sure,
        measured=(heading(title), text(model), *_provenance(fit.provenance)),
    )


def _thinned(fit: FitResult) -> FitResult:
    def thin(state: FittedState) -> FittedState:
        frequency = state.curve.frequency_hz
        _, keep = np.unique(np.round(DOTS_PER_OCTAVE * np.log2(frequency)), return_index=True)
        curve = replace(
            state.curve,
            frequency_hz=frequency[keep],
            impedance_ohm=state.curve.impedance_ohm[keep],
            variance_ohm2=None,
            systematic={},
        )
        return replace(
            state, curve=curve, used=state.used[keep], fitted_ohm=state.fitted_ohm[keep], sigma_ohm=state.sigma_ohm[keep]
        )

    return replace(fit, states=tuple(thin(state) for state in fit.states))


def _provenance(data: Mapping[str, object]) -> list[Block]:
    """Sweeps as a table of their own, the rest as pairs; of a checksum the first dozen characters tell files apart."""
    rest = {key: value for key, value in data.items() if key != "sweeps"}
    blocks = []
    told = data.get("sweeps")
    sweeps = [dict(flat(sweep)) for sweep in told if isinstance(sweep, Mapping)] if isinstance(told, list) else []
    keys = [key for key in dict.fromkeys(key for sweep in sweeps for key in sweep) if not key.startswith("calibration")]
    if sweeps:
        rows = [[_named(key), *(_short(key, sweep.get(key, "")) for sweep in sweeps)] for key in keys]
        blocks.append(table("Sweeps", ("what", *(f"sweep {count + 1}" for count in range(len(sweeps)))), rows))
    rows = [[_named(place), _short(place, value)] for place, value in flat(rest)]
    return [*blocks, table("Where it comes from", ("what", "value"), rows)] if rows else blocks


def _named(place: str) -> str:
    """Return the place of a value in the provenance in words, with its unit."""
    *around, key = place.split(".")
    return ", ".join([*around, "fingerprint (SHA-256)" if key == "sha256" else headed(key)])


def _short(place: str, value: str) -> str:
    return value[:12] if place.endswith("sha256") else value


def check_part(data: CheckForm, name: str) -> Part:
    """Turn a check into a part."""
    subject = data.driver or "the datasheet"
    columns = ("parameter", "verdict", "printed", "measured", "±", "off by", "allowed")
    out = [parameter_name(one.name) for one in data.figures if one.verdict == "outside"]
    unjudged = [parameter_name(one.name) for one in data.not_judged or () if one.name in PROMISED]
    verdict = VERDICTS[data.verdict] + (f" Outside: {', '.join(out)}." if out else "")
    verdict += f" Not judged: {', '.join(unjudged)}." if unjudged else ""
    found = [heading(f"{subject}: the datasheet"), text(verdict, strong=True)]
    if data.consequence.conclusion:
        found.append(text(data.consequence.conclusion, strong=True))
    if data.pattern:
        found.append(text(data.pattern))
    if data.figures:
        found.append(table(f"Printed against measured; ± {STANDARD}", columns, list(map(_judged, data.figures))))
    found += [text(sentence) for sentence in data.converted or ()]
    found += [text(f"{one.name}, {one.verdict}: {one.note}.") for one in data.figures if one.name in PROMISED and one.note]
    if data.contradictions:
        found.append(text("The sheet contradicts itself:"))
        found.append(Block("list", items=list(map(_contradiction, data.contradictions))))
    answer = [text(f"{subject}: {verdict} {data.consequence.conclusion}".rstrip(), strong=True)]
    return Part(subject, answer=answer, found=found, box=_consequence(subject, data.consequence.boxes, name))


def _judged(one: Judged) -> list[str]:
    printed, unit = display(one.name, one.published)
    factor = printed / one.published if one.published else 1.0
    level = one.deviation_percent is None
    off, limit = (one.deviation_db, one.tolerance_db) if level else (one.deviation_percent, one.tolerance_percent)
    spread = one.stdev * (1.0 if level else factor)
    of = "dB" if level else "%"
    return [
        with_unit(parameter_name(one.name), unit),
        one.verdict,
        number(printed),
        "over " * one.at_least + rounded(one.measured * factor, spread),
        rounded(spread, spread),
        "" if off is None else f"{with_decimals(off, 1, '+')} {of}",
        "" if limit is None else f"{number(limit, 3)} {of}",
    ]


def _consequence(subject: str, boxes: Sequence[Consequence], name: str) -> list[Block]:
    """What the printed and the measured driver make of the same boxes."""
    if not boxes:
        return []
    blocks = [heading(f"{subject}: printed against measured in the same boxes")]
    blocks += [text(box.sentence or "") for box in boxes]
    caption = f"{subject}: what the measured driver changes in boxes planned on the printed one."
    caption += " Coil and mid-band level count here; the shape that is told of leaves them out."
    blocks.append(Block("picture", picture=picture(consequence_plot(subject, boxes), f"{name}-boxes", caption)))
    columns = ("what", "printed", "measured", "change", "95 % from", "95 % to")
    for box in boxes:
        rows = []
        for key, one in box.figures.items():
            told = (one.before.value, one.after.value, one.change.value, one.change.low, one.change.high)
            decimals = NAMES[key][1] if key in NAMES else 2
            known = (value if value is not None and np.isfinite(value) else None for value in told)
            rows.append([headed(key), *("" if value is None else with_decimals(value, decimals) for value in known)])
        blocks.append(table(box.box, columns, rows))
    return blocks


def _contradiction(item: Contradiction) -> str:
    if item.sentence:
        return item.sentence
    suspect = f"; suspect: {item.suspect}" if item.suspect else ""
    return f"{item.relation}: printed {number(item.printed)}, implied {number(item.implied)}{suspect}."


def lot_part(data: LotResult, name: str) -> Part:
    """Turn a lot into a part."""
    samples, parameters = data.samples, data.lot
    subject = f"{len(samples)} samples"
    judged = any(one.verdict is not None for one in parameters)
    told = data.tolerance_interval
    share, sure = (number(100.0 * share, 3) for share in (told.fraction, told.confidence))
    found: list[Block] = [heading(f"{subject} of one type")]
    if judged:
        out = [parameter_name(one.name) for one in parameters if one.verdict == "outside"]
        words = {"inside": "The lot holds its datasheet.", "outside": "The lot does not hold its datasheet."}
        verdict = words.get(data.verdict, "Undecided: the samples are too few or too far apart to tell.")
        found.append(text(verdict + (f" Its mean is outside in {', '.join(out)}." if out else ""), strong=True))
    strange: dict[str, list[str]] = {}
    for one in parameters:
        if one.outlier is not None:
            strange.setdefault(samples[one.outlier], []).append(parameter_name(one.name))
    found += [text(f"{sample} stands out in {', '.join(names)} (Grubbs' test, 5 %).") for sample, names in strange.items()]
    columns = ["parameter", "mean", f"{share} % from", f"{share} % to", "spread", "measured to"]
    columns += ["sheet", "verdict"] if judged else []
    found.append(table(f"Parameters of {subject}", columns, [_row(one, judged=judged) for one in parameters]))
    drawn = picture(lot_plot(data), f"{name}-lot", f"{subject}: every parameter of every sample, off the mean of all.")
    between = (
        f"{share} % of all drivers of the type lie between the ends, with {sure} % confidence, if their parameters scatter "
        f"normally ({told.method}). Spread is that of the samples; what each is measured to is beside it."
    )
    box: list[Block] = []
    if data.pairs:
        chosen = [one.samples for one in data.best_pairs]
        pairs = [
            [" and ".join(one.names), f"{one.difference_db:.2f}", "yes" * (one.samples in chosen)] for one in data.pairs
        ]
        box = [
            heading("Which two belong together"),
            text(f"Both in the same box: {data.box}."),
            table("Pairs, the best matched first", ("pair", "apart at most, dB", "chosen"), pairs),
        ]
    return Part(
        subject,
        answer=[block for block in found if block.kind == "text"],
        found=found,
        sure=[heading(f"{subject} of one type"), Block("picture", picture=drawn), text(between)],
        box=box,
        measured=[heading(f"{subject} of one type"), Block("list", items=samples)],
    )


def _row(one: LotParameter, *, judged: bool) -> list[str]:
    factor, unit = display(one.name, 1.0)
    level = one.spread_db is not None
    spread, measured = (one.spread_db, one.measurement_db) if level else (one.spread_percent, one.measurement_percent)
    step = ((spread or 0.0) if level else 0.01 * (spread or 0.0) * one.mean) * factor
    row = [
        with_unit(parameter_name(one.name), unit),
        *(rounded(value * factor, step) for value in (one.mean, *one.tolerance_interval)),
        *("" if share is None else f"{number(share, 2)} {'dB' if level else '%'}" for share in (spread, measured)),
    ]
    if judged:
        row += ["" if one.published is None else number(one.published * factor), one.verdict or ""]
    return row
