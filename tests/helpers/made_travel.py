"""Invented drivers at full travel and what a shunt rig records of them: equations and integrator share nothing with ours.

States are the fluxes of coil and ring, travel and momentum; forces come from the stored energy; curves are no polynomials;
the steps are Kutta's 3/8 rule at the sample rate. Creep has eight arms, friction goes with the square of speed.
"""

import math
import pickle
from dataclasses import dataclass

import numpy as np
import pytest
import soundfile
from numba import njit
from scipy.optimize import brentq

from helpers.made_fit import made_fit
from tsfit.base.files import to_json
from tsfit.bench.travel import travel_bench
from tsfit.circuit.large_signal import LargeSignal
from tsfit.driver.record import Driver
from tsfit.driver.terminals import Terminals
from tsfit.formats.fit import fit_to_dict
from tsfit.travel.fit import settle
from tsfit.travel.level import prepared

RATE = 48000
SHUNT, LEAD = 0.1, 0.045
TOTAL_FULL_SCALE, REFERENCE_FULL_SCALE = 125.0, 4.0
DECADES = np.linspace(-1.5, 2.0, 8)


@dataclass(frozen=True)
class Truth:
    """What a driver is; lengths in m. `creep` is λ, `friction` what Rms gains at 1 m/s, `warming` what Re gains."""

    name: str
    Re: float
    Bl: float
    Mms: float
    Fs: float
    Qms: float
    Le: float
    L2: float
    R2: float
    middle: float  # where Bl is strongest
    reach: float  # where it has halved
    steep: float  # exponent of its fall
    k1: float  # per m
    k2: float  # per m²
    k4: float  # per m⁴
    slope: float  # share of L that goes outward
    wide: float  # over which it goes
    creep: float = 0.0
    friction: float = 0.0
    warming: float = 0.0
    volts: float = 40.0  # peak at full travel

    @property
    def vector(self):
        ws = 2.0 * math.pi * self.Fs
        k = self.Mms * ws**2
        tau = 10.0**DECADES / ws
        arm = 0.5 * self.creep * k
        stiff, lossy = np.sum(arm * (ws * tau) ** 2 / (1 + (ws * tau) ** 2)), np.sum(arm * tau / (1 + (ws * tau) ** 2))
        rms = k / ws / self.Qms - lossy
        return np.array([
            self.Re, self.Bl, self.Mms, k - stiff, rms, self.Le, self.L2, self.R2, self.middle, self.reach, self.steep,
            self.k1, self.k2, self.k4, self.slope, self.wide, arm, self.friction * rms, self.warming,
        ])  # fmt: skip

    def bl(self, x):
        return _bl(np.asarray(x, dtype=float), self.vector)

    def stiffness(self, x):
        x, v = np.asarray(x, dtype=float), self.vector
        return self.Mms * (2 * math.pi * self.Fs) ** 2 - v[3] + v[3] * (1 + self.k1 * x + self.k2 * x**2 + self.k4 * x**4)

    def shape(self, x):
        return 1.0 - self.slope * np.tanh(np.asarray(x, dtype=float) / self.wide)

    def blocked(self, x):
        s = 2j * math.pi * 8.5 * self.Fs
        return np.abs(self.Re + self.shape(x) * (s * self.Le + 1.0 / (1.0 / (s * self.L2) + 1.0 / self.R2)))

    def held(self, frequency_hz, x, added=0.0, spring=0.0):
        """Impedance of little movements about travel `x`, where something without current holds it."""
        s, small = 2j * math.pi * frequency_hz, 1e-6
        force = self.stiffness(x + small) * (x + small) - self.stiffness(x - small) * (x - small)
        k = force / (2.0 * small) + spring
        coil = self.shape(x) * (s * self.Le + 1.0 / (1.0 / (s * self.L2) + 1.0 / self.R2))
        rms = 2.0 * math.pi * self.Fs * self.Mms / self.Qms
        return self.Re + coil + self.bl(x) ** 2 / (s * (self.Mms + added) + rms + k / s), k - spring

    def limit(self, name, side):
        """Travel of a limit, m, on the side +1 or −1; None where there is none within 40 mm."""
        ratio = {
            "Bl": lambda x: self.bl(x) / self.bl(0.0),
            "C": lambda x: self.stiffness(0.0) / self.stiffness(x),
            "Z": lambda x: 1.0 - abs(self.blocked(x) / self.blocked(0.0) - 1.0),
            "L": lambda x: 1.0 - abs(self.shape(x) / self.shape(0.0) - 1.0),
        }[name[:-2]]
        least = int(name[-2:]) / 100.0 if name[0] in "BC" else 1.0 - int(name[-2:]) / 100.0
        x = np.arange(0.0, 0.04, 1e-4) * side
        below = np.flatnonzero(ratio(x) < least)
        if not len(below):
            return None
        return abs(brentq(lambda x: float(ratio(x)) - least, x[below[0] - 1], x[below[0]]))


