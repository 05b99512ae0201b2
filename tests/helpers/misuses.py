"""What people do wrong with files: each at three strengths, on a bench of two healthy recordings.

Nothing here shares anything with the code that reads them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile


@dataclass
class Desk:
    """A folder with bench.toml, rig.toml, free.wav and mass.wav; what is typed there is put in anew."""

    folder: Path
    rate: int
    samples: dict[str, np.ndarray]
    bench: str
    rig: str
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(11))

    def write(self, name, samples, rate=None, **more):
        soundfile.write(self.folder / name, samples, rate or self.rate, **({"subtype": "FLOAT"} | more))

    def typed(self, key, value):
        """Another value for a key of the bench or the rig."""
        for where in ("bench", "rig"):
            text = getattr(self, where)
            setattr(self, where, re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", text))

    def put(self):
        for name, samples in self.samples.items():
            self.write(name, samples)
        (self.folder / "rig.toml").write_text(self.rig)
        (self.folder / "bench.toml").write_text(self.bench)


@dataclass(frozen=True)
class Misuse:
    """What is done, before and after the files are put there, at which strengths; words that name it, or say on trust."""

    words: str
    strengths: tuple[object, ...]
    before: Callable[[Desk, object], None] = lambda desk, s: None
    after: Callable[[Desk, object], None] = lambda desk, s: None
    trusted: str | None = None


def typed(key):
    return lambda desk, s: desk.typed(key, s)


def replaced(old, where="bench"):
    return lambda desk, s: setattr(desk, where, getattr(desk, where).replace(old, str(s)))


def added(after, where="bench"):
    def do(desk, s):
        text = getattr(desk, where)
        assert after in text
        setattr(desk, where, text.replace(after, f"{after}\n{s}"))

    return do


def raw(name):
    """The bytes of a file, changed."""

    def do(desk, change):
        path = desk.folder / name
        path.write_bytes(change(path.read_bytes()))

    return do


def samples(change):
    def do(desk, s):
        desk.samples["free.wav"] = change(desk.samples["free.wav"].copy(), s, desk)

    return do


def _swap(desk, s):
    both = desk.samples
    both["free.wav"], both["mass.wav"] = (s * both[name] for name in ("mass.wav", "free.wav"))


def _holes(x, count, desk):
    x[desk.rng.integers(0, len(x), size=count), 0] = np.nan
    return x


def _resistor(ohm):
    def do(desk, s):
        x = desk.samples["free.wav"]
        ratio = s / (s + 10.0) if ohm else s
        desk.samples["free.wav"] = np.column_stack([x[:, 0], ratio * x[:, 0]]) + 3e-5 * desk.rng.standard_normal(x.shape)

    return do


def _coil(desk, henry):
    x = desk.samples["free.wav"]
    s = 2j * np.pi * np.fft.rfftfreq(len(x), 1.0 / desk.rate)
    z = 5.0 + s * henry
    second = np.fft.irfft(np.fft.rfft(x[:, 0]) * z / (z + 10.0), len(x))
    desk.samples["free.wav"] = np.column_stack([x[:, 0], second]) + 3e-5 * desk.rng.standard_normal(x.shape)


def curve(row, header=""):
    """The free-air recording replaced by a text curve of a driver like it, written as `row` says."""

    def do(desk, s):
        f = np.geomspace(5.0, 2000.0, 300)
        w, ws = 2j * np.pi * f, 2.0 * np.pi * 24.0
        z = 5.5 + 0.25e-3 * w + 1.0 / (1.0 / (0.5e-3 * w) + 0.2)
        z = z + 5.5 * 4.5 / 0.42 / (1.0 + 4.5 * (w / ws + ws / w))
        lines = [row(*each, s) for each in zip(f, z, strict=True)]
        (desk.folder / "free.txt").write_text("\n".join([header, *lines]).strip() + "\n")
        desk.bench = desk.bench.replace('recording = "free.wav"', 'curve = "free.txt"')

    return do


def _link(desk, name):
    (desk.folder / "free.wav").unlink()
    (desk.folder / "free.wav").symlink_to(name)


def _polar(f, z, turn, unit):
    return f"{f:.6g} {abs(z):.6g} {np.angle(z) * turn * unit:.6g}"


DEGREES = 180.0 / np.pi
UNCALIBRATED = "resistor, leads and crosstalk (-90 dB) are on trust"

MISUSES = {
    # What is typed wrong.
    "mass in another unit": Misuse("Mms|mass", ("0.072", "2.54", "0.159"), typed("mass_g"), trusted="mass as typed"),
    "mass by a factor": Misuse("mass", ("36.0", "54.0", "144.0"), typed("mass_g"), trusted="mass as typed"),
    "area in another unit": Misuse("area|Sd|diameter|cm", ("30000", "9.77", "46.5"), typed("sd_cm2")),
    "mass that cannot be": Misuse("mass_g", ("-72.0", "0.0", "nan"), typed("mass_g")),
    "mass that is no number": Misuse("mass_g", ('"heavy"', "[72.0]", "true"), typed("mass_g")),
    "area that cannot be": Misuse("sd_cm2", ("-300", "0", "inf"), typed("sd_cm2")),
    "uncertainty that cannot be": Misuse("uncertainty", ("-1.0", "nan", '"small"'), typed("mass_uncertainty_g")),
    "state unknown": Misuse("state", ('"free"', '"closed"', '"Mass"'), typed("state")),
    "key misspelt": Misuse("mass_gr|masse_g|mass", ("mass_gr =", "masse_g =", "Mass_g ="), replaced("mass_g =")),
    "box for a mass": Misuse(
        "risen|seal|mass_uncertainty|mass_g|volume",
        ("volume_l = 10.0", "volume_l = 50.0", "volume_l = 0.5"),
        lambda desk, s: setattr(
            desk, "bench", re.sub(r'"added mass"\nmass_g.*\nmass_unc.*\n', f'"closed box"\n{s}\n', desk.bench)
        ),
    ),
    "air that cannot be": Misuse(
        "temperature|humidity|pressure",
        ("temperature_c = 200", "humidity_percent = 300", "pressure_hpa = 10"),
        added('state = "free air"'),
    ),
    "ohmmeter off": Misuse(
        "ohmmeter", (0.9, 1.1, 10.0), lambda desk, s: added("sd_cm2 = 300")(desk, f"dc_resistance_ohm = {5.5 * s}")
    ),
    "parameter held wrong": Misuse(
        "Held|held",
        ("Re = 5.0", "Fs = 26.0", "Qms = 3.0"),
        lambda desk, s: setattr(desk, "bench", f"{desk.bench}[hold]\n{s}\n"),
    ),
    "reference by a factor": Misuse("reference", ("100.0", "1.0", "1000.0"), typed("reference_ohm"), trusted=UNCALIBRATED),
    "reference a little off": Misuse("reference", ("10.2", "9.5", "11.0"), typed("reference_ohm"), trusted=UNCALIBRATED),
    "reference that cannot be": Misuse("reference_ohm", ("-10.0", "0.0", '"ten"'), typed("reference_ohm")),
    "another topology": Misuse(
        "topology|reference|swap|polarity|no driver|looks|Hardly|open|short|resonance",
        ("10.0", "5.5", "1.0"),
        lambda desk, s: (
            replaced('"divider"', "rig")(desk, '"shunt"'),
            replaced("driver = 2", "rig")(desk, "reference = 2"),
            desk.typed("reference_ohm", s),
        ),
    ),
    "channels that are not there": Misuse(
        "channel|second|driver", ("1", "3", "0"), lambda desk, s: replaced("driver = 2", "rig")(desk, f"driver = {s}")
    ),
    "channels swapped": Misuse(
        "swap|louder",
        (1.0, 0.5, 0.1),
        lambda desk, s: (
            replaced("driver = 2", "rig")(desk, "driver = 1"),
            replaced("total = 1", "rig")(desk, "total = 2"),
        ),
    ),
    "rig of another rate": Misuse(
        "Hz",
        ("44100", "96000", "8000"),
        lambda desk, s: setattr(desk, "rig", f"{desk.rig}[playback]\nsample_rate_hz = {s}\n"),
    ),
    "no such rig": Misuse("rig", ('"no.toml"', '"bench.toml"', '"free.wav"'), typed("rig")),
    "torn TOML": Misuse(
        "TOML|line|toml", ("[[sweep", 'name = "', "= 3"), lambda desk, s: setattr(desk, "bench", desk.bench + s)
    ),
    "bench in another encoding": Misuse(
        "UTF-8|text|TOML|encod",
        ("utf-16", "utf-32", "cp037"),
        after=lambda desk, s: (desk.folder / "bench.toml").write_bytes(desk.bench.encode(s)),
    ),
    # Which file is which.
    "files swapped": Misuse("fallen", (1.0, 0.5, 0.1), _swap),
    "one file for both": Misuse(
        "fallen|same", (1.0, 0.5, 0.1), lambda desk, s: desk.samples.update({"mass.wav": s * desk.samples["free.wav"]})
    ),
    "no such recording": Misuse("no such recording", ("fre.wav", "free.WAVE", "sub/free.wav"), replaced("free.wav")),
    "recording for a curve": Misuse(
        "curve|text|recording|audio",
        ("free.wav", "mass.wav", "rig.toml"),
        lambda desk, s: replaced('recording = "free.wav"')(desk, f'curve = "{s}"'),
    ),
    "text for a recording": Misuse(
        "audio|WAV",
        (b"f Z\n10 5\n", b"ID3\x04" + bytes(4000), b"OggS" + bytes(400)),
        after=lambda desk, s: (desk.folder / "free.wav").write_bytes(s),
    ),
    "link to nowhere or a folder": Misuse("no such|cannot", ("nowhere.wav", "free.wav", "."), after=_link),
    "half a recording": Misuse(
        "stopped before its end",
        ("a", "b", "c"),
        lambda desk, s: (
            desk.samples.update({f"{s}.partial.wav": desk.samples.pop("free.wav")}),
            replaced("free.wav")(desk, f"{s}.partial.wav"),
        ),
    ),
    "excitation that was not played": Misuse(
        "plays|played|excitation|audio|missing|cannot",
        ("rig.toml", "noise.wav", "silence.wav"),
        lambda desk, s: (
            desk.samples.update(
                {"noise.wav": 0.2 * desk.rng.standard_normal((40000, 1)), "silence.wav": np.zeros((40000, 1))}
            ),
            added('recording = "free.wav"')(desk, f'excitation = "{s}"'),
        ),
    ),
    # What a file holds.
    "empty or nearly": Misuse(
        "empty|audio|cannot|header|samples", (0, 20, 44), after=lambda desk, s: raw("free.wav")(desk, lambda data: data[:s])
    ),
    "cut off on the way": Misuse(
        "promises|cut off",
        (0.1, 0.5, 0.99),
        after=lambda desk, s: raw("free.wav")(desk, lambda data: data[: round(s * len(data))]),
    ),
    "header damaged": Misuse(
        "audio|promises|damaged|channel|lasts|rate|codec",
        (8, 12, 22),
        after=lambda desk, s: raw("free.wav")(desk, lambda data: data[:s] + b"\xff\xff" + data[s + 2 :]),
    ),
    "other channels": Misuse(
        "channel",
        (1, 3, 6),
        lambda desk, s: desk.samples.update({"free.wav": np.repeat(desk.samples["free.wav"][:, :1], s, axis=1)}),
    ),
    "no numbers": Misuse("NaN", (1, 100, 10000), samples(_holes)),
    "too short": Misuse(
        "lasts", (0.01, 0.1, 0.45), samples(lambda x, s, desk: x[desk.rate : desk.rate + round(s * desk.rate)])
    ),
    "silence": Misuse("silent", (0.0, 1e-7, 1e-6), samples(lambda x, s, desk: s * desk.rng.standard_normal(x.shape))),
    "header of one file lies": Misuse(
        "sample rate",
        (0.997, 1.03, 0.96),
        after=lambda desk, s: desk.write("mass.wav", desk.samples["mass.wav"], round(s * desk.rate)),
    ),
    # What hangs on the leads.
    "a resistor": Misuse("resistor|resonance", (4.0, 8.0, 100.0), _resistor(True)),
    "nothing": Misuse("open|no driver seems", (1.0, 0.9999, 0.9995), _resistor(False)),
    "a short circuit": Misuse("short", (0.0, 0.001, 0.01), _resistor(False)),
    "a coil": Misuse("coil|resonance", (0.2e-3, 1e-3, 3e-3), _coil),
    # Curves that others wrote.
    "curve, phase in radians": Misuse(
        "radian|phase", (1.0, 1.01, 0.99), curve(lambda f, z, s: _polar(f, z, s, 1.0), "Hz ohm degrees")
    ),
    "curve, phase mirrored": Misuse(
        "mirrored|sign", (-1.0, -1.01, -0.99), curve(lambda f, z, s: _polar(f, z, s, DEGREES), "Hz ohm degrees")
    ),
    "curve without phase": Misuse(
        "phase", (0.0, 45.0, -10.0), curve(lambda f, z, s: f"{f:.6g} {abs(z):.6g} {s}", "Hz ohm degrees")
    ),
    "curve in other steps of ten": Misuse(
        "Hardly|resonance|Hz|unit|area|audible|no driver",
        (1e-3, 1e3, 1e-2),
        curve(lambda f, z, s: _polar(f * s, z, 1.0, DEGREES), "Hz ohm degrees"),
    ),
}
