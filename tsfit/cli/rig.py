"""``tsfit rig``: check a rig, calibrate it, and prove the calibration."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, print_table, say
from tsfit.cli.sound import confirmed_level, live_levels

if TYPE_CHECKING:
    from tsfit.bench.calibrate import KnownThing, Proof
    from tsfit.bench.rig_check import RigCheck
    from tsfit.capture.rig import Rig

WORST_PERCENT = 0.5
"""Error on the proving resistor from which a calibration is not to be trusted: common practice, no source."""
TONE_HZ, TONE_SECONDS = 130.0, 15.0
"""Where voltmeters are good, and no harmonic of the mains."""
SECONDS = click.FloatRange(1.6, 60.0)
"""Every sweep of a rig begins at 5 Hz, which takes two periods of that for each of its four parts."""


@click.group(cls=NamingGroup)
def rig() -> None:
    """Check a rig's levels and channels; calibrate it and prove that.

    \b
    Example:
      tsfit rig check rig.toml
      tsfit rig calibrate rig.toml --known-ohm 10.012 \\
          --proof-ohm 22.08
    """  # noqa: D301


@rig.command()
@click.argument("rig", type=PATH)
@click.option("--known-ohm", type=click.FloatRange(0.01, 1e5), help="Resistor in the driver's place: tells the gain match.")
@click.option("--seconds", type=SECONDS, default=4.0, show_default=True, help="Length of the sweep.")
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("--yes", is_flag=True, help="Do not ask before a level above the quiet -30 dBFS.")
@with_outputs("as_json")
def check(rig: Path, known_ohm: float | None, seconds: float, level_dbfs: float | None, yes: bool, outputs: Outputs) -> int:
    """Play quietly and listen: levels, margin, noise, hum, clock, delay, dropouts, and what to turn.

    Nothing is kept. Connect the driver, or better a known resistor. Leaves with 1 when something should be put right.

    \b
    Example:
      tsfit rig check rig.toml
      tsfit rig check rig.toml --known-ohm 10.012
    """  # noqa: D301
    from tsfit.bench.rig_check import check_rig, rig_check_form
    from tsfit.bench.sweep import plan
    from tsfit.capture.excitation import Wanted
    from tsfit.capture.rig import read_rig

    read, quiet = read_rig(rig), outputs.as_json
    level = confirmed_level(read, level_dbfs, yes=yes, quiet=quiet)
    excitation = plan(read, Wanted(seconds=seconds, level_dbfs=level, silence_s=2.0))
    with live_levels(excitation.seconds, quiet=quiet) as show:
        found = check_rig(read, excitation, known_ohm=known_ohm, on_level=show)
    outputs.show(rig_check_form(found), lambda: _print_check(read, found))
    return int(bool(found.advice))


def _print_check(rig: Rig, found: RigCheck) -> None:
    verdict = found.verdict
    names = {rig.total: "total", rig.second: "driver" if rig.topology == "divider" else "reference"}
    rows = [
        [f"{channel + 1} ({names[channel]})", *(f"{level:.1f}" for level in (peak, -peak, noise, fifty, sixty))]
        for channel, (peak, noise, fifty, sixty) in enumerate(
            zip(verdict.peak_dbfs, verdict.noise_dbfs, found.hum_dbfs["50"], found.hum_dbfs["60"], strict=True)
        )
    ]
    print_table(["channel", "peak dBFS", "margin dB", "noise", "50 Hz", "60 Hz"], rows, title=rig.name)
    delay = "not found" if verdict.delay_samples is None else f"{verdict.delay_samples} samples"
    clock = "too short to tell" if verdict.clock_ppm is None else f"{verdict.clock_ppm:+.0f} ppm"
    say(f"Round trip {delay}; sample clock {clock}.")
    if found.gain_percent is not None:
        say(f"Channel gains differ by {found.gain_percent:+.3f} % from what the resistor asks for.")
    for sentence in found.advice or ("Nothing needs turning.",):
        say(sentence)


@rig.command()
@click.argument("rig", type=PATH)
@click.option("--known-ohm", type=click.FloatRange(0.01, 1e5), multiple=True, help="Known resistor; may be repeated.")
@click.option("--known-uncertainty-ohm", type=float, multiple=True, help="Its standard uncertainty, in the same order.")
@click.option(
    "--proof-ohm", type=click.FloatRange(0.01, 1e5), help="Resistor that proves the result, not one of the known."
)
@click.option("--no-open", is_flag=True, help="Do without the open circuit (needs more resistors).")
@click.option("--no-short", is_flag=True, help="Do without the short circuit (needs more resistors).")
@click.option("--trim", is_flag=True, help="Only trim the channel gains, with one known resistor.")
@click.option("--volts", is_flag=True, help="Only calibrate the output in volts, with a tone and a voltmeter.")
@click.option("--reading-v", type=click.FloatRange(1e-4, 1e3), help="What the voltmeter reads, V RMS.  [default: asked]")
@click.option("--seconds", type=SECONDS, default=4.0, show_default=True, help="Length of each sweep.")
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("-o", "--output", type=PATH, metavar="FILE.toml", help="Name of the calibrated rig file.")
@click.option("--yes", is_flag=True, help="Ask nothing: everything is plugged by itself, as on the simulated rig.")
@with_outputs("as_json")
def calibrate(
    rig: Path,
    known_ohm: tuple[float, ...],
    known_uncertainty_ohm: tuple[float, ...],
    proof_ohm: float | None,
    no_open: bool,
    no_short: bool,
    trim: bool,
    volts: bool,
    reading_v: float | None,
    seconds: float,
    level_dbfs: float | None,
    output: Path | None,
    yes: bool,
    outputs: Outputs,
) -> int:
    """Walk through open circuit, short circuit and known resistors, and write a calibrated copy of the rig file.

    The recordings go into a dated folder beside the rig file. With --proof-ohm one more resistor is measured and the error
    stated. Leaves with 1 when that is more than half a percent. With --volts a tone is played instead, for a voltmeter
    across the points of the total channel, and sweeps can then be asked for in volts.

    \b
    Example:
      tsfit rig calibrate rig.toml --known-ohm 10.012 \\
          --proof-ohm 22.08
      tsfit rig calibrate rig.toml --trim --known-ohm 10.012
      tsfit rig calibrate rig.toml --volts
    """  # noqa: D301
    from tsfit.base.files import refuse_existing
    from tsfit.bench.calibrate import dated_folder, prove, write_calibrated, write_trimmed
    from tsfit.capture.rig import read_rig

    read, now = read_rig(rig), datetime.now().astimezone()
    kind = "volts" if volts else "trimmed" if trim else "calibrated"
    path = output or rig.with_stem(f"{rig.stem}-{kind}-{now:%Y-%m-%d-%H%M%S}")
    refuse_existing(path)
    if volts:
        if known_ohm or proof_ohm is not None or trim:
            raise click.UsageError("--volts needs no resistor and stands alone; calibrate with resistors in another run.")
        return _volts(read, path, reading_v, level_dbfs, outputs, yes=yes)
    if reading_v is not None:
        raise click.UsageError("--reading-v belongs to --volts; add that, or leave the reading out.")
    ohms = _wanted(known_ohm, known_uncertainty_ohm, trim=trim, no_open=no_open, no_short=no_short)
    level = confirmed_level(read, level_dbfs, yes=yes, quiet=outputs.as_json)
    recorder = _Recorder(read, dated_folder(read, now), level, seconds, ask=not (yes or outputs.as_json))
    standards = [recorder.record(ohm, spread) for ohm, spread in ohms]
    ready = write_trimmed(read, standards[0], path) if trim else write_calibrated(read, standards, path, now)
    proof = None if proof_ohm is None else prove(ready, recorder.record(proof_ohm, None, "proof"))
    found = {"rig": str(path), "recordings": str(recorder.folder)}
    outputs.show(found if proof is None else {**found, "proof": vars(proof)}, lambda: _print_calibrated(path, proof))
    return int(proof is not None and proof.percent > WORST_PERCENT)


def _print_calibrated(path: Path, proof: Proof | None) -> None:
    say(f"Calibrated rig: {path}")
    if proof is None:
        hint("Not proved: measure one more resistor with --proof-ohm to see what the calibration is worth.")
        return
    say(
        f"Proved on {proof.ohm:g} ohm, 10 Hz to 20 kHz: at most {proof.percent:.3f} % and {proof.degrees:.2f}° off, "
        f"{proof.median_percent:.3f} % in the median point."
    )
    if proof.percent > WORST_PERCENT:
        say(f"More than {WORST_PERCENT:g} %: check the resistors' values and the contacts, and calibrate again.")


def _volts(rig: Rig, path: Path, reading_v: float | None, level_dbfs: float | None, outputs: Outputs, *, yes: bool) -> int:
    """Play the tone, take the voltmeter's reading, write the rig file that knows volts."""
    from tsfit.bench.calibrate import play_tone, write_volts
    from tsfit.capture.excitation import make_tone

    ask = reading_v is None
    if ask and outputs.as_json:
        raise click.UsageError("--json asks nothing; add --reading-v with what the voltmeter reads.")
    level = confirmed_level(rig, level_dbfs, yes=yes, quiet=outputs.as_json)
    if ask:
        say(
            "Connect the driver, and a voltmeter set to AC across the points of the total channel; true RMS, for a few "
            f"millivolts to a few volts.\nA tone of {TONE_HZ:g} Hz sounds for {TONE_SECONDS:g} s: read it while it lasts."
        )
        click.prompt("Press Enter", default="", show_default=False)
    tone = make_tone(TONE_HZ, sample_rate_hz=rig.plays_at_hz, seconds=TONE_SECONDS, level_dbfs=level)
    with live_levels(tone.seconds, quiet=outputs.as_json) as show:
        play_tone(rig, tone, show)
    if reading_v is None:
        reading_v = click.prompt("Reading, V RMS", type=click.FloatRange(1e-4, 1e3))
    volts = write_volts(rig, level, reading_v, path).volts_per_full_scale

    def tables() -> None:
        say(f"Calibrated rig: {path}")
        say(f"A full-scale output would be {volts:.4g} V peak at this volume setting; leave the knob where it is.")

    found = {"rig": str(path), "level_dbfs": level, "reading_v": reading_v, "volts_per_full_scale": volts}
    outputs.show(found, tables)
    return 0


