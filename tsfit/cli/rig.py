"""``tsfit rig``: check a rig, calibrate it, and prove the calibration."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
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


@dataclass(frozen=True)
class _Calibrating:
    """What `rig calibrate` is asked for: its options."""

    known_ohm: tuple[float, ...]
    known_uncertainty_ohm: tuple[float, ...]
    proof_ohm: float | None
    no_open: bool
    no_short: bool
    trim: bool
    volts: bool
    reading_v: float | None
    seconds: float
    level_dbfs: float | None
    yes: bool

    def standards(self) -> list[tuple[float, float | None]]:
        """What to record, in order: ohm and standard uncertainty."""
        ohms, spreads = self.known_ohm, self.known_uncertainty_ohm
        if self.volts:
            if ohms or self.proof_ohm is not None or self.trim:
                raise click.UsageError(
                    "--volts needs no resistor and stands alone; calibrate with resistors in another run."
                )
            return []
        if self.reading_v is not None:
            raise click.UsageError("--reading-v belongs to --volts; add that, or leave the reading out.")
        if len(spreads) > len(ohms):
            raise click.UsageError("more --known-uncertainty-ohm than --known-ohm; give one each, in the same order.")
        if self.trim and len(ohms) != 1:
            raise click.UsageError("--trim needs exactly one --known-ohm.")
        if not ohms:
            raise click.UsageError("a calibration needs one known resistor at least; give --known-ohm.")
        known = list(zip_longest(ohms, spreads))
        ends = [(math.inf, None)] * (not (self.no_open or self.trim)) + [(0.0, None)] * (not (self.no_short or self.trim))
        return [*ends, *known]


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
    from tsfit.bench.rig_check import check_rig
    from tsfit.bench.sweep import plan
    from tsfit.capture.excitation import Wanted
    from tsfit.capture.rig import read_rig

    read, quiet = read_rig(rig), outputs.as_json
    what = f"5 Hz to 20 kHz, {seconds:g} s"
    level = confirmed_level(read, what, level_dbfs, yes=yes, quiet=quiet)
    excitation = plan(read, Wanted(seconds=seconds, level_dbfs=level, silence_s=2.0))
    with live_levels(excitation.seconds, quiet=quiet) as show:
        found = check_rig(read, excitation, known_ohm=known_ohm, on_level=show)
    outputs.show(found, lambda: _print_check(read, found))
    return int(bool(found.advice))


def _print_check(rig: Rig, found: RigCheck) -> None:
    verdict = found.verdict
    for sentence in found.advice or ("Nothing needs turning.",):
        say(sentence)
    names = {rig.total: "total", rig.second: "driver" if rig.topology == "divider" else "reference"}
    rows = [
        [f"{channel + 1} ({names[channel]})", *(f"{level:.1f}" for level in (peak, -peak, noise, fifty, sixty))]
        for channel, (peak, noise, fifty, sixty) in enumerate(
            zip(verdict.peak_dbfs, verdict.noise_dbfs, found.hum_dbfs["50"], found.hum_dbfs["60"], strict=True)
        )
    ]
    print_table(["channel", "peak dBFS", "margin dB", "noise dBFS", "50 Hz dBFS", "60 Hz dBFS"], rows, title=rig.name)
    delay = "not found" if verdict.delay_samples is None else f"{verdict.delay_samples} samples"
    clock = "too short to tell" if verdict.clock_ppm is None else f"{verdict.clock_ppm:+.0f} ppm"
    say(f"Round trip {delay}; sample clock {clock}.")
    if found.gain_percent is not None:
        say(f"Channel gains differ by {found.gain_percent:+.3f} % from what the resistor asks for.")
    for need in found.how_long:
        say(need.sentence)


@rig.command()
@click.argument("rig", type=PATH)
@click.option("--known-ohm", type=click.FloatRange(0.01, 1e5), multiple=True, help="Known resistor; may be repeated.")
@click.option("--known-uncertainty-ohm", type=float, multiple=True, help="Its standard uncertainty, in the same order.")
@click.option(
    "--proof-ohm", type=click.FloatRange(0.01, 1e5), help="Resistor that proves the result, not one of the known."
)
@click.option("--no-open", is_flag=True, help="Do without the open circuit; its part stays on trust.")
@click.option("--no-short", is_flag=True, help="Do without the short circuit; likewise.")
@click.option("--trim", is_flag=True, help="Only trim the channel gains, with one known resistor.")
@click.option("--volts", is_flag=True, help="Only calibrate the output in volts, with a tone and a voltmeter.")
@click.option("--reading-v", type=click.FloatRange(1e-4, 1e3), help="What the voltmeter reads, V RMS.  [default: asked]")
@click.option("--seconds", type=SECONDS, default=4.0, show_default=True, help="Length of each sweep.")
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("-o", "--output", type=PATH, metavar="FILE.toml", help="Name of the calibrated rig file.")
@click.option("--yes", is_flag=True, help="Ask nothing: everything is plugged by itself, as on the simulated rig.")
@with_outputs("as_json")
def calibrate(rig: Path, output: Path | None, outputs: Outputs, **options: Any) -> int:
    """Walk through open circuit, short circuit and known resistors, and write a calibrated copy of the rig file.

    The recordings go into a dated folder beside the rig file. With --proof-ohm one more resistor is measured and the error
    stated. Leaves with 1 when that is more than half a percent. With --volts a tone is played instead, for a voltmeter
    across the points of the total channel, and sweeps can then be asked for in volts. One known resistor alone, with
    --no-open and --no-short, tells the channels' gains and delay; what stays on trust is said.

    \b
    Example:
      tsfit rig calibrate rig.toml --known-ohm 10.012 \\
          --proof-ohm 22.08
      tsfit rig calibrate rig.toml --trim --known-ohm 10.012
      tsfit rig calibrate rig.toml --volts
    """  # noqa: D301
    from tsfit.base.files import refuse_existing
    from tsfit.bench.calibrate import prove, write_calibrated, write_trimmed
    from tsfit.capture.calibration import on_trust
    from tsfit.capture.rig import read_rig

    asked = _Calibrating(**options)
    read, now = read_rig(rig), datetime.now().astimezone()
    kind = "volts" if asked.volts else "trimmed" if asked.trim else "calibrated"
    path = output or rig.with_stem(f"{rig.stem}-{kind}-{now:%Y-%m-%d-%H%M%S}")
    refuse_existing(path, replace=None)
    standards = asked.standards()
    if asked.volts:
        return _volts(read, path, asked, outputs)
    plugs = not asked.yes and not (outputs.as_json and read.simulated_driver)
    if plugs and outputs.as_json and not sys.stdin.isatty():
        raise TsfitError(
            "--json asks for each standard on a terminal; add --yes where all is plugged by itself.", code="confirm"
        )
    count = len(standards) + (asked.proof_ohm is not None)
    what = f"5 Hz to 20 kHz, {asked.seconds:g} s, {count} times"
    level = confirmed_level(read, what, asked.level_dbfs, yes=asked.yes, quiet=outputs.as_json)
    recorder = _Recorder(read, now, level, asked.seconds, plugs, quiet=outputs.as_json)
    things: list[KnownThing] = []
    for ohm, spread in standards:
        things.append(recorder.record(ohm, spread, things))
    proving = None if asked.proof_ohm is None else recorder.record(asked.proof_ohm, None, things, "proof")
    ready = write_trimmed(read, things[0], path) if asked.trim else write_calibrated(read, things, path, now)
    proof = None if proving is None else prove(ready, proving)
    trust = None if asked.trim else on_trust(len(things))
    found: dict[str, object] = {"rig": str(path), "recordings": str(recorder.folder)}
    if trust is not None:
        found["on_trust"] = trust
    if proof is not None:
        found["proof"] = vars(proof)
    outputs.show(found, lambda: _print_calibrated(path, recorder.folder, proof, trust))
    return int(proof is not None and proof.percent > WORST_PERCENT)


def _print_calibrated(path: Path, folder: Path, proof: Proof | None, trust: str | None) -> None:
    say(f"Calibrated rig: {path} (recordings in {folder})")
    if trust is not None:
        say(trust)
    if proof is None:
        hint("Not proved: measure one more resistor with --proof-ohm to see what the calibration is worth.")
        return
    say(
        f"Proved on {proof.ohm:g} ohm, 10 Hz to 20 kHz: at most {proof.percent:.3f} % and {proof.degrees:.2f}° off, "
        f"{proof.median_percent:.3f} % in the median point."
    )
    if proof.percent > WORST_PERCENT:
        say(f"More than {WORST_PERCENT:g} %: check the resistors' values and the contacts, and calibrate again.")


def _volts(rig: Rig, path: Path, asked: _Calibrating, outputs: Outputs) -> int:
    """Play the tone, take the voltmeter's reading, write the rig file that knows volts."""
    from tsfit.bench.calibrate import play_tone, refuse_reading, write_volts
    from tsfit.capture.excitation import make_tone

    reading_v = asked.reading_v
    if reading_v is None and outputs.as_json:
        raise click.UsageError("--json asks nothing; add --reading-v with what the voltmeter reads.")
    what = f"a tone of {TONE_HZ:g} Hz for {TONE_SECONDS:g} s"
    level = confirmed_level(rig, what, asked.level_dbfs, yes=asked.yes, quiet=outputs.as_json)
    if reading_v is None:
        say(
            "Connect the driver, and a voltmeter set to AC across the points of the total channel; true RMS, for a few "
            "millivolts to a few volts."
        )
        say(f"A tone of {TONE_HZ:g} Hz sounds for {TONE_SECONDS:g} s: read it while it lasts.")
        click.prompt("Press Enter", default="", show_default=False)
    tone = make_tone(TONE_HZ, sample_rate_hz=rig.plays_at_hz, seconds=TONE_SECONDS, level_dbfs=level)
    with live_levels(tone.seconds, quiet=outputs.as_json) as show:
        heard = play_tone(rig, tone, show)
    if reading_v is None:
        reading_v = click.prompt("Reading, V RMS", type=click.FloatRange(1e-4, 1e3))
    refuse_reading(rig, level, reading_v, heard)
    volts = write_volts(rig, level, reading_v, path).volts_per_full_scale

    def tables() -> None:
        say(f"Calibrated rig: {path}")
        say(
            f"A full-scale output would be {in_figures(volts, 4)} V peak at this volume setting; leave the knob "
            f"where it is."
        )

    found = {"rig": str(path), "level_dbfs": level, "reading_v": reading_v, "volts_per_full_scale": volts}
    outputs.show(found, tables)
    return 0


