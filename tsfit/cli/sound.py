"""Before and while sound is played: the cautions, a level that somebody meant, and what comes in."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.printing import say, shows_bars

if TYPE_CHECKING:
    from tsfit.capture.rig import Rig
    from tsfit.capture.stream import Levels

CAUTIONS = (
    "Before sound: the amplifier's minus terminal may not be ground, and line inputs die of speaker level. Headphones off "
    "your ears, volume down, no DC at the output, driver blocked against rolling."
)

CAUTIONS_AGAIN = (
    "Before sound, as before: nothing new at the amplifier, headphones off your ears, volume down, driver blocked."
)
LATELY_S = 3600.0
"""Within which what was read before the last sweep is still in mind."""


def confirmed_level(
    rig: Rig,
    what: str,
    level_dbfs: float | None,
    level_v: float | None = None,
    *,
    yes: bool,
    quiet: bool,
    cautions: bool = True,
) -> float:
    """Show the cautions, ask before `what` is played above the quiet default, and return the peak level re full scale."""
    from tsfit.base.errors import TsfitError
    from tsfit.bench.sweep import choose_level
    from tsfit.capture.level_limit import QUIET_DBFS
    from tsfit.capture.rig import UNNAMED

    level = choose_level(rig, level_dbfs, level_v)
    if rig.device == UNNAMED:
        message = (
            f"{rig.path}: device is still {rig.device!r}; name one that `tsfit devices` prints, or a part of its name."
        )
        raise TsfitError(message, code="no_device", file=rig.path)
    if cautions and not quiet:
        say(CAUTIONS_AGAIN if _swept_lately(rig.path.parent) else CAUTIONS)
    if level > QUIET_DBFS and not yes:
        if quiet:
            raise TsfitError(
                f"The level of {level:.1f} dBFS is above the quiet {QUIET_DBFS:g}; add --yes when it is meant.",
                code="confirm",
            )
        louder = f"{level:.1f} dBFS, {level - QUIET_DBFS:.0f} dB above the quiet {QUIET_DBFS:g}"
        click.confirm(f"Play {what} at {louder}? y plays it now; Enter alone plays nothing and stops here", abort=True)
    return level


def _swept_lately(folder: Path) -> bool:
    """Whether a sweep was just recorded in the folder of the rig, so that the cautions have been read in full."""
    now = time.time()
    with suppress(OSError):
        return any(0.0 <= now - each.stat().st_mtime < LATELY_S for each in folder.glob("*.wav"))
    return False


@contextmanager
def live_levels(seconds: float, *, quiet: bool) -> Iterator[Callable[[Levels], None]]:
    """Show progress, time left and the level of both channels on standard error, when that is a terminal."""
    if not shows_bars(quiet=quiet):
        yield lambda levels: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task("recording", total=seconds)

        highest = [-math.inf, -math.inf]

        def show(levels: Levels) -> None:
            highest[:] = map(max, highest, levels.peak_dbfs)
            text = "highest of channel 1 {:6.1f} dBFS, of channel 2 {:6.1f} dBFS".format(*highest)
            bar.update(task, completed=seconds * levels.frame / levels.expected, description=text)

        yield show


class Interrupted(click.Abort):
    """Broken off by the person, with a sentence on `how` to go on."""

    def __init__(self, how: str) -> None:
        super().__init__()
        self.how = how


@contextmanager
def goes_on(how: Callable[[Sequence[Path]], str]) -> Iterator[None]:
    """Have what is broken off in here end in a sentence on `how` to go on, made of the files that were written."""
    from tsfit.base.errors import TsfitError
    from tsfit.base.files import written

    try:
        yield
    except (KeyboardInterrupt, click.Abort):
        raise Interrupted(how(written())) from None
    except TsfitError as error:
        if error.code != "interrupted":
            raise
        raise TsfitError(f"{error.message} {how(written())}".strip(), code=error.code, file=error.file) from error


def swept_again(kept: Sequence[Path]) -> str:
    """Say what to do with recordings of a sweep that was broken off."""
    from tsfit.capture.recording import PARTIAL

    recordings = [path for path in kept if path.suffix == ".wav"]
    whole = [path for path in recordings if not path.name.endswith(PARTIAL)]
    said = []
    if whole:
        names, are = ", ".join(str(path) for path in whole), "is whole" if len(whole) == 1 else "are whole"
        told = all(path.with_suffix(".txt") in kept for path in whole)
        lacking = "" if told else ", but without verdict and curve"
        how = "name it in a bench file for tsfit fit (tsfit guide files), or sweep again under another name (-o)"
        said.append(f"{names} {are}{lacking}: {how}.")
    if len(whole) < len(recordings):
        said.append("Sweep again under another name (-o), or move the partial recording away.")
    return " ".join(said)
