"""A guided measurement that may be broken off: what is done so far lies beside the bench file that is to come of it.

``bench.partial.toml`` has the form of a bench file and is written anew after each state; the whole ``bench.toml`` takes its
place when all states are through.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import refuse_existing
from tsfit.bench.file import BenchDriverTable, BenchTable, SweepTable, write_bench
from tsfit.formats.toml import read_toml

PARTIAL = "bench.partial.toml"


@dataclass(frozen=True)
class Guided:
    """A folder for one driver on one rig, and the sweeps done in it so far."""

    folder: Path
    rig: Path
    driver: BenchDriverTable
    sweeps: tuple[SweepTable, ...] = ()

    @property
    def states(self) -> list[str]:
        """What is done, each state once."""
        return list(dict.fromkeys(sweep.state for sweep in self.sweeps))

    @property
    def told(self) -> str:
        """Name, cone, masses and volumes that were told, for a sentence."""
        cone, area = self.driver.effective_diameter_cm, self.driver.sd_cm2
        sizes = [f"a cone of {cone:g} cm"] if cone is not None else [f"a cone of {area:g} cm²"] if area is not None else []
        sizes += [f"{sweep.mass_g:g} g added" for sweep in self.sweeps if sweep.mass_g is not None]
        sizes += [f"a box of {sweep.volume_l:g} l" for sweep in self.sweeps if sweep.volume_l is not None]
        return ", ".join(dict.fromkeys([self.driver.name, *sizes]))

    @property
    def unasked(self) -> str:
        """What the bench file holds that nobody was asked for, for a sentence."""
        air = self.sweeps[0]
        told = f"{air.air_temperature_c:g} °C, {air.pressure_hpa:g} hPa and {air.humidity_percent:g} % humidity"
        return f"bench.toml takes air of {told}, and usual uncertainties of all sizes; write what you know better into it."

    @property
    def partial(self) -> Path:
        """Where that stands."""
        return self.folder / PARTIAL

    def keep(self, sweeps: Sequence[SweepTable]) -> "Guided":
        """Return this with more `sweeps` done, which are on disk then. Raises TsfitError ``cannot_write``."""
        done = (*self.sweeps, *sweeps)
        write_bench(self.folder / PARTIAL, self.rig, self.driver, done, replace=True)
        return Guided(self.folder, self.rig, self.driver, done)

    def finish(self) -> Path:
        """Write the bench file of all that is done, and return its path. Raises TsfitError ``exists``, ``cannot_write``."""
        bench = self.folder / "bench.toml"
        write_bench(bench, self.rig, self.driver, self.sweeps)
        (self.folder / PARTIAL).unlink(missing_ok=True)
        return bench

    def free_stem(self, stem: str) -> str:
        """Return `stem`, or the first of ``stem-b``, ``stem-c``, … of which a run that broke off has left nothing."""
        ends = ("", *(f"-{letter}" for letter in "bcdefghijklmnopqrstuvwxyz"))
        return next((name for end in ends if not self._left(name := f"{stem}{end}")), stem)

    def _left(self, stem: str) -> bool:
        repeats = f"{stem}-"
        return any(
            path.name.startswith(f"{stem}.") or (path.name.startswith(repeats) and path.name[len(repeats) :][:1].isdigit())
            for path in self.folder.iterdir()
        )


def begun(folder: Path, rig: Path) -> Guided | None:
    """Return what was broken off in `folder`, None where nothing was.

    Raises TsfitError ``exists`` where a whole bench file is there; ``other_rig`` when it was begun on another rig; what is
    wrong with the file.
    """
    refuse_existing(folder / "bench.toml", replace=None)
    path = folder / PARTIAL
    if not path.exists():
        return None
    told = read_toml(path, BenchTable, "bench")
    before = (folder / str(told.rig)).resolve()
    if before != rig.resolve():
        message = f"{path}: was begun on the rig {before}; go on with that, or name another folder."
        raise TsfitError(message, code="other_rig", file=path)
    return Guided(folder, rig, told.driver, tuple(told.sweep))
