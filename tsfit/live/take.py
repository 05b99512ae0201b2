"""What can be taken away from the page: the box file, a page of the report, the boards, coefficients, the command lines."""

import csv
import io
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.box.file import as_found, box_text
from tsfit.box.kinds import BafflePlan
from tsfit.box.limits import Ratings, ratings_of
from tsfit.box.plan import BoxPlan
from tsfit.box.told import leaves_of_kind, told
from tsfit.live.extra import cabinet_of
from tsfit.live.state import PageState, Tried


@dataclass(frozen=True)
class Taken:
    """A file for the browser to save: its name, its type, what is in it."""

    name: str
    kind: str
    content: str


def box_name(drivers: Sequence[Tried], one: Tried) -> str:
    """Name of the box file made for one of the drivers: each may have ratings and a volume of its own."""
    return "box.toml" if len(drivers) == 1 else f"box-{1 + list(drivers).index(one)}.toml"


def command_lines(state: PageState, drivers: Sequence[Tried]) -> list[str]:
    """Return the commands that give the same numbers; those that take a box file name it as the page hands it over."""
    lines = []
    room = [] if state.room_m is None else ["--room-m", f"{state.room_m:.12g}"]
    for one in drivers:
        plan, file = _plan_for(state, one), box_name(drivers, one)
        options = _options(plan)
        box = ["show", file, one.named] if options is None else [plan.kind, one.named, *options]
        lines.append(shlex.join(["tsfit", "box", *box, *one.words, *room]))
        if state.sections:
            sections = [word for section in state.sections for word in ("--section", section.text)]
            lines.append(shlex.join(["tsfit", "box", "equalise", one.named, "--box", file, *one.words, *sections]))
    return lines


def _plan_for(state: PageState, one: Tried) -> BoxPlan:
    """The plan, with the ratings that a sheet told beside the fit, which knows none."""
    plan = state.plan
    if one.fit is None:
        return plan
    alone = replace(one.fit.driver, measured=one.driver.measured)
    sheet, bare = (ratings_of(BafflePlan().setup(each)) for each in (one.driver, alone))
    beside = {name: value for name, value in vars(sheet).items() if value != getattr(bare, name)}
    return replace(plan, ratings=plan.ratings.over(Ratings(**beside)))


def _options(plan: BoxPlan) -> list[str] | None:
    """Options of the command that plans the same; None where only a box file can tell it all."""
    values, words = told(plan), list[str]()
    for leaf in leaves_of_kind(type(plan)):
        value = values[leaf.key]
        if value is None or value == leaf.default:
            continue
        if leaf.key == "name" or leaf.key.startswith("air."):
            return None
        flag = f"--{leaf.option.replace('_', '-')}"
        words += [flag] if value is True else [flag, f"{value:.12g}" if isinstance(value, float) else str(value)]
    return words


def _box_file(state: PageState, drivers: Sequence[Tried], one: Tried) -> Taken:
    plan, name = _plan_for(state, one), box_name(drivers, one)
    return Taken(name, "application/toml", box_text(Path(name), *as_found(plan, plan.build(one.driver).enclosure)))


def _report(state: PageState, drivers: Sequence[Tried], one: Tried) -> Taken:
    from tsfit.box.equaliser.equalised import at_level, equalise, equalised_bands
    from tsfit.box.equaliser.form import equaliser_form
    from tsfit.box.result import box_form
    from tsfit.box.uncertainty import with_bands
    from tsfit.report.box import box_part, equaliser_part
    from tsfit.report.page import render

    parts = []
    for number, each in enumerate(drivers, start=1):
        box = state.build(state.plan, each)
        sure = box if each.fit is None else with_bands(box, each.fit)
        parts.append(box_part(box_form(sure), f"box-{number}"))
        if sections := state.equaliser(box):
            found = equalise(box, sections)
            cost = at_level(found, found.reference_db)
            bands = None if each.fit is None else equalised_bands(found, cost, each.fit)
            parts.append(equaliser_part(equaliser_form(found, cost, bands), f"equaliser-{number}"))
    return Taken("box.html", "text/html", render(parts))


def _boards(state: PageState, drivers: Sequence[Tried], one: Tried) -> Taken:
    from tsfit.box.panels.cabinet import cabinet
    from tsfit.report.box import panels_part
    from tsfit.report.page import render

    built = cabinet(cabinet_of(state, state.plan.build(one.driver)))
    return Taken("boards.html", "text/html", render([panels_part(built, "boards")]))


def _coefficients(state: PageState, drivers: Sequence[Tried], one: Tried) -> Taken:
    sections = state.equaliser(state.plan.build(one.driver))
    if not sections:
        raise TsfitError("There is no equaliser section; add one first.", code="usage")
    table = io.StringIO()
    rows = csv.writer(table, lineterminator="\n")
    rows.writerow(("section", "rate_hz", "b0", "b1", "b2", "a1", "a2"))
    for section in sections:
        for rate, digital in section.biquads.items():
            rows.writerow((section, rate, *(f"{value:.12f}" for value in (*digital.b, *digital.a))))
    return Taken("equaliser.csv", "text/csv", table.getvalue())


def _commands(state: PageState, drivers: Sequence[Tried], one: Tried) -> Taken:
    return Taken("commands.txt", "text/plain", "\n".join([*command_lines(state, drivers), ""]))


TAKES: dict[str, Callable[[PageState, Sequence[Tried], Tried], Taken]] = {
    "box": _box_file,
    "report": _report,
    "boards": _boards,
    "coefficients": _coefficients,
    "commands": _commands,
}
"""What is taken away, by the name that the page asks with; made for all drivers, or the one that is chosen."""
