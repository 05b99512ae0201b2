"""The one registry of parameters: what each is called, in which unit it is kept and shown, and what kind of number it is.

Whatever reads, prints, checks or stores a parameter by its name asks here. Units are SI; a plain number has the unit "1".
"""

from dataclasses import dataclass

PLAIN = "1"
"""Unit of a plain number."""


@dataclass(frozen=True)
class Parameter:
    """One parameter."""

    name: str  # as the trade writes it, and as files name it
    unit: str  # SI unit, "1" for a plain number
    label: str  # what it is, in words
    shown: str = ""  # unit in which the trade speaks of it, "" for a plain number
    factor: float = 1.0  # from the SI value to the shown one
    short: str = ""  # how a table calls it
    level: bool = False  # whether it is in dB, so that it differs by dB and not by percent and may have any sign
    positive: bool = False  # whether a value of zero or less cannot be
    published: bool = False  # whether a datasheet prints it

    @property
    def called(self) -> str:
        """Name in a sentence or a list."""
        return self.short or self.name

    @property
    def heading(self) -> str:
        """Name and shown unit, as a table heads a row or column."""
        return f"{self.called}, {self.shown}" if self.shown and not self.level else self.called


PARAMETERS: dict[str, Parameter] = {
    parameter.name: parameter
    for parameter in (
        Parameter("Re", "ohm", "DC resistance", "Ω", published=True, positive=True),
        Parameter("Znom", "ohm", "rated impedance", "Ω", published=True),
        Parameter("Fs", "Hz", "resonance in free air", "Hz", published=True, positive=True),
        Parameter("Qms", PLAIN, "mechanical Q", published=True, positive=True),
        Parameter("Qes", PLAIN, "electrical Q", published=True, positive=True),
        Parameter("Qts", PLAIN, "total Q", published=True, positive=True),
        Parameter("Vas", "m³", "volume of equal compliance", "l", 1e3, published=True, positive=True),
        Parameter("Mms", "kg", "moving mass, its free-air air load included", "g", 1e3, published=True, positive=True),
        Parameter("Cms", "m/N", "compliance", "mm/N", 1e3, published=True, positive=True),
        Parameter("Rms", "N·s/m", "mechanical resistance", "N·s/m", published=True, positive=True),
        Parameter("Bl", "T·m", "force factor", "T·m", published=True, positive=True),
        Parameter("Le", "H", "voice-coil inductance in series", "mH", 1e3, published=True),
        Parameter("Sd", "m²", "effective area", "cm²", 1e4, published=True, positive=True),
        Parameter("diameter", "m", "effective diameter", "cm", 1e2, published=True),
        Parameter("Xmax", "m", "one-way peak travel", "mm", 1e3, published=True),
        Parameter("Pe", "W", "continuous power", "W", published=True),
        Parameter("Ppeak", "W", "short-term power", "W", published=True),
        Parameter("sensitivity_1W", "dB", "sensitivity, 1 W", "dB", short="SPL 1 W", level=True, published=True),
        Parameter("sensitivity_2V83", "dB", "sensitivity, 2.83 V", "dB", short="SPL 2.83 V", level=True, published=True),
        Parameter("EBP", "Hz", "efficiency bandwidth product, Fs/Qes", "Hz", published=True),
        Parameter("eta0", PLAIN, "reference efficiency", "%", 1e2, short="η0", positive=True),
        Parameter("Le_1kHz", "H", "inductance at 1 kHz", "mH", 1e3, short="Le at 1 kHz"),
        Parameter("Re_20C", "ohm", "DC resistance of the coil at 20 °C", "Ω", short="Re at 20 °C"),
        Parameter("Vas_1013hPa", "m³", "Vas at 1013.25 hPa", "l", 1e3, short="Vas at 1013 hPa"),
        Parameter("Mms_without_air", "kg", "moving mass without its air load", "g", 1e3, short="Mms without air"),
        Parameter("Mms_in_baffle", "kg", "moving mass in an infinite baffle", "g", 1e3, short="Mms in a baffle"),
        Parameter("L2", "H", "inductance of rung 2", "mH", 1e3),
        Parameter("R2", "ohm", "loss resistance of rung 2", "Ω"),
        Parameter("L3", "H", "inductance of rung 3", "mH", 1e3),
        Parameter("R3", "ohm", "loss resistance of rung 3", "Ω"),
        Parameter("K", "ohm·s^n", "magnitude at 1 rad/s", "ohm·s^n"),
        Parameter("n", PLAIN, "exponent, 0.5 to 1"),
        Parameter("Kr", "ohm·s^Xr", "resistive magnitude at 1 rad/s", "ohm·s^Xr"),
        Parameter("Xr", PLAIN, "resistive exponent"),
        Parameter("Kx", "ohm·s^Xx", "reactive magnitude at 1 rad/s", "ohm·s^Xx"),
        Parameter("Xx", PLAIN, "reactive exponent"),
        Parameter("Leb", "H", "inductance outside the iron, in series", "mH", 1e3),
        Parameter("Kss", "ohm·s^0.5", "semi-inductance of the eddy-current path", "ohm·s^0.5"),
        Parameter("Rss", "ohm", "resistance of the shorting path", "Ω"),
        Parameter("creep", PLAIN, "compliance lost per decade, λ"),
        Parameter("Bl_offset", "m", "middle of Bl, outward of rest", "mm", 1e3, short="middle of Bl, outward"),
        Parameter("K_asymmetry", PLAIN, "stiffness inward less outward of mean", "%", 1e2, short="stiffness, in less out"),
        Parameter("order", PLAIN, "order of the fractional damper, 0 to 1"),
        Parameter("QL", PLAIN, "leak Q of the test box"),
        Parameter("QA", PLAIN, "absorption Q of the test box"),
        Parameter("Fp1", "Hz", "resonance of a sprung part of the cone", "Hz", short="sprung part", positive=True),
        Parameter("mp1", PLAIN, "its mass, of the moving mass", "%", 1e2, short="its mass", positive=True),
        Parameter("Qp1", PLAIN, "its Q", short="its Q", positive=True),
        Parameter("Fp2", "Hz", "resonance of a second sprung part", "Hz", short="second sprung part", positive=True),
        Parameter("mp2", PLAIN, "its mass, of the moving mass", "%", 1e2, short="its mass", positive=True),
        Parameter("Qp2", PLAIN, "its Q", short="its Q", positive=True),
        Parameter("Lambda", "N/m", "structural loss, Λ", "N/m"),
    )
}
"""Every parameter by name, in the order in which tables show them."""

PUBLISHED = tuple(name for name, parameter in PARAMETERS.items() if parameter.published)
"""Parameters that a sheet may print."""
LEVELS = tuple(name for name, parameter in PARAMETERS.items() if parameter.level)
"""Parameters in dB."""
BASIC = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
"""Parameters that make a driver, but for the terms of its coil and suspension; the first four from free air alone."""
MEASURED = (*BASIC[:4], "Qts", "Vas", "Mms", "Cms", "Rms", "Bl", "Sd")
"""Parameters that a fit tells of any driver, whatever its coil."""
