"""What the inputs of each rig get to see: ``python rigs/levels.py`` writes the tables of README.md anew.

Volts are RMS of a sine unless they are called peaks; dBFS are peaks, 0 dBFS the largest sine that a converter takes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tsfit.capture.rig import Rig, read_rig

HERE = Path(__file__).parent
OPEN_OHM = 1e12
PLACES = {"a short": 0.0, "3 Ω": 3.0, "6 Ω": 6.0, "60 Ω, a resonance peak": 60.0, "nothing (open)": OPEN_OHM}
"""What may hang where the driver belongs."""
FUSE_HOLDS = 2.1
"""Times its rated current that a quick fuse may carry for half an hour: IEC 60127-2, from memory."""


@dataclass(frozen=True)
class Bench:
    """Equipment that the tables assume; common practice, no source.

    Attributes
    ----------
    output_v, input_v : RMS of the sine that is full scale at the sound card's output (unloaded) and at its inputs
    source_ohm : what stands between that voltage and the rig; with an amplifier, its output and the fuse
    input_ohm : of one input of the sound card
    gain, peak_v : of the amplifier, and the highest voltage that its supply lets it reach without a load
    series_ohm, shunt_ohm : attenuator before each input
    fuse_a : rated current
    """

    output_v: float
    input_v: float
    source_ohm: float
    input_ohm: float
    gain: float = 1.0
    peak_v: float | None = None
    series_ohm: float = 0.0
    shunt_ohm: float = math.inf
    fuse_a: float | None = None

    @property
    def parallel_ohm(self) -> float:
        """The attenuator's lower resistor with the input beside it."""
        return 1.0 / (1.0 / self.shunt_ohm + 1.0 / self.input_ohm)

    @property
    def loading_ohm(self) -> float:
        """What one channel loads the circuit with: `impedance_ohm` of the rig file."""
        return self.series_ohm + self.parallel_ohm

    @property
    def attenuation(self) -> float:
        """Voltage at the input per volt at the circuit."""
        return self.parallel_ohm / self.loading_ohm

    @property
    def full_peak_v(self) -> float:
        """Highest peak that can come out with every control at its end."""
        return math.sqrt(2.0) * self.output_v if self.peak_v is None else self.peak_v


AMPLIFIER = Bench(2.0, 2.0, 0.15, 10e3, gain=20.0, peak_v=50.0, series_ohm=20e3, shunt_ohm=1e3)
BENCHES = {
    "line-divider": Bench(2.0, 2.0, 50.0, 10e3),
    "amplifier-shunt": replace(AMPLIFIER, fuse_a=2.0),
    "amplifier-divider": replace(AMPLIFIER, fuse_a=1.0),
    "power-shunt": replace(AMPLIFIER, gain=40.0, peak_v=100.0, series_ohm=47e3, fuse_a=10.0),
    "balanced-divider": Bench(4.9, 6.2, 150.0, 20e3),
}


def inputs(rig: Rig, bench: Bench, z: float, source_v: float) -> tuple[float, float, float]:
    """Return the voltages across the driver's place with `z` ohm in it, at input 1 and at input 2."""
    load = bench.loading_ohm
    r = rig.reference_ohm
    place = z + rig.lead_ohm
    branch = r + _parallel(place, load) if rig.topology == "divider" else place + _parallel(r, load)
    total = source_v * _parallel(branch, load) / (_parallel(branch, load) + bench.source_ohm)
    second = total * float(replace(rig, input_siemens=1.0 / load).ratio(z).real)
    across = (second if rig.topology == "divider" else total - second) * (z / place if place else 1.0)
    return across, bench.attenuation * total, bench.attenuation * second


def _parallel(a: float, b: float) -> float:
    return a * b / (a + b)


def _rig(name: str) -> Rig:
    return read_rig(HERE / f"{name}.toml")


def measuring_v(rig: Rig, bench: Bench) -> float:
    """Return the unloaded voltage at the level that the rig file plays."""
    assert rig.level_dbfs is not None
    return float(bench.output_v * bench.gain * 10.0 ** (rig.level_dbfs / 20.0))


def _volts(v: float) -> str:
    if v < 1e-6:
        return "0"
    return f"{v:.3g} V" if v >= 0.995 else f"{1e3 * v:.3g} mV"


def _db(ratio: float) -> str:
    return f"{20.0 * math.log10(ratio):.1f}".replace("-", "−")


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = list(head)
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def expected(name: str) -> str:
    """Table of the voltages at the level of the rig file."""
    rig, bench = _rig(name), BENCHES[name]
    source = measuring_v(rig, bench)
    rows = []
    for place, z in PLACES.items():
        across, *seen = inputs(rig, bench, z, source)
        cells = [f"{_volts(v)}, {_db(v / bench.input_v)} dBFS" if v >= 1e-6 else "nothing" for v in seen]
        rows.append([place, _volts(across), *cells])
    level = f"{rig.level_dbfs:g}".replace("-", "−")
    return f"At {level} dBFS, which is {_volts(source)} unloaded:\n\n" + _table(
        ["in the driver's place", "across it", "input 1", "input 2"], rows
    )


