"""Impedance curves of bare drivers and of what is none, drawn at random: nothing here comes from the package's circuit.

Everything is a two-pole of resistors, coils, capacitors and what they shunt, in ohm; a motional branch is written as
R ∥ L ∥ C beside what the air adds, each by Small's equivalents (JAES 20(5), 1972; 21(5), 1973; 22(8), 1974).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tsfit.driver.curve import ImpedanceCurve

RANGE_HZ = 20000.0


@dataclass(frozen=True)
class Thing:
    """A curve, what it is of ("bare", "vented", …), and how it was drawn."""

    curve: ImpedanceCurve
    kind: str
    drawn: str


def _together(*parts):
    """Impedance of `parts` in parallel."""
    return 1.0 / sum(1.0 / part for part in parts)


@dataclass(frozen=True)
class Woofer:
    """Re (ohm), fs (Hz), Qms, Qes; Le beside R2 ∥ L2 ; creep; `edge`: frequency, mass share and Q of a sprung part."""

    re: float
    fs: float
    qms: float
    qes: float
    le: float
    r2: float
    l2: float
    creep: float = 0.0
    edge: tuple[float, float, float] | None = None

    @classmethod
    def drawn(cls, rng, fs=(18.0, 130.0), edge=False) -> Woofer:
        re = rng.uniform(2.8, 7.5)
        top = re * 10 ** rng.uniform(-0.3, 0.7)  # reactance of the coil at 1 kHz
        le = top / (2 * math.pi * 1000.0)
        f0 = math.exp(rng.uniform(*np.log(fs)))
        part = (f0 * rng.uniform(8.0, 30.0), rng.uniform(0.01, 0.08), rng.uniform(3.0, 15.0)) if edge else None
        return cls(
            re,
            f0,
            rng.uniform(1.5, 12.0),
            math.exp(rng.uniform(math.log(0.2), math.log(1.6))),
            le * rng.uniform(0.2, 0.6),
            top * rng.uniform(0.5, 3.0),
            le * rng.uniform(0.4, 1.0),
            rng.uniform(0.0, 0.12) if rng.random() < 0.5 else 0.0,
            part,
        )

    def blocked(self, f):
        s = 2j * math.pi * f
        return self.re + s * self.le + _together(self.r2 + 0 * s, s * self.l2)

    def mechanical(self, f):
        """Mass, loss and spring over the spring's stiffness at fs: (1 − w² + j w/Qms), w = f/fs, times jω."""
        w = f / self.fs
        soft = 1.0 - self.creep * np.log(1j * w) / math.log(10.0)
        mass = -(w**2) + 0j
        if self.edge is not None:
            at, share, q = self.edge
            v = f / at
            mass = mass * ((1.0 - share) + share * (1.0 + 1j * v / q) / (1.0 - v**2 + 1j * v / q))
        return 1.0 / soft + 1j * w / self.qms + mass

    def impedance(self, f, air=0.0):
        """With `air`: what the box adds to the stiffness, over the driver's own."""
        w = f / self.fs
        return self.blocked(f) + self.re * (1j * w / self.qes) / (self.mechanical(f) + air)

    @property
    def text(self) -> str:
        return f"fs {self.fs:.1f} Qms {self.qms:.1f} Qes {self.qes:.2f}"


def vented_air(f, alpha, fs, fb, ql, qa, qp):
    """Stiffness of a vented box over the driver's (Small 1973): alpha = Vas/Vb; leak, absorption, port."""
    s = 1j * f / fb
    port = 1.0 / (s + 1.0 / qp)
    spring = 1.0 / (1.0 / s + 1.0 / qa)
    # acoustic admittances at unit box stiffness; the flow that the cone pushes meets all three
    return alpha * s / (port + spring + 1.0 / ql)


def radiator_air(f, alpha, fb, fp, ql, qp):
    """The same with a passive radiator of own resonance fp; fb is with the box."""
    s = 1j * f / fb
    share = 1.0 - (fp / fb) ** 2
    branch = s + 1.0 / qp + (fp / fb) ** 2 / s
    return alpha * s / (share / branch + s + 1.0 / ql)


def noisy(f, z, rng, level):
    return z * (1.0 + level * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / math.sqrt(2.0))


def grid(rng, lowest):
    per_octave = int(rng.choice([24, 48]))
    return np.geomspace(lowest, RANGE_HZ, int(per_octave * math.log2(RANGE_HZ / lowest)))


def made(kind, drawn, f, z, rng, level):
    variance = (level * np.abs(z)) ** 2 if rng.random() < 0.5 else None
    return Thing(ImpedanceCurve(f, noisy(f, z, rng, level), variance, source=f"{kind}.txt"), kind, drawn)


def noise_of(rng):
    return 10 ** rng.uniform(-3.7, -2.3)