DRIVERS = (
    Truth(
        "Dunlin 12", 3.4, 14.5, 0.13, 28.0, 6.0, 0.8e-3, 1.0e-3, 4.0, middle=0.6e-3, reach=0.0165, steep=4.0,
        k1=12.0, k2=1900.0, k4=4e6, slope=0.22, wide=0.012, volts=34.0,
    ),
    Truth(
        "Curlew 15", 5.3, 23.0, 0.22, 26.0, 5.0, 1.2e-3, 1.6e-3, 6.0, middle=-0.8e-3, reach=0.0185, steep=5.0,
        k1=-15.0, k2=900.0, k4=3e6, slope=0.45, wide=0.014, volts=55.0,
    ),
    Truth(
        "Heron 18", 5.0, 27.0, 0.35, 22.0, 7.0, 1.5e-3, 2.0e-3, 5.0, middle=1.0e-3, reach=0.024, steep=5.0,
        k1=8.0, k2=700.0, k4=1.2e6, slope=0.2, wide=0.018, volts=75.0,
    ),
)  # fmt: skip


@njit(cache=True)
def _bl(x, p):
    return p[1] / (1.0 + np.abs((x - p[8]) / p[9]) ** p[10])


@njit(cache=True)
def _rate_of_change(y, u, p, tau, warm, out):
    tanh = math.tanh(y[2] / p[15])
    s, s1 = 1.0 - p[14] * tanh, -p[14] * (1.0 - tanh * tanh) / p[15]
    i, i2, v = y[0] / (p[5] * s), y[1] / (p[6] * s), y[3] / p[2]
    ring = p[7] * s * (i - i2)
    bl = _bl(y[2], p)
    x2 = y[2] * y[2]
    force = bl * i + 0.5 * s1 * (p[5] * i * i + p[6] * i2 * i2) - (p[4] + p[17] * v * v) * v
    force -= p[3] * (1.0 + p[11] * y[2] + p[12] * x2 + p[13] * x2 * x2) * y[2]
    out[0] = u - p[0] * (1.0 + warm) * i - ring - bl * v
    out[1], out[2] = ring, v
    for j in range(len(tau)):
        force -= p[16] * (y[2] - y[4 + j])
        out[4 + j] = (y[2] - y[4 + j]) / tau[j]
    out[3] = force
    return i


@njit(cache=True)
def three_eighths(u, h, p, tau, warming, y):
    """`u` at thirds of a step; current and travel at the end of each step. Source, shunt and lead are in p[0].

    `y` (4 + arms,) is the state, carried on in place; a last `u` that is not there is the first again. Numba compiles loops
    in half the time of sums of arrays.
    """
    steps = len(u) // 3
    now = np.zeros(4 + len(tau))
    a, b, c, d = now.copy(), now.copy(), now.copy(), now.copy()
    out = np.zeros((steps, 2))
    for n in range(steps):
        warm, at, after = warming[n], 3 * n, (3 * n + 3) % len(u)
        _rate_of_change(y, u[at], p, tau, warm, a)
        for q in range(len(y)):
            now[q] = y[q] + h / 3.0 * a[q]
        _rate_of_change(now, u[at + 1], p, tau, warm, b)
        for q in range(len(y)):
            now[q] = y[q] + h * (b[q] - a[q] / 3.0)
        _rate_of_change(now, u[at + 2], p, tau, warm, c)
        for q in range(len(y)):
            now[q] = y[q] + h * (a[q] - b[q] + c[q])
        _rate_of_change(now, u[after], p, tau, warm, d)
        for q in range(len(y)):
            y[q] += h / 8.0 * (a[q] + 3.0 * b[q] + 3.0 * c[q] + d[q])
        s = 1.0 - p[14] * math.tanh(y[2] / p[15])
        out[n, 0], out[n, 1] = y[0] / (p[5] * s), y[2]
    return out


