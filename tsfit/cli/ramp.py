"""``tsfit sweep --state "full travel"`` and ``--state "power run"``: a driver is led up, level by level."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.cli.printing import hint, print_json, print_notes, say
from tsfit.cli.sound import confirmed_level, live_levels

if TYPE_CHECKING:
    from tsfit.bench.ramp import JudgedLevel, Offer, Ramp
    from tsfit.capture.rig import Rig

CAUTIONS = (
    "This can burn, deafen and break. Ears covered, also next door; driver clamped, cone free, fingers and loose things "
    "off. A hot coil burns long after the sound. A bridged amplifier's minus is not ground; line inputs need attenuators; "
    "no DC. Stay beside it with a hand at the switch, obey local rules, and stop (Ctrl-C) at a knock, a scrape or a smell."
)

NAMED_TIMES = 3
"""How often the driver's name is asked for, until it is typed as it is written."""


def driven_up(rig: Rig, output: Path | None, asked: Mapping[str, Any], *, quiet: bool) -> int:
    """Lead a driver up as the options of the command, `asked`, say."""
    from tsfit.bench.guard import NotBeyond
    from tsfit.bench.ramp import Ramp
    from tsfit.formats.driver import read_driver

    for name in ("driver", "limit_travel_mm"):
        if asked[name] is None:
            raise click.UsageError(f"--state '{asked['state']}' needs --{name.replace('_', '-')}; add it.")
    run = asked["state"] == "power run"
    if run and asked["level_v"] is None:
        raise click.UsageError("--state 'power run' needs --level-v, the peak volts of the run; add it.")
    if asked["level_dbfs"] is not None:
        raise click.UsageError("The first level is quiet, the rest follow; leave out --level-dbfs.")
    stem = Path(asked["state"].replace(" ", "-")) if output is None else output
    if stem.suffix.lower() == ".wav":
        stem = stem.with_suffix("")
    if not stem.name:
        raise click.UsageError(f"{stem} is a folder; give -o a name in it, which the recordings' names begin with.")
    volts = math.inf if asked["limit_v"] is None else asked["limit_v"]
    limits = NotBeyond(1e-3 * asked["limit_travel_mm"], asked["limit_coil_c"], volts, asked["ambient_c"])
    seconds, top = 60.0 * asked["minutes"], asked["level_v"] or math.inf
    driver = read_driver(asked["driver"])
    ramp = Ramp(rig, driver, limits, stem, asked["levels"], seconds if run else None, seconds / 3.0, top)
    return lead_up(ramp, asked["driver"], yes=asked["yes"], quiet=quiet)


def lead_up(ramp: Ramp, driver_file: Path, *, yes: bool, quiet: bool) -> int:
    """Offer, ask, play and judge until nothing more is offered; write the bench file of what was recorded."""
    from tsfit.bench.ramp import judge_level, next_offer, play, refuse_small_rig
    from tsfit.bench.ramp_kept import taken_up, write_levels

    def goes_on(path: Path, count: int) -> None:
        if not quiet:
            say(f"{path}: goes on after its {count} {'level' if count == 1 else 'levels'}, which are judged again")

    refuse_small_rig(ramp)
    judged = taken_up(ramp, goes_on)
    before = len(judged)
    sweeps, bench, hottest = [one.sweep for one in judged], None, ramp.limits.ambient_c
    whole = named = False
    try:
        if not quiet:
            say(CAUTIONS)
        while (offer := next_offer(ramp, judged)) is not None:
            if judged:
                _cooled(ramp, judged, hottest, quiet=quiet)
            _offered(ramp, offer, judged, quiet=quiet)
            if judged and not (named or yes or quiet):
                _named(ramp)
                named = True
            about = "the run" if offer.run else f"level {offer.number}"
            cautions = len(judged) == before
            confirmed_level(ramp.rig, about, offer.excitation.level_dbfs, yes=yes, quiet=quiet, cautions=cautions)
            with live_levels(offer.excitation.seconds, quiet=quiet) as show:
                sweep, report, guard = play(ramp, offer, judged, on_level=show)
            hottest = guard.hottest
            if offer.run:
                sweeps.append(sweep)
                if not quiet:
                    say(f"{sweep.recording}: the coil was at {guard.hottest:.0f} °C at most")
                break
            judged.append(judge_level(ramp, offer, sweep, report, judged))
            sweeps.append(sweep)
            if not quiet:
                _print(judged[-1])
        whole = True
    finally:
        # Whatever ended it, what is recorded well is named for `tsfit travel` and `tsfit heat`.
        if sweeps:
            bench = write_levels(ramp, driver_file, sweeps, replace=before > 0)
            if not quiet:
                further = "" if whole else "; the same command goes on from here"
                say(f"{bench}: names {', '.join(str(sweep.recording) for sweep in sweeps)}{further}")
    refused = any(not one.usable for one in judged)
    if quiet:
        print_json({"bench": None if bench is None else str(bench), "levels": [_plain(one) for one in judged]})
    elif bench is not None and not refused:
        command = "travel" if ramp.run_s is None else "heat"
        hint(f"Now: tsfit {command} {bench} -o {command}.json")
    return 2 if refused else 0


