"""A sheet judged against a fit, with what it means for the boxes that were planned from it.

Boxes: the closed one with which to begin at the printed Qts (`usual_qtc`); the vented one of the named
family that this Qts allows, with leaks of Q 7 (common practice, no source); and every box of the user's own.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.compare.consequence import Consequence, Remedy, consequence, draws_of_fit, exact
from tsfit.box.design.alignments import FAMILIES, possible_alignments, usual_qtc
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import ClosedPlan, VentedPlan
from tsfit.box.parts import USUAL_LEAK_Q, StatedLosses
from tsfit.box.plan import BoxPlan
from tsfit.check.conditions import SAME_PRESSURE
from tsfit.check.slips import as_meant
from tsfit.check.verdict import PROMISED, CheckResult, judge
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.fit_result import FitResult
from tsfit.driver.measured import NOT_MEASURED, Measured
from tsfit.driver.record import Driver, driver_from_parameters
from tsfit.formats.sheet import Sheet

SEED = 5
BOXES_HPA = REFERENCE_AIR.pressure_hpa
_BORROWED = ("Re", "Sd", "Qms", "Mms")
"""Parameters that a sheet may leave out and the fit can lend without touching what the sheet claims of the box."""


def check_sheet(
    fit: FitResult, sheet: Sheet, *, rules: Mapping[str, float] | None = None, plans: Sequence[tuple[str, BoxPlan]] = (),
    limits: Measured = NOT_MEASURED,
) -> CheckResult:  # fmt: skip
    """Judge `sheet` against `fit`, and put both drivers into the same boxes; raises as `tsfit.check.verdict.judge`.

    `rules` are tolerances that go before those of the sheet, `plans` boxes of the user's own with a name for each, `limits`
    what was measured of travel and heat.
    """
    result = judge(fit, sheet, rules, limits)
    found = box_consequences(fit, as_meant(sheet, result.suspicions)[0], plans)
    converted = result.converted
    if found and abs((sheet.conditions.pressure_hpa or BOXES_HPA) / BOXES_HPA - 1.0) > SAME_PRESSURE:
        converted += (f"Boxes are for {BOXES_HPA:.0f} hPa.",)
    said = conclusion(result.verdict, found, _unkept(result), found[len(found) - len(plans) :]) if found else ""
    return replace(result, boxes=found, conclusion=said, converted=converted)


def box_consequences(fit: FitResult, sheet: Sheet, plans: Sequence[tuple[str, BoxPlan]] = ()) -> tuple[Consequence, ...]:
    """Return what each box makes of the difference; empty when sheet or fit tell too little for a box."""
    printed = printed_driver(fit, sheet)
    if printed is None or fit.driver.Mms is None or fit.driver.Sd is None:
        return ()
    before, after = exact(printed), draws_of_fit(fit, np.random.default_rng(SEED))
    boxes = [*_usual_boxes(printed), *((name, plan.build(printed).enclosure) for name, plan in plans)]
    found = (consequence(enclosure, before, after, box=name) for name, enclosure in boxes)
    own = len(boxes) - len(plans)
    return tuple(replace(item, sentence=sentence(item, own=number >= own)) for number, item in enumerate(found))


def printed_driver(fit: FitResult, sheet: Sheet) -> Driver | None:
    """Return the driver of `sheet`, with what it does not print of Re, Sd, Qms, Mms and the coil taken from `fit`.

    None when the parameters contradict each other so much, or are so few, that they make no driver.
    """
    parameters, lent = sheet.values(), [name for name in _BORROWED if getattr(fit.driver, name) is not None]
    while True:
        try:
            driver = driver_from_parameters(sheet.name, parameters, where=sheet.name)
        except TsfitError as error:
            name = next((name for name in lent if name not in parameters and error.code == "incomplete_driver"), None)
            if name is None:
                return None
            parameters = {**parameters, name: float(getattr(fit.driver, name))}
            continue
        if "Le" in parameters:
            return driver
        return replace(driver, coil=fit.driver.coil, coil_values=fit.driver.coil_values)


def _usual_boxes(printed: Driver) -> list[tuple[str, Enclosure]]:
    qtc = usual_qtc(printed.Qts)
    boxes = []
    try:
        boxes.append((f"closed box, Qtc {in_figures(qtc, 3)}", ClosedPlan(qtc=qtc).build(printed).enclosure))
        aligned = possible_alignments(printed, USUAL_LEAK_Q)
        family = next((name for name in FAMILIES if name in aligned and aligned[name].ripple_db <= 1.0), None)
        if family is not None:
            at = aligned[family]
            plan = VentedPlan(volume=at.volume, tuning=at.tuning, losses=StatedLosses(leak_q=USUAL_LEAK_Q))
            boxes.append((f"vented box of the {family} alignment, leak Q {USUAL_LEAK_Q:g}", plan.build(printed).enclosure))
    except TsfitError:
        # Parameters that are off by powers of ten ask for boxes of impossible size; without a box there is nothing to say.
        return boxes
    return boxes


SURE_DB = 0.25
"""Ends no further apart than this are one number to who builds a box."""


def sentence(item: Consequence, *, own: bool = False) -> str:
    """Say in one sentence what becomes of one planned box; of the user's `own` nobody knows for which driver it was."""
    place, planned = f"{item.box[:1].upper()}{item.box[1:]}", _size(item.volume_l, item.tuning_hz)
    change = item.shape_change_db
    value, low, high = (f"{end:.1f}" for end in (change.value, change.low, change.high))
    apart = f"{value} dB" + (f" ({low} to {high})" if change.high - change.low > SURE_DB else "")
    if own and item.outcome in {"adjust", "differs"}:
        return _of_own(item, f"{place}{f', {planned}' if planned else ''}", apart)
    if item.outcome == "adjust" and item.remedy is not None:
        now = _about(item.remedy)
        return f"{place}: about {now} instead of {planned}{_left(item.remedy)}, else {apart} off in shape."
    what = {
        "holds": "which can stay",
        "undecided": "the measurement is too uncertain to say whether it can stay; measure more exactly",
    }.get(item.outcome) or _none(item)
    joint = "," if item.outcome == "holds" else ";"
    departs = f"up to {apart} off the plan in shape"
    return f"{place}{f', {planned}' if planned else ''}: {departs}{joint} {what}."