def multisine(truth, period_s, peak, rng, factor=3):
    """One period of an odd-random multisine from 0.3 Fs to 10 Fs that falls 6 dB an octave, `factor` times the rate."""
    n = round(period_s * RATE) * factor
    lines = np.arange(int(0.3 * truth.Fs * period_s) | 1, int(10.0 * truth.Fs * period_s), 2)
    lines = lines[rng.random(len(lines)) > 0.25]
    best = None
    for _ in range(20):
        spectrum = np.zeros(n // 2 + 1, dtype=complex)
        spectrum[lines] = np.exp(2j * math.pi * rng.random(len(lines))) / lines
        wave = np.fft.irfft(spectrum)
        if best is None or np.abs(wave).max() * np.std(best) < np.abs(best).max() * np.std(wave):
            best = wave
    return peak * best / np.abs(best).max()


@dataclass(frozen=True)
class Heard:
    """What the rig recorded, (n, 2) of full scale: across everything, across the shunt; and the truth about it."""

    samples: np.ndarray
    period_s: float
    outward: float
    inward: float
    warming: float


def recorded(truth, share, *, period_s=2.0, periods=4, noise_dbfs=-90.0, seed=0):
    """Record `share` of the full voltage: a period to settle, then `periods`."""
    rng = np.random.default_rng(seed)
    wave = multisine(truth, period_s, share * truth.volts, rng)
    n = len(wave) // 3
    p, tau = truth.vector, 10.0**DECADES / (2 * math.pi * truth.Fs)
    warm = (1.0 + periods) * period_s * np.arange((1 + periods) * n) / ((1 + periods) * n)
    warm = truth.warming * share**2 * -np.expm1(-warm / 3.0)
    p[0] += SHUNT + LEAD
    played = 1 + periods if truth.warming else 2
    y = np.zeros(4 + len(tau))
    out = three_eighths(np.tile(wave, played), 1.0 / RATE, p, tau, warm[: played * n] * truth.Re / p[0], y)
    if not truth.warming:
        out = np.concatenate([out[:n], *[out[n:]] * periods])
    total = np.roll(np.tile(wave[::3], 1 + periods), -1)
    samples = np.column_stack([total / TOTAL_FULL_SCALE, SHUNT * out[:, 0] / REFERENCE_FULL_SCALE])
    assert np.abs(samples).max() < 1.0
    samples = samples + 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(samples.shape)
    x = out[n:, 1]
    return Heard(samples, period_s, float(x.max()), float(x.min()), float(warm[n:].mean()))


def start_of(truth, off=1.01):
    """What small-signal sweeps say of it: everything but the mass `off` by a factor, no curves."""
    ws, k = 2.0 * math.pi * truth.Fs, float(truth.stiffness(0.0))
    return LargeSignal(
        Re=truth.Re * off, Le=truth.Le * off, L2=truth.L2 / off, R2=truth.R2 * off, Rms=k / ws / truth.Qms, Rv=0.0, Rv2=0.0,
        arm=0.0, Mms=truth.Mms, ws=ws, x0=0.01, Bl=np.array([float(truth.bl(0.0)) / off]), K=np.array([k]),
        shape=np.ones(1),
    )  # fmt: skip


def terminals_of(heard, source=""):
    """Volts and amperes at the driver, worked by hand."""
    amperes = heard.samples[:, 1] * REFERENCE_FULL_SCALE / SHUNT
    volts = heard.samples[:, 0] * TOTAL_FULL_SCALE - amperes * (SHUNT + LEAD)
    return Terminals(volts, amperes, float(RATE), {"volts": (1e-3, 0.0), "amperes": (0.0, 1e-3)}, source)


def driver_of(truth):
    """The driver at little travel as a record."""
    qes = 2.0 * math.pi * truth.Fs * truth.Mms * truth.Re / float(truth.bl(0.0)) ** 2
    coil = {"Le": truth.Le, "L2": truth.L2, "R2": truth.R2}
    return Driver(truth.name, truth.Re, truth.Fs, truth.Qms, qes, truth.Mms, 0.05, "ladder-2", coil)


def bench_folder(folder, truth, shares=(0.3, 1.0), *, period_s=0.5, driver="", seed=0):
    """Write rig, recordings, a fit and a bench file into `folder`; returns the bench file."""
    (folder / "rig.toml").write_text(
        f'name = "power"\ntopology = "shunt"\nreference_ohm = {SHUNT}\nreference_uncertainty_ohm = 0.0001\n[channels]\n'
        f"total = 1\nreference = 2\ntotal_v_full_scale = {TOTAL_FULL_SCALE}\n"
        f"reference_v_full_scale = {REFERENCE_FULL_SCALE}\nfull_scale_uncertainty_percent = 0.1\n"
        f"[leads]\nresistance_ohm = {LEAD}\n"
    )
    (folder / "fit.json").write_text(to_json(fit_to_dict(made_fit(driver_of(truth), 0.003))))
    text = f'rig = "rig.toml"\n[driver]\nname = "{truth.name}"\nserial = "A-1"\nfrom = "fit.json"\n{driver}\n'
    for number, share in enumerate(shares):
        heard = recorded(truth, share, period_s=period_s, seed=seed + number)
        soundfile.write(folder / f"level-{number}.wav", heard.samples, RATE, subtype="PCM_24")
        text += f'[[sweep]]\nrecording = "level-{number}.wav"\nstate = "full travel"\nperiod_s = {period_s}\n'
    (folder / "bench.toml").write_text(text)
    return folder / "bench.toml"


def levels_of(truth, shares, first=0, **how):
    """Levels as the fit takes them, and what was recorded; signals and noise are drawn from the seed `first` on."""
    heard = [recorded(truth, share, seed=first + index, **how) for index, share in enumerate(shares)]
    start = start_of(truth)
    return [
        prepared(terminals_of(each, f"level-{index}.wav"), start, period_s=each.period_s)
        for index, each in enumerate(heard)
    ], heard


def held_curve(path, truth, x, seed=0, **more):
    """Write the impedance of the cone held at `x` as a measured curve, 0.05 % off at each point."""
    rng = np.random.default_rng(seed)
    frequency = np.geomspace(5.0, 5000.0, 300)
    z, _ = truth.held(frequency, x, **more)
    z = z * (1.0 + 5e-4 * (rng.standard_normal(300) + 1j * rng.standard_normal(300)))
    rows = [f"{f:.6g},{abs(one):.6g},{math.degrees(np.angle(one)):.5f}" for f, one in zip(frequency, z, strict=True)]
    path.write_text("\n".join(["Hz,ohm,degrees", *rows]) + "\n")


def fitted_once(made_once):
    """Truth and fit of an 18-inch driver at two levels, three quarters of a second each."""
    truth = DRIVERS[2]

    def make(folder):
        levels, _ = levels_of(truth, (0.3, 1.0), period_s=0.75)
        (folder / "settled.pickle").write_bytes(pickle.dumps(settle(start_of(truth), levels)))

    return truth, pickle.loads((made_once("settled", make) / "settled.pickle").read_bytes())


def settled_bench(made_once):
    """The fit of what `bench_folder` records of the first driver, as `tsfit.bench.travel` makes it."""

    def make(folder):
        found = []

        def kept(*given):
            found.append(settle(*given))
            return found[0]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("tsfit.bench.travel.settle", kept)
            travel_bench(bench_folder(folder, DRIVERS[0]))
        (folder / "settled.pickle").write_bytes(pickle.dumps(found[0]))

    return pickle.loads((made_once("settled-bench", make) / "settled.pickle").read_bytes())
