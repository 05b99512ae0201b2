"""Finished cabinets of known truth: their impedance from Newton's and Kirchhoff's laws, without the package's circuit."""

import math
import os
from dataclasses import dataclass, field, replace

import numpy as np

from helpers.boxes import box_plan
from helpers.made_cabinets import FIT, PORT
from tsfit.box.verify.verify import verify
from tsfit.driver.curve import ImpedanceCurve

TRIALS = int(os.environ.get("TSFIT_CABINETS", "0"))
EACH = TRIALS // 4 or 5
"""Cabinets drawn of each kind."""
FREQUENCY = np.geomspace(8.0, 2000.0, 300)
AIR = FIT.driver.air
STIFFNESS, DENSITY = float(AIR.stiffness), float(AIR.density)
COPPER = 0.00393
GRAMS, AREA, FP, QMS = 0.067, 0.022, 22.0, 8.0
"""A passive radiator: its mass with what is added, area, and with 60 g its resonance and mechanical Q."""
PLANS = {
    "closed": box_plan("closed", volume=0.02),
    "vented": box_plan("vented", volume=0.045, tuning=33.0, port=PORT),
    "passive": box_plan(
        "passive", volume=0.030, radiator_mass=0.06, radiator_area=AREA, radiator_fs=FP, radiator_qms=QMS, added_mass=0.007
    ),
    "bandpass": box_plan("bandpass", rear_volume=0.02, front_volume=0.015, tuning=55.0, port=PORT),
}


@dataclass(frozen=True)
class Cabinet:
    """What was built, SI; losses as Q, infinite for none, at `at` Hz where there is no port."""

    kind: str
    volume: float
    fb: float | None = None  # of a closed box: of a hole
    leak_q: float = math.inf
    absorption_q: float = math.inf
    port_q: float = math.inf
    front_volume: float | None = None
    rear_leak_q: float = math.inf
    rear_absorption_q: float = math.inf
    radiator_mass: float = GRAMS
    radiator_fs: float = FP
    lead_ohm: float = 0.0
    warmer_k: float = 0.0
    air_load: float = 0.8  # share of the baffle's
    driver: dict[str, float] = field(default_factory=lambda: dict(FIT.driver.values()))

    @property
    def fc(self):
        """Resonance of the driver with the closed volume behind it, without air load."""
        d = self.driver
        spring = 1.0 / d["Cms"] + STIFFNESS * d["Sd"] ** 2 / self.volume
        return math.sqrt(spring / d["Mms"]) / (2.0 * math.pi)

    @property
    def radiator(self):
        """Compliance and resistance of the radiator, mechanical."""
        spring = 1.0 / ((2.0 * math.pi * self.radiator_fs) ** 2 * 0.060)
        return spring, math.sqrt(0.060 / spring) / QMS

    @property
    def tuning(self):
        """What the port or radiator tunes the box to, Hz."""
        if self.kind != "passive":
            return self.fb
        stiff = STIFFNESS * AREA**2 / self.volume + 1.0 / self.radiator[0]
        return math.sqrt(stiff / self.radiator_mass) / (2.0 * math.pi)

    def _chamber(self, s, volume, at, leak_q, absorption_q, outlet):
        """Acoustic impedance of a chamber whose losses hold at `at`, with what lies beside its air."""
        w, air = 2.0 * math.pi * at, volume / STIFFNESS
        flow = 1.0 / (1.0 / (w * air * absorption_q) + 1.0 / (s * air)) + w * air / leak_q
        return 1.0 / (flow + (0.0 if outlet is None else 1.0 / outlet))

    def impedance(self, f=FREQUENCY):
        """Impedance at the terminals, ohm."""
        d, s = self.driver, 2j * math.pi * f
        front = outlet = None
        if self.kind == "passive":
            spring, rubbing = self.radiator
            outlet = (s * self.radiator_mass + rubbing + 1.0 / (s * spring)) / AREA**2
        elif self.fb is not None:
            w = 2.0 * math.pi * self.fb
            mass = STIFFNESS / (w**2 * (self.front_volume or self.volume))
            outlet = s * mass + w * mass / self.port_q
        if self.kind == "bandpass":
            rear = self._chamber(s, self.volume, self.fc, self.rear_leak_q, self.rear_absorption_q, None)
            front = self._chamber(s, self.front_volume, self.fb, self.leak_q, self.absorption_q, outlet)
        else:
            at = self.fc if outlet is None else self.tuning
            rear = self._chamber(s, self.volume, at, self.leak_q, self.absorption_q, outlet)
        moved = d["Mms"] + self.air_load * 8.0 / 3.0 * DENSITY * (d["Sd"] / math.pi) ** 1.5
        zm = s * moved + d["Rms"] + 1.0 / (s * d["Cms"]) + d["Sd"] ** 2 * (rear + (0.0 if front is None else front))
        coil = s * d["Le"] + 1.0 / (1.0 / (s * d["L2"]) + 1.0 / d["R2"])
        return d["Re"] * (1.0 + COPPER * self.warmer_k) + self.lead_ohm + coil + d["Bl"] ** 2 / zm

    def curve(self, generator=None, noise=0.002):
        """A measured curve, each point off by `noise` of |Z|."""
        z = self.impedance()
        if generator is not None:
            parts = generator.normal(size=(2, z.size)) / math.sqrt(2.0)
            z = z + noise * np.abs(z) * (parts[0] + 1j * parts[1])
        return ImpedanceCurve(FREQUENCY, z, source="cabinet.txt")