@dataclass(frozen=True)
class _Recorder:
    """Records resistors in the driver's place, at one level and for the same time each, into a new folder."""

    rig: Rig
    now: datetime
    level_dbfs: float
    seconds: float
    plugs: bool
    quiet: bool

    @cached_property
    def folder(self) -> Path:
        """Made when something is about to be recorded into it."""
        from tsfit.bench.calibrate import dated_folder

        return dated_folder(self.rig, self.now)

    def record(self, ohm: float, spread: float | None, before: list[KnownThing], name: str = "known") -> KnownThing:
        """Have `ohm` (infinite: nothing) plugged in, and record it; `spread` is its standard uncertainty."""
        from tsfit.bench.calibrate import KnownThing, record_standard
        from tsfit.bench.sweep import plan
        from tsfit.capture.excitation import Wanted

        excitation = plan(self.rig, Wanted(seconds=self.seconds, level_dbfs=self.level_dbfs))
        if self.plugs:
            what = KnownThing(ohm, spread, self.rig.path).name
            click.prompt(f"In the driver's place: {what}. Press Enter", default="", show_default=False, err=self.quiet)
        stem = "open" if math.isinf(ohm) else "short" if ohm == 0.0 else f"{name}-{ohm:g}-ohm"
        standard = KnownThing(ohm, spread, self.folder / f"{stem}.wav")
        with live_levels(excitation.seconds, quiet=self.quiet) as show:
            record_standard(self.rig, standard, excitation, show, before)
        return standard