def _wanted(
    ohms: tuple[float, ...], spreads: tuple[float, ...], *, trim: bool, no_open: bool, no_short: bool
) -> list[tuple[float, float | None]]:
    """What to record, in order: ohm and standard uncertainty."""
    if len(spreads) > len(ohms):
        raise click.UsageError("more --known-uncertainty-ohm than --known-ohm; give one each, in the same order.")
    known = [(ohm, spreads[k] if k < len(spreads) else None) for k, ohm in enumerate(ohms)]
    if trim:
        if len(known) != 1:
            raise click.UsageError("--trim needs exactly one --known-ohm.")
        return known
    ends = ([] if no_open else [(math.inf, None)]) + ([] if no_short else [(0.0, None)])
    if not known or len(ends) + len(known) < 3:
        raise click.UsageError(
            "three terms need three recordings; give --known-ohm beside open and short, or more resistors without them."
        )
    return [*ends, *known]


@dataclass(frozen=True)
class _Recorder:
    """Records resistors in the driver's place, at one level and for the same time each, into one folder."""

    rig: Rig
    folder: Path
    level_dbfs: float
    seconds: float
    ask: bool

    def record(self, ohm: float, spread: float | None, name: str = "known") -> KnownThing:
        """Have `ohm` (infinite: nothing) plugged in, and record it; `spread` is its standard uncertainty."""
        from tsfit.bench.calibrate import KnownThing, record_standard
        from tsfit.bench.sweep import plan
        from tsfit.capture.excitation import Wanted

        stem = "open" if math.isinf(ohm) else "short" if ohm == 0.0 else f"{name}-{ohm:g}-ohm"
        standard = KnownThing(ohm, spread, self.folder / f"{stem}.wav")
        if self.ask:
            click.prompt(f"In the driver's place: {standard.name}. Press Enter", default="", show_default=False)
        excitation = plan(self.rig, Wanted(seconds=self.seconds, level_dbfs=self.level_dbfs))
        with live_levels(excitation.seconds, quiet=not self.ask) as show:
            record_standard(self.rig, standard, excitation, show)
        return standard