def drawn_driver(generator):
    """Circuit values of a driver within the fit, whose parameters are independent."""
    p = {}
    for name in FIT.correlation_names:
        told = FIT.parameters[name]
        p[name] = told.value * math.exp(generator.normal() * told.stdev / told.value)
    w = 2.0 * math.pi * p["Fs"]
    cms = 1.0 / (w**2 * p["Mms"])
    return {
        **{name: p[name] for name in ("Re", "Mms", "Sd", "Le", "L2", "R2")},
        "Cms": cms,
        "Rms": w * p["Mms"] / p["Qms"],
        "Bl": math.sqrt(w * p["Mms"] * p["Re"] / p["Qes"]),
    }


def drawn_cabinet(kind, generator):
    """One of `kind`: volumes within 15 %, tuning 8 %, leads to 0.3 ohm, coil to +40 K, all losses of a sound box."""
    uniform = generator.uniform
    volumes = {"closed": 0.02, "vented": 0.045, "passive": 0.030, "bandpass": 0.02}
    leaks = (60.0, 200.0) if kind == "closed" else (7.0, 20.0)
    losses = {"leak_q": uniform(*leaks), "absorption_q": uniform(15.0, 80.0)}
    built = Cabinet(
        kind,
        volumes[kind] * uniform(0.85, 1.15),
        **losses,
        lead_ohm=uniform(0.0, 0.3),
        warmer_k=uniform(0.0, 40.0),
        air_load=uniform(0.4, 1.2),
        driver=drawn_driver(generator),
        port_q=uniform(20.0, 100.0),
    )
    if kind == "vented":
        return replace(built, fb=33.0 * uniform(0.92, 1.08))
    if kind == "passive":
        return replace(built, radiator_mass=GRAMS * uniform(0.85, 1.15), radiator_fs=FP * uniform(0.9, 1.1))
    if kind == "bandpass":
        return replace(
            built,
            fb=55.0 * uniform(0.92, 1.08),
            front_volume=0.015 * uniform(0.85, 1.15),
            rear_leak_q=uniform(60.0, 200.0),
            rear_absorption_q=uniform(15.0, 80.0),
        )
    return built


def found_of(built, generator=None, noise=0.002, **stated):
    """What is found of a cabinet whose driver was fitted on the bench."""
    return verify(built.curve(generator, noise), PLANS[built.kind], FIT.driver, FIT, **stated)
