"""One impedance curve as many instruments, programs and languages would write it; made without the reader's tables."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

F = np.geomspace(12.0, 6000.0, 90)
RISE = 6.1 + 2.0j * np.pi * F * 0.35e-3
Z = RISE + 34.0 / (1.0 + 1j * 3.1 * (F / 41.0 - 41.0 / F))
"""A coil and one resonance, in closed form."""
SIZE, ANGLE = np.abs(Z), np.degrees(np.angle(Z))
NUMBERS = {"f": F, "z": SIZE, "p": ANGLE, "r": Z.real, "x": Z.imag, "n": np.arange(1.0, 91.0)}


@dataclass(frozen=True)
class Dialect:
    """A file, and whether it has to be read; what need not be may be refused, never misread."""

    name: str
    content: bytes
    must: bool = True


def number(value: float) -> str:
    return f"{value:.6f}"


def grouped(value: float, group: str, decimal: str) -> str:
    return f"{value:,.4f}".translate(str.maketrans({",": group, ".": decimal}))


def body(
    order: str,
    separator: str = ";",
    write: Callable[[float], str] = number,
    quote: str = "",
    end: str = "",
    **changed: np.ndarray,
) -> list[str]:
    """Rows of the columns whose letters `order` names."""
    columns = [changed.get(letter, NUMBERS[letter]) for letter in order]
    return [
        separator.join(quote + write(float(value)) + quote for value in row) + end for row in zip(*columns, strict=True)
    ]


def file(name: str, lines: list[str], encoding: str = "utf-8", *, must: bool = True, end: str = "\n") -> Dialect:
    return Dialect(name, (end.join(lines) + end).encode(encoding), must)


POLAR_HEADERS = [
    "f;Z;phi", "freq;|Z|;theta", "Hz;ohm;deg", "Frequency (Hz);Magnitude (Ohm);Phase (deg)",
    "Frequency [Hz];|Z| [Ω];Phase [°]",
    "Freq/Hz;Z/Ohm;Phase/deg", "freq in Hz;impedance in ohm;phase in degrees", "FREQ(HZ);MAG(OHM);PHASE(DEG)",
    "Frequenz;Betrag;Phase", "Frequenz (Hz);Impedanz (Ohm);Phase (Grad)", "Frequenz [Hz];Betrag [Ω];Winkel [°]",
    "Frequenz in Hz;Scheinwiderstand in Ohm;Phasenwinkel in Grad", "Frequenz;Betrag der Impedanz;Phasenlage",
    "fréquence (Hz);impédance (Ω);phase (degrés)", "Fréquence;Module;Phase",
    "Frecuencia (Hz);Impedancia (ohmios);Fase (grados)",
    "frecuencia;magnitud;fase", "Frequenza [Hz];Modulo [Ohm];Fase [gradi]", "f {Hz};mag {Ω};phase {°}",
    "f <Hz>;z <ohm>;arg <deg>",
    "Frequency_Hz;Impedance_Ohm;Phase_Deg", "frequency_hz;magnitude_ohm;phase_degrees", "F;abs(Z);arg(Z)", "f;Zmag;Zphase",
    "f;Z mod;Z arg", "f;|Z|;∠", "Frequency, Hz;Impedance, Ohms;Phase, degrees", "frq;imp;ph", "f;Z;θ [°]", "f;|Z|/Ω;φ/°",
    "Hertz;Ohms;Degrees", "Freq.;Magn.;Angle", "f (Hz);Z (\u2126);phase (º)",
]  # fmt: skip
RECTANGULAR_HEADERS = [
    "f;re;im", "freq;R;X", "Freq (Hz);Rs (ohm);Xs (ohm)", "Hz;Real;Imag", "Frequency;Re(Z);Im(Z)",
    "Frequenz;Realteil;Imaginärteil",
    "Frequenz [Hz];Wirkwiderstand [Ω];Blindwiderstand [Ω]", "fréquence;partie réelle;partie imaginaire",
    "frecuencia (Hz);resistencia (ohm);reactancia (ohm)", "f;Z';Z''", "f [Hz];Re{Z} [Ω];Im{Z} [Ω]", "f;Zreal;Zimag",
    "Frequency (Hz);Resistance (Ohm);Reactance (Ohm)", "f;ReZ;ImZ",
]  # fmt: skip


def dialects() -> list[Dialect]:
    """Return every dialect; the first part has to be read, some of the last may be refused by name."""
    found = [file(f"polar header {header}", [header, *body("fzp")]) for header in POLAR_HEADERS]
    found += [file(f"rectangular header {header}", [header, *body("frx")]) for header in RECTANGULAR_HEADERS]
    for order in ("fpz", "zfp", "zpf", "pfz", "pzf", "npfz"):
        names = {"f": "Frequency (Hz)", "z": "|Z| (Ohm)", "p": "Phase (°)", "n": "No."}
        if "n" in order:
            names["n"] = "Point"
        found.append(file(f"order {order}", [";".join(names[letter] for letter in order), *body(order)]))
    for code in ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "mac-roman", "cp850"):
        found.append(file(f"in {code}", ["Fréquence [Hz];Impédance [ohm];Phase [°]", *body("fzp")], code, end="\r\n"))
    found.append(file("Ω in mac-roman", ["f [Hz];Z [Ω];Phase [°]", *body("fzp")], "mac-roman", end="\r"))
    return found + _numbers() + _units() + _together() + _surroundings() + _doubtful()


def _comma(value: float) -> str:
    return number(value).replace(".", ",")


def _numbers() -> list[Dialect]:
    header, plain = "Frequency (Hz){0}Impedance (Ohm){0}Phase (deg)", "f{0}Z{0}phase"
    found = []
    for said, separator in (
        ("semicolon", ";"),
        ("tab", "\t"),
        ("comma", ","),
        ("bar", "|"),
        ("blanks", "   "),
        ("padded", " ; "),
    ):
        wide = header if separator.strip() or separator == "\t" else plain
        found.append(file(f"points, {said}", [wide.format(separator), *body("fzp", separator)]))
        if separator != ",":
            found.append(file(f"decimal comma, {said}", [wide.format(separator), *body("fzp", separator, _comma)]))
    found += [
        file("quoted decimal commas between commas", [header.format(","), *body("fzp", ",", _comma, '"')]),
        file("quoted names with commas", ['"Frequency, Hz","Impedance, Ohm","Phase, deg"', *body("fzp", ",", _comma, '"')]),
        file("quoted points", ['"f","Z","phase"', *body("fzp", ",", number, '"')]),
        file("quoted, semicolons", ['"f";"Z";"phase"', *body("fzp", ";", _comma, '"')]),
        file("thousands by points", [header.format(";"), *body("fzp", ";", lambda value: grouped(value, ".", ","))]),
        file("thousands by commas", [header.format(";"), *body("fzp", ";", lambda value: grouped(value, ",", "."))]),
        file("thousands by commas, quoted", [header.format(","), *body("fzp", ",", lambda v: grouped(v, ",", "."), '"')]),
        file("thousands by apostrophes", [header.format(";"), *body("fzp", ";", lambda value: grouped(value, "'", "."))]),
        file("thousands by narrow blanks", [header.format("\t"), *body("fzp", "\t", lambda v: grouped(v, "\u202f", ","))]),
        file("thousands by blanks", [header.format(";"), *body("fzp", ";", lambda value: grouped(value, " ", ","))]),
        file("powers of ten", [plain.format(","), *body("fzp", ",", lambda value: f"{value:.8E}")]),
        file("signed powers of ten, tabs", [plain.format("\t"), *body("fzp", "\t", lambda value: f"{value:+.8e}")]),
        file("a minus of typographers", [plain.format(";"), *body("fzp", ";", lambda v: number(v).replace("-", "\u2212"))]),
        file("separators at the end of rows", [plain.format(";"), *body("fzp", end=";")]),
        file("separators at the end of all lines", [plain.format(",") + ",", *body("fzp", ",", end=",")]),
        file("no header, polar", body("fzp", "\t")),
        file("no header, rectangular", body("frx", ",")),
        file("no header, decimal commas", body("fzp", " ", _comma)),
    ]
    return found


def _units() -> list[Dialect]:
    radians, decibel = np.radians(ANGLE), 20.0 * np.log10(SIZE)
    return [
        file("kHz", ["f [kHz];Z [ohm];phase [deg]", *body("fzp", f=F / 1e3)]),
        file("kilohertz and kΩ", ["f (kHz);Z (kΩ);phase (°)", *body("fzp", f=F / 1e3, z=SIZE / 1e3)], must=False),
        file("milliohm", ["f (Hz);Z (mΩ);phase (°)", *body("fzp", z=SIZE * 1e3)]),
        file("milliohm in letters", ["f (Hz);Rs (mOhm);Xs (mOhm)", *body("frx", r=Z.real * 1e3, x=Z.imag * 1e3)]),
        file("radians", ["f [Hz];Z [ohm];phase [rad]", *body("fzp", p=radians)]),
        file("radians in words", ["frequency in Hz;impedance in ohm;phase in radians", *body("fzp", p=radians)]),
        file("French radians", ["fréquence (Hz);impédance (ohm);phase (radians)", *body("fzp", p=radians)]),
        file("milliradians", ["f;Z;phase (mrad)", *body("fzp", p=1e3 * radians)]),
        file("dB re 1 ohm", ["f (Hz);|Z| (dB re 1 Ω);phase (deg)", *body("fzp", z=decibel)]),
        file("dBΩ", ["Frequency (Hz);Magnitude (dBΩ);Phase (°)", *body("fzp", z=decibel)]),
        file("dB of Z", ["f;Z [dB];phase [°]", *body("fzp", z=decibel)]),
        file("dBohm and radians", ["f;|Z|/dBohm;phase/rad", *body("fzp", z=decibel, p=radians)]),
        file("angular frequency", ["ω (rad/s);|Z| (Ω);phase (deg)", *body("fzp", f=2.0 * np.pi * F)]),
        file("phase from 0 to 360", ["f;Z;phase (deg)", *body("fzp", p=ANGLE % 360.0)]),
        file("names above units", ["Frequency;Impedance;Phase", "kHz;Ohm;rad", *body("fzp", f=F / 1e3, p=radians)]),
        file("parts above units", ["Frequenz;R;X", "Hz;Ω;Ω", *body("frx")]),
        file("minus Z''", ["f;Z';-Z''", *body("frx", x=-Z.imag)]),
        file("minus Im", ["f (Hz);Re(Z) (ohm);-Im(Z) (ohm)", *body("frx", x=-Z.imag)]),
    ]


def _together() -> list[Dialect]:
    """Several tellings of the impedance in one row, or both parts in one cell."""
    parts = list(zip(F, Z.real, Z.imag, strict=True))
    five = ["Frequency (Hz)", "Trace θ (deg)", "|Z| (Ohm)", "Rs (Ohm)", "Xs (Ohm)"]

    def cells(form: str, separator: str = ";", header: str = "Frequency (Hz){0}Z (Ohm)") -> list[str]:
        rows = [f"{f:.6f}{separator}" + form.format(r=r, x=x, s="-" if x < 0 else "+", a=abs(x)) for f, r, x in parts]
        return [header.format(separator), *rows]

    return [
        file("five columns", [";".join(five), *body("fpzrx")]),
        file("five columns, tabs", ["\t".join(five), *body("fpzrx", "\t")]),
        file("five columns, decimal commas", ["Frequenz;θ;|Z|;Rs;Xs", *body("fpzrx", ";", _comma)]),
        file("with columns of no use", ["f;Q;Z;phase;coherence", *body("fnzpn")]),
        file("inductance beside it", ["f (Hz);Z (Ohm);phase (deg);Ls (mH)", *body("fzpn")]),
        file("re,im after a tab", cells("{r:.8e},{x:.8e}", "\t")),
        file("(re,im)", cells("({r:.6f},{x:.6f})")),
        file("volts over amperes", cells("{r:.8e},{x:.8e}", "\t", "Freq.{0}V(n001)/I(V1)")),
        file("R+jX", cells("{r:.6f}{s}j{a:.6f}")),
        file("R+iX", cells("{r:.6f}{s}i{a:.6f}")),
        file("R + jX", cells("{r:.6f} {s} j{a:.6f}")),
        file("R+Xj", cells("{r:.6f}{s}{a:.6f}j", ",")),
        file("R+Xi, blanks", cells("{r:.6f}{s}{a:.6f}i", " ", "f{0}Z")),
        file("R+jX, powers of ten", cells("{r:.6E}{s}j{a:.6E}", "\t")),
        file("R+jX, header", cells("{r:.6f}{s}j{a:.6f}", ";", "f [Hz]{0}R+jX [Ohm]")),
        file("R+jX, no header", cells("{r:.6f}{s}j{a:.6f}")[1:]),
        file("R+jX, decimal commas", [row.replace(".", ",") for row in cells("{r:.6f}{s}j{a:.6f}")]),
        file("dB and degrees in one cell", ["Freq.\tZ", *(
            f"{f:.6f}\t({20.0 * np.log10(z):.8f}dB,{p:.6f}°)" for f, z, p in zip(F, SIZE, ANGLE, strict=True)
        )]),
    ]  # fmt: skip


def _surroundings() -> list[Dialect]:
    """What stands above, below and between the rows."""
    header, rows = "Frequency (Hz);Impedance (Ohm);Phase (deg)", body("fzp")
    gap = rows[30].split(";")[0]
    preface = ["Analyser 3", "Date: 2024-05-11 10:33", "Points;90", "Level: 0.5 V", ""]
    return [
        file("preface", [*preface, header, *rows]),
        file("comments", ["# by hand", "# " + header, *rows[:40], "# half time", *rows[40:]]),
        file("stars and header", ["* " + header, *rows]),
        file("footer", [header, *rows, "", "End of measurement"]),
        file("footer with numbers", [header, *rows, "Mean: 11.3 ohm", "Operator: K."]),
        file("empty cells", [header, *rows[:30], f"{gap};;", *rows[31:]]),
        file("empty cell, dash", [header, *rows[:30], f"{gap};-;12.5", *rows[31:]]),
        file("empty frequency", [header, *rows[:30], ";8.1;12.5", *rows[31:]]),
        file("a row twice", [header, *rows[:31], rows[30], *rows[31:]]),
        file("every row twice", [header, *(row for row in rows for _ in range(2))]),
        file("descending", [header, *rows[::-1]]),
        file("blank lines between", [header, *(line for row in rows for line in (row, ""))]),
        file("a column of words", [header + ";status", *(row + ";OK" for row in rows)]),
        file("a column of times", ["time;" + header, *("10:33:22;" + row for row in rows)]),
        file("old end of file", [header, *rows, "\x1a"]),
    ]


def _doubtful() -> list[Dialect]:
    """What a careful reader may refuse by name, and must not misread."""
    radians = np.radians(ANGLE)
    volts = [f"{f:.6f}\t{r / 50:.8e},{x / 50:.8e}" for f, r, x in zip(F, Z.real, Z.imag, strict=True)]
    return [
        file("commas for everything", ["f,Z,phase", *body("fzp", ",", _comma)], must=False),
        file("radians without a word of it", body("fzp", p=radians), must=False),
        file("f, Z, X", ["f;Z;X", *body("fzx")], must=False),
        file("millihenry", ["f (Hz);Z (mH);phase (deg)", *body("fzp")], must=False),
        file("level", ["f (Hz);level (dB);phase (deg)", *body("fzp")], must=False),
        file("dB of nothing", ["f;mag (dB);phase", *body("fzp", z=20.0 * np.log10(SIZE))], must=False),
        file("logarithm of f", ["log10(f);Z;phase (deg)", *body("fzp", f=np.log10(F))], must=False),
        file("normalised", ["f;Z/Re;phase (deg)", *body("fzp", z=SIZE / 6.1)], must=False),
        file("admittance", ["f;|Y|;phase (deg)", *body("fzp", z=1.0 / SIZE, p=-ANGLE)], must=False),
        file("unknown language", ["uno;due;tre", *body("fzp")], must=False),
        file("phase mirrored", ["f;Z;phase (deg)", *body("fzp", p=-ANGLE)], must=False),
        file("five columns that quarrel", ["f;θ;|Z|;Rs;Xs", *body("fpzrx", r=1.3 * Z.real)], must=False),
        file("parallel parts", ["f;Rp;Xp", *body("frx", r=SIZE**2 / Z.real, x=SIZE**2 / Z.imag)], must=False),
        file("magnitude alone", ["f;Z", *body("fz")], must=False),
        file("volts", ["Freq.\tV(n001)", *volts], must=False),
    ]  # fmt: skip
