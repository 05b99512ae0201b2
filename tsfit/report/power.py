"""How far a driver goes and what heat its coil stands, as parts of a page."""

from tsfit.box.measured import USUAL_COIL_C
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.travel_result import TravelResult
from tsfit.plots.heat import heat_plot
from tsfit.plots.travel import travel_plot
from tsfit.report.blocks import Block, Part, heading, table, text, with_unit
from tsfit.report.picture import picture


def travel_part(told: TravelResult, name: str) -> Part:
    """Turn what was measured at full travel into a part."""
    subject = told.driver.name
    columns = ("limit", *(f"{told.side(side)} (95 %)" for side in ("outward", "inward")))
    drawn = picture(
        travel_plot(told),
        f"{name}-travel",
        f"{subject}: force factor, compliance and inductance over travel, bands 95 %; Bl82 is where the force "
        "factor is down to 82 %, C75 the compliance to 75 %, L10 where the inductance is off by 10 %, and so on.",
    )
    return Part(
        subject,
        answer=[text(f"{subject}: {' '.join(told.answers())}")],
        found=[
            heading(f"{subject}: how far it goes"),
            *(text(line, strong=True) for line in told.answers()),
            table("Where each curve reaches its limit, mm", columns, told.rows()),
        ],
        sure=[heading(f"{subject}: over travel"), Block("picture", picture=drawn), _remarks(told)],
    )


def heat_part(found: HeatResult, name: str) -> Part:
    """Turn what a run at power found into a part."""
    subject = found.driver.name
    powers = [
        [f"{one.coil_c:.0f}", f"{one.value:.0f}", *(f"{end:.0f}" for end in one.interval95), f"{one.voltage.value:.1f}"]
        for one in found.power_at
    ]
    columns = ("coil, °C", "real power, W", "95 % from", "95 % to", "V RMS")
    rows = [[with_unit(parameter, each.unit), each.value, each.spread] for parameter, each in found.shown().items()]
    middle = found.power_for(USUAL_COIL_C)
    answer = "The run was too short to tell continuous power."
    if middle is not None:
        answer = f"{middle.value:.0f} W of real power hold its coil at {USUAL_COIL_C:g} °C."
    drawn = picture(heat_plot(found), f"{name}-heat", f"{subject}: temperature of coil and magnet over the run.")
    told = [table(f"Continuous power of {subject}", columns, powers)] if powers else []
    return Part(
        subject,
        answer=[text(f"{subject}: {answer}", strong=True)],
        found=[heading(f"{subject}: the coil's heat"), text(answer, strong=True), *told],
        sure=[
            heading(f"{subject}: the coil's heat"),
            Block("picture", picture=drawn),
            table("The coil's heat; ± is the standard uncertainty", ("parameter", "value", "±"), rows),
            _remarks(found),
        ],
    )


def _remarks(found: TravelResult | HeatResult) -> Block:
    remarks = [note.message for note in found.quality]
    return Block("list", items=remarks) if remarks else text("There is nothing to remark.")