def bare_drivers(count: int, seed: int = 1) -> Iterator[Thing]:
    """Bare drivers, half of them with a sprung part of the cone, half with a suspension that creeps."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        driver = Woofer.drawn(rng, edge=rng.random() < 0.5)
        f = grid(rng, min(rng.choice([5.0, 10.0, 20.0]), driver.fs / 2.5))
        air = rng.uniform(0.5, 4.0) if rng.random() < 0.2 else 0.0
        yield made(
            "bare", driver.text + f" air {air:.1f} edge {driver.edge}", f, driver.impedance(f, air), rng, noise_of(rng)
        )


def vented(count: int, seed: int = 2) -> Iterator[Thing]:
    rng = np.random.default_rng(seed)
    for _ in range(count):
        driver = Woofer.drawn(rng, fs=(18.0, 60.0))
        fb = rng.uniform(15.0, 60.0)
        alpha = math.exp(rng.uniform(math.log(0.6), math.log(5.0)))
        lowest = rng.choice([5.0, 10.0, 15.0, 20.0, 30.0, 40.0])
        ql, qa, qp = rng.uniform(5, 20), rng.uniform(20, 100), rng.uniform(20, 100)
        f = grid(rng, lowest)
        z = driver.impedance(f, vented_air(f, alpha, driver.fs, fb, ql, qa, qp))
        yield made(
            "vented", f"{driver.text} fb {fb:.1f} alpha {alpha:.2f} QL {ql:.0f} from {lowest:.0f}", f, z, rng, noise_of(rng)
        )


def radiators(count: int, seed: int = 3) -> Iterator[Thing]:
    rng = np.random.default_rng(seed)
    for _ in range(count):
        driver = Woofer.drawn(rng, fs=(18.0, 60.0))
        fb = rng.uniform(18.0, 60.0)
        fp = fb * rng.uniform(0.2, 0.6)
        alpha = math.exp(rng.uniform(math.log(0.6), math.log(5.0)))
        lowest = rng.choice([5.0, 10.0, 20.0])
        f = grid(rng, lowest)
        z = driver.impedance(f, radiator_air(f, alpha, fb, fp, rng.uniform(7, 30), rng.uniform(5, 30)))
        yield made(
            "radiator",
            f"{driver.text} fb {fb:.1f} fp {fp:.1f} alpha {alpha:.2f} from {lowest:.0f}",
            f,
            z,
            rng,
            noise_of(rng),
        )


def _low(s, order, w, r):
    """Series coil, shunt capacitor, series coil, for a low-pass of `order` into about r at w: (coil, capacitor, coil)."""
    return r / w * (1.0 if order == 1 else 1.4), 0.7 / (w * r) if order > 1 else None, r / w * 0.5 if order > 2 else None


def branch(f, z, kind, order, corner, r):
    """A driver of impedance `z` behind a ladder of `order` at `corner`, Hz."""
    s, w = 2j * math.pi * f, 2 * math.pi * corner
    coil, cap, second = _low(s, order, w, r)
    if kind == "low":
        if second:
            z = z + s * second
        if cap:
            z = _together(z, 1.0 / (s * cap))
        return z + s * coil + 0.03 * r
    if second:
        z = z + 1.0 / (s / (w * r * 0.5))
    if cap:
        z = _together(z, s / (0.7 * w / r) + 0.03 * r)
    return z + 1.0 / (s / (w * r))


def crossovers(count: int, seed: int = 4) -> Iterator[Thing]:
    rng = np.random.default_rng(seed)
    for _ in range(count):
        ways = int(rng.integers(2, 4))
        lowest = rng.choice([5.0, 10.0, 20.0])
        f = grid(rng, lowest)
        s = 2j * math.pi * f
        corners = [rng.uniform(1500.0, 4000.0)] if ways == 2 else [rng.uniform(200.0, 700.0), rng.uniform(2000.0, 5000.0)]
        equalised = rng.random() < 0.5
        z = None
        for k in range(ways):
            high = k == ways - 1 and ways > 1
            driver = Woofer.drawn(rng, fs=(25.0, 60.0) if k == 0 else (600.0, 1500.0) if high else (60.0, 150.0))
            if high:
                driver = Woofer(driver.re, driver.fs, driver.qms, driver.qes, 3e-5, 1.0, 2e-5)
            one = driver.impedance(f, air=rng.uniform(0.5, 3.0) if k == 0 else 0.0)
            if equalised:
                top = abs(one[np.argmin(abs(f - 8000.0))].imag) / (2 * math.pi * 8000.0)
                one = _together(one, 1.25 * driver.re + 1.0 / (s * max(top, 5e-5) / (1.25 * driver.re) ** 2))
            if k > 0:
                one = (
                    branch(f, one, "high", int(rng.integers(1, 4)), corners[k - 1], driver.re)
                    + rng.uniform(0.0, 3.0) * high
                )
            if k < ways - 1:
                one = branch(f, one, "low", int(rng.integers(1, 4)), corners[k], driver.re)
            z = one if z is None else _together(z, one)
        yield made("crossover", f"{ways} ways at {corners} equalised {equalised} from {lowest}", f, z, rng, noise_of(rng))


def others(count: int, seed: int = 5) -> Iterator[Thing]:
    """A driver behind a capacitor, a resistor, a coil, a capacitor alone."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        f = grid(rng, rng.choice([5.0, 10.0, 20.0]))
        s = 2j * math.pi * f
        kind = ("capacitor", "resistor", "coil", "capacitor")[k % 4]
        if kind == "capacitor":
            high = k % 8 == 0
            driver = Woofer.drawn(rng, fs=(500.0, 1500.0) if high else (40.0, 130.0))
            cap = rng.uniform(2e-6, 20e-6) if high else rng.uniform(50e-6, 600e-6)
            z, text = driver.impedance(f) + 1.0 / (s * cap), f"{driver.text} {1e6 * cap:.0f} uF"
        elif kind == "resistor":
            r = 10 ** rng.uniform(0.3, 2.0)
            z, text = r + s * rng.choice([0.0, 1e-6, 1e-5]), f"{r:.1f} ohm"
        else:
            driver = Woofer.drawn(rng)
            z, text = driver.blocked(f), "coil"
        yield made(kind, text, f, z, rng, noise_of(rng))
