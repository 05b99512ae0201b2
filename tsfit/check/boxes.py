"""A sheet judged against a fit, with what it means for the boxes that were planned from it.

Boxes: the closed one with which to begin at the printed Qts (`usual_qtc`); the vented one of the named
family that this Qts allows, with leaks of Q 7 (common practice, no source); and every box of the user's own.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.box.compare.consequence import Consequence, consequence, draws_of_fit, exact
from tsfit.box.design.alignments import FAMILIES, possible_alignments, usual_qtc
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import ClosedPlan, VentedPlan
from tsfit.box.parts import StatedLosses
from tsfit.box.plan import BoxPlan
from tsfit.check.conditions import SAME_PRESSURE
from tsfit.check.verdict import CheckResult, judge
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.fit_result import FitResult
from tsfit.driver.measured import NOT_MEASURED, Measured
from tsfit.driver.record import Driver, driver_from_parameters
from tsfit.formats.sheet import Sheet

USUAL_LEAK_Q = 7.0
SEED = 5
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
    found = box_consequences(fit, sheet, plans)
    converted = result.converted
    if found and abs(fit.driver.air.pressure_hpa / REFERENCE_AIR.pressure_hpa - 1.0) > SAME_PRESSURE:
        converted += (f"Boxes are for {REFERENCE_AIR.pressure_hpa:.0f} hPa.",)
    said = conclusion(result.verdict, found) if found else ""
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
        boxes.append((f"closed box with Qtc {qtc:.3g}", ClosedPlan(qtc=qtc).build(printed).enclosure))
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

    def size(volume_l: float | None, tuning_hz: float | None) -> str:
        litres = "" if volume_l is None else f"{volume_l:.3g} l"
        return litres if tuning_hz is None else f"{litres} tuned to {tuning_hz:.3g} Hz"

    place, planned = f"{item.box[:1].upper()}{item.box[1:]}", size(item.volume_l, item.tuning_hz)
    if own and item.outcome != "holds":
        place += ", if planned from the sheet (planned from this fit it stays as it is)"
    change = item.shape_change_db
    value, low, high = (f"{end:.1f}" for end in (change.value, change.low, change.high))
    off = f"by up to {value} dB" + (f" ({low} to {high})" if change.high - change.low > SURE_DB else "")
    if item.outcome == "adjust" and item.remedy is not None:
        shape = "" if item.remedy.left_db < SURE_DB else f", shape within {item.remedy.left_db:.1f} dB"
        now = size(item.remedy.volume_l, item.remedy.tuning_hz)
        return f"{place}: about {now} instead of {planned}{shape}; as planned its response departs {off}."
    what = {"holds": "", "undecided": "the measurement is too uncertain to say whether it can stay"}.get(item.outcome)
    if what is None:
        none = "no volume from half to twice of it brings the planned response back"
        what = "plan it anew for this driver" if item.remedy is None else none
    stays = f"; {what}" if what else ", which can stay"
    return f"{place}{f', {planned}' if planned else ''}: its response departs {off} from the planned one{stays}."


def conclusion(verdict: str, found: Sequence[Consequence]) -> str:
    """Say in one sentence what to do with driver and boxes."""
    outcomes = {item.outcome for item in found}
    if outcomes == {"holds"}:
        if verdict == "outside":
            return "The driver is outside its sheet, but boxes planned from the sheet can be cut as planned."
        return "Boxes planned from the sheet can be cut as planned."
    if outcomes == {"differs"}:
        return "This is another driver than the sheet describes: send it back, or plan anew from the measured parameters."
    if outcomes == {"undecided"}:
        return "Whether boxes planned from the sheet hold cannot be told: measure more exactly before cutting wood."
    if "differs" not in outcomes and "undecided" not in outcomes:
        if verdict == "outside":
            return "Send it back, or change the boxes planned from its sheet before cutting wood."
        return "Change the boxes that do not hold before cutting wood; the driver can stay."
    return "Not every box planned from the sheet holds: keep to those that do, or change them as said, before cutting wood."