TO_THE_LITRE = 20.0
"""Litres from which a box is told to the litre."""
LARGER, SMALL_DB = 1.5, 2.0
"""A box so many times larger than planned is no remedy for a change of shape up to so much (common practice, no source)."""


def _not_worth(item: Consequence) -> bool:
    """Whether the box that would bring the response back is much too large for what is off."""
    if item.remedy is None or item.volume_l is None:
        return False
    return item.remedy.volume_l > LARGER * item.volume_l and item.shape_change_db.value <= SMALL_DB


def _of_own(item: Consequence, place: str, apart: str) -> str:
    """Say what the box is with either driver, by the number it is planned by, so that another volume has its reason."""
    name, digits, unit = ("qtc", 2, "") if "qtc" in item.figures else ("f3_hz", 1, " Hz")
    figure = item.figures.get(name)
    told = f"up to {apart} between the sheet's driver and this one"
    if figure is not None and math.isfinite(figure.before.value + figure.after.value):
        by_sheet, measured = (f"{one.value:.{digits}f}{unit}" for one in (figure.before, figure.after))
        called = "Qtc" if name == "qtc" else "f3"
        told = f"{called} {measured} with this driver, {by_sheet} with the sheet's (up to {apart} apart in shape)"
    if item.outcome == "adjust" and item.remedy is not None:
        size = _about(item.remedy)
        if _not_worth(item):
            left = f"{item.shape_change_db.value:.1f} dB apart"
            return f"{place}: {told}. The box can stay: {left}; {size} would mend that, and are not worth it."
        back = f"its Qtc of {figure.before.value:.2f}" if name == "qtc" and figure is not None else "its response"
        planned = f"about {size} bring {back} back{_left(item.remedy)}"
    else:
        planned = _none(item)
    return f"{place}: {told}. If you planned it for this driver, keep it. If you planned it from the sheet, {planned}."


def _size(volume_l: float | None, tuning_hz: float | None) -> str:
    litres = "" if volume_l is None else f"{in_figures(volume_l, 3)} l"
    return litres if tuning_hz is None else f"{litres} tuned to {in_figures(tuning_hz, 3)} Hz"


def _about(remedy: Remedy) -> str:
    """A box to be planned anew, to the litre: the air of that plan is another, and so are its tenths."""
    litres = remedy.volume_l
    return _size(round(litres) if litres >= TO_THE_LITRE else litres, remedy.tuning_hz)


def _left(remedy: Remedy) -> str:
    return "" if remedy.left_db < SURE_DB else f", shape within {remedy.left_db:.1f} dB"


def _none(item: Consequence) -> str:
    if item.remedy is None:
        return "plan it anew for this driver"
    return "no volume from half to twice of it brings the planned response back; plan it anew"


def _unkept(result: CheckResult) -> str:
    """What is printed of travel and power and was not found to hold; "" where all does, or none was judged."""
    states: dict[str, str] = {item.name: item.verdict for item in result.figures if item.name in PROMISED}
    if not states:
        return ""
    states |= {name: "not judged" for name in result.not_judged if name in PROMISED}
    return " and ".join(f"{name} ({state})" for name, state in states.items() if state != "inside")


def conclusion(verdict: str, found: Sequence[Consequence], unkept: str = "", own: Sequence[Consequence] = ()) -> str:
    """Say what to do with driver and boxes; `unkept` is what of travel and power does not surely hold.

    First, where others do not hold, which of the user's `own` it suits.
    """
    said = _of_all(verdict, found, unkept)
    stays = [one.box for one in own if one.outcome == "holds" or (one.outcome == "adjust" and _not_worth(one))]
    if not stays or all(item.outcome == "holds" for item in found):
        return said
    return f"It suits {' and '.join(stays)}. For others: {said[:1].lower()}{said[1:]}"


def _of_all(verdict: str, found: Sequence[Consequence], unkept: str) -> str:
    outcomes = {item.outcome for item in found}
    if outcomes == {"holds"}:
        told = "boxes planned from the sheet can be cut as planned"
        told += f" as far as response goes; how loud they play hangs on {unkept}." if unkept else "."
        if verdict == "outside" and not unkept:
            return f"The driver is outside its sheet, but {told}"
        return f"{told[:1].upper()}{told[1:]}"
    if outcomes == {"differs"}:
        return "This is another driver than the sheet describes: send it back, or plan anew from the measured parameters."
    if outcomes == {"undecided"}:
        return "Whether boxes planned from the sheet hold cannot be told: measure more exactly before cutting wood."
    if "differs" not in outcomes and "undecided" not in outcomes:
        if verdict == "outside":
            return "Send it back, or change the boxes planned from its sheet before cutting wood."
        return "Change the boxes that do not hold before cutting wood; the driver can stay."
    return "Not every box planned from the sheet holds: keep to those that do, or change them as said, before cutting wood."