def worst(name: str) -> str:
    """Table of the highest peaks with every control at its end, at inputs that load nothing."""
    rig, bench = _rig(name), replace(BENCHES[name], input_ohm=math.inf if BENCHES[name].series_ohm else OPEN_OHM)
    limit = math.sqrt(2.0) * bench.input_v
    rows = []
    for place in ("a short", "60 Ω, a resonance peak", "nothing (open)"):
        _, *seen = inputs(rig, bench, PLACES[place], bench.full_peak_v)
        rows.append([place, *(f"{_volts(v)}, {_db(limit / v)} dB" if v >= 1e-6 else "nothing" for v in seen)])
    return (
        f"Everything turned up, {_volts(bench.full_peak_v)} peak unloaded; a full input is {_volts(limit)} peak:\n\n"
        + _table(["in the driver's place", "input 1: peak, room left", "input 2: peak, room left"], rows)
    )


def separation(name: str) -> str:
    """Table of how far input 2 lies below input 1."""
    rig = _rig(name)
    rows = [[place, f"{_db(float(abs(rig.ratio(z))))} dB"] for place, z in PLACES.items() if z > 0.0]
    return _table(["in the driver's place", "input 2 against input 1"], rows)


def attenuators() -> str:
    """Table of attenuators for other amplifiers."""
    rows = []
    for series in (10e3, 20e3, 47e3):
        bench = replace(AMPLIFIER, series_ohm=series)
        peak = math.sqrt(2.0) * bench.input_v / replace(bench, input_ohm=math.inf).attenuation
        rows.append(
            [
                f"{series / 1e3:g} kΩ, 1 kΩ",
                f"{_db(bench.attenuation)} dB",
                f"{math.floor(peak):d} V",
                f"{bench.loading_ohm:.0f}",
                f"{peak**2 / bench.loading_ohm:.2f} W",
            ]
        )
    return _table(["series, across", "divides by", "highest peak", "`impedance_ohm`", "heat at that peak as DC"], rows)


def shunts() -> str:
    """Table of shunts at the level of amplifier-shunt.toml."""
    rig, bench = _rig("amplifier-shunt"), BENCHES["amplifier-shunt"]
    assert bench.fuse_a is not None
    rows = []
    for ohm in (0.1, 0.47, 1.0):
        other = replace(rig, reference_ohm=ohm)
        seen = [inputs(other, bench, z, measuring_v(rig, bench))[2] / bench.input_v for z in (6.0, 60.0)]
        heat = (FUSE_HOLDS * bench.fuse_a) ** 2 * ohm
        rows.append([f"{ohm:g} Ω", *(f"{_db(v)} dBFS" for v in seen), f"{0.1 / ohm:.2g} %", f"{heat:.1f} W"])
    return _table(["shunt", "input 2 at 6 Ω", "input 2 at 60 Ω", "1 mΩ of solder in it", "heat before the fuse goes"], rows)


def gains() -> str:
    """Table of what one percent between the channels does to the impedance."""
    rows = []
    for name in BENCHES:
        rig = _rig(name)
        z = np.array([6.0, 60.0])
        m = rig.ratio(z)
        change = np.abs(rig.bilinear().slope(m) * m / z)
        rows.append([f"{name}.toml", *(f"{value:.1f} %" for value in change)])
    return _table(["rig", "error at 6 Ω", "error at 60 Ω"], rows)


def tables() -> dict[str, str]:
    """Return every table by the name that stands in its marks in README.md."""
    found = {f"expected {name}": expected(name) for name in BENCHES} | {f"worst {name}": worst(name) for name in BENCHES}
    rest = {"separation": separation("simulated"), "attenuators": attenuators(), "shunts": shunts(), "gains": gains()}
    return found | rest


def filled(text: str) -> str:
    """Return `text` with every table between its marks renewed."""
    for name, table in tables().items():
        marks = rf"(<!-- {name} -->\n).*?(\n<!-- end -->)"
        text, count = re.subn(marks, rf"\g<1>{table}\g<2>", text, flags=re.DOTALL)
        if count != 1:
            raise ValueError(f"README.md needs the marks of {name!r} once, not {count} times")
    return text


if __name__ == "__main__":
    readme = HERE / "README.md"
    readme.write_text(filled(readme.read_text(encoding="utf-8")), encoding="utf-8")