def _cooled(ramp: Ramp, judged: Sequence[JudgedLevel], hottest_c: float, *, quiet: bool) -> None:
    """Wait for a coil that is warm, and say so."""
    from tsfit.bench.cooling import EVERY_S, cool_enough_c, cooled

    enough, waited = cool_enough_c(ramp.limits), []

    def told(now_c: float) -> None:
        waited.append(now_c)
        if not quiet:
            say(f"  coil at {now_c:.0f} °C; waits until below {enough:.0f} °C, the quiet level again in {EVERY_S:.0f} s")

    now_c = cooled(ramp, judged, max(hottest_c, judged[-1].coil_c), told)
    if waited and not quiet:
        say(f"  coil at {now_c:.0f} °C: cool enough")


def _offered(ramp: Ramp, offer: Offer, judged: Sequence[JudgedLevel], *, quiet: bool) -> None:
    """Say what comes next."""
    if quiet:
        return
    excitation = offer.excitation
    told = [
        f"{excitation.kind}, {in_figures(excitation.low_hz, 3)} to {in_figures(excitation.high_hz, 3)} Hz, "
        f"{excitation.seconds:.0f} s"
    ]
    if offer.volts is not None:
        told.append(f"{in_figures(offer.volts, 3)} V peak")
    elif offer.most_v < math.inf:
        told.append(f"stopped at {in_figures(offer.most_v, 3)} V peak, for the rig file does not tell the output's volts")
    if offer.travel is not None:
        told.append(f"about {in_figures(1e3 * offer.travel, 2)} mm")
    if judged:
        told.append(f"coil at {judged[-1].coil_c:.0f} °C in the last level" if offer.run else f"coil {offer.coil_c:.0f} °C")
    what = "the run" if offer.run else f"level {offer.number}"
    step = excitation.level_dbfs - judged[-1].offer.excitation.level_dbfs if judged else 0.0
    than = f", {step:.1f} dB louder than the last" if step > 0.05 else ""
    say(f"Next: {what}{than}: {', '.join(told)}. What sets its level: {offer.bound}.")


def _named(ramp: Ramp) -> None:
    """Ask for the driver's name before anything above the quiet beginning. Raises TsfitError ``confirm``."""
    limits = ramp.limits
    volts = "" if limits.volts == math.inf else f", {in_figures(limits.volts, 3)} V"
    say(f"Limits: {in_figures(1e3 * limits.travel, 3)} mm, {limits.coil_c:.0f} °C{volts}.")
    for _ in range(NAMED_TIMES):
        question = f"Type the driver's name, {ramp.driver.name}, to go louder"
        answer = click.prompt(question, default="", show_default=False).strip()
        if answer == ramp.driver.name or not answer:
            break
        say(f"  {answer} is not its name.")
    if answer != ramp.driver.name:
        raise TsfitError("The driver was not named; nothing louder is played.", code="confirm")


def _print(judged: JudgedLevel) -> None:
    say(
        f"{judged.sweep.recording}: {in_figures(judged.volts, 3)} V peak, cone "
        f"{in_figures(1e3 * judged.travel, 2)} mm, coil "
        f"{judged.coil_c:.0f} °C, {in_figures(100.0 * judged.left, 1)} % of the current unexplained"
    )
    print_notes(judged.notes, indent="  ")


def _plain(judged: JudgedLevel) -> dict[str, object]:
    return {
        "recording": judged.sweep.recording,
        "level_dbfs": judged.offer.excitation.level_dbfs,
        "level_v": judged.volts,
        "peak_travel_m": judged.travel,
        "coil_c": judged.coil_c,
        "unexplained": judged.left,
        "notes": judged.notes,
    }
