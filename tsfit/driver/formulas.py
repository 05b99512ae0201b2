"""Every Thiele-Small formula: the values that the trade prints, and the physical ones behind them.

All SI. Formulas: Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5), 1972. They accept floats and arrays
that broadcast. The T/S set (Re, Fs, Qms, Qes) is what one free-air sweep can tell; Mms and Sd complete it.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tsfit.base.arrays import Number
from tsfit.driver.air import REFERENCE_AIR, Air

Wiring = Literal["series", "parallel", "one coil"]
"""How the two coils of a driver are wired."""

REFERENCE_PRESSURE = 20e-6

COIL_COUPLING = 0.85
"""Coupling of two coils on one former where none was measured, between side by side and wound together (common practice, no
source)."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper at 20 °C, 1/K (IEC 60028)."""


def over_20c(celsius: float, per_k: float = COPPER_PER_K) -> float:
    """Resistance of a coil at a temperature over that at 20 °C; `per_k` is its coefficient there, 1/K."""
    return 1.0 + per_k * (celsius - 20.0)


COLDEST_COIL, HOTTEST_COIL = -40.0, 300.0
"""Coil (°C) that is taken from a file or an option: its glue ends there (common practice, no source)."""


def compliance(fs: Number, mms: Number) -> Number:
    """Cms = 1/((2π Fs)² Mms), m/N; also Mms from Cms, kg, by symmetry."""
    return 1.0 / ((2.0 * math.pi * fs) ** 2 * mms)


def resonance(mms: Number, cms: Number) -> Number:
    """Fs = 1/(2π √(Mms Cms)), Hz."""
    return 1.0 / (2.0 * math.pi * np.sqrt(mms * cms))


def mechanical_resistance(fs: Number, mms: Number, qms: Number) -> Number:
    """Rms = ωs Mms/Qms, N·s/m; also Qms from Rms, by symmetry."""
    return 2.0 * math.pi * fs * mms / qms


def force_factor(fs: Number, mms: Number, re: Number, qes: Number) -> Number:
    """Bl = √(ωs Mms Re/Qes), T·m."""
    return np.sqrt(2.0 * math.pi * fs * mms * re / qes)


def electrical_q(fs: Number, mms: Number, re: Number, bl: Number) -> Number:
    """Qes = ωs Mms Re/Bl²."""
    return 2.0 * math.pi * fs * mms * re / bl**2


def total_q(qms: Number, qes: Number) -> Number:
    """Qts = Qms Qes/(Qms + Qes)."""
    return qms * qes / (qms + qes)


def braked_q(values: Mapping[str, Number], source_ohm: Number = 0.0) -> Number:
    """Qts of circuit values behind a source resistance, which weakens the braking: √(Mms/Cms)/(Rms + Bl²/(Re + Rg))."""
    braking = values["Bl"] ** 2 / (values["Re"] + source_ohm)
    return np.sqrt(values["Mms"] / values["Cms"]) / (values["Rms"] + braking)


def other_q(qts: Number, q: Number) -> Number:
    """Qms from Qts and Qes, or Qes from Qts and Qms."""
    return qts * q / (q - qts)


def equivalent_volume(cms: Number, sd: Number, air: Air = REFERENCE_AIR) -> Number:
    """Vas = ρc² Sd² Cms, m³, in the stated air."""
    return air.stiffness * sd**2 * cms


def efficiency(fs: Number, vas: Number, qes: Number, air: Air = REFERENCE_AIR) -> Number:
    """Reference efficiency η0 = (4π²/c³) Fs³ Vas/Qes (half space)."""
    return 4.0 * math.pi**2 / air.sound_speed**3 * fs**3 * vas / qes


def sensitivity_1w(eta0: Number, air: Air = REFERENCE_AIR) -> Number:
    """Level in dB at 1 W into Re, 1 m, half space: 10·lg(η0 ρc/(2π pref²))."""
    return 10.0 * np.log10(eta0 * air.density * air.sound_speed / (2.0 * math.pi * REFERENCE_PRESSURE**2))


def sensitivity_2v83(eta0: Number, re: Number, air: Air = REFERENCE_AIR) -> Number:
    """Level in dB at 2.83 V (√8 V), 1 m, half space: the 1 W level plus 10·lg(8/Re)."""
    return sensitivity_1w(eta0, air) + 10.0 * np.log10(8.0 / re)


def closed_box_volume(vas: Number, qts: Number, qtc: Number) -> Number:
    """Net volume, m³, in which the lossless closed box has Qtc = Qts √(1 + Vas/Vb)."""
    return vas / ((qtc / qts) ** 2 - 1.0)


def closed_box_ratio(vas: Number, volume: Number) -> Number:
    """√(1 + Vas/Vb) = fc/Fs = Qtc/Qts of the lossless closed box."""
    return np.sqrt(1.0 + vas / volume)


def circuit_values(parameters: Mapping[str, Number]) -> dict[str, Number]:
    """Return `parameters` with Bl, Cms and Rms in place of Fs, Qms and Qes, as the circuit asks for them."""
    rest = {name: value for name, value in parameters.items() if name not in ("Fs", "Qms", "Qes")}
    fs, mms = parameters["Fs"], parameters["Mms"]
    return rest | {
        "Bl": force_factor(fs, mms, parameters["Re"], parameters["Qes"]),
        "Cms": compliance(fs, mms),
        "Rms": mechanical_resistance(fs, mms, parameters["Qms"]),
    }


def wiring_factors(wiring: str | None, coupling: Number = 1.0) -> tuple[float, float, Number]:
    """Factors on Re, on Bl and on the blocked impedance when two equal coils on one former are wired, against one of them.

    In series 2, 2 and 2(1 + k); in parallel 1/2, 1 and (1 + k)/2; one coil alone, or a driver that has no second: 1, 1, 1.

    `coupling` k is the share of the flux, and of the eddy currents it drives, that the coils have in common: the mutual
    impedance over that of one coil. With k = 1 series has four times the inductance of one coil and parallel the same; with
    k = 0 twice and half. Mutual inductance of coupled coils: any text on circuits. One k for all terms of a coil model is
    an assumption, good as far as both coils see the same iron.
    """
    if wiring == "series":
        return 2.0, 2.0, 2.0 * (1.0 + coupling)
    if wiring == "parallel":
        return 0.5, 1.0, 0.5 * (1.0 + coupling)
    return 1.0, 1.0, 1.0


@dataclass(frozen=True)
class Relation:
    """One formula that gives one parameter from those it needs."""

    gives: str
    needs: tuple[str, ...]
    formula: Callable[..., Number]


RELATIONS: tuple[Relation, ...] = (
    Relation("Sd", ("diameter",), lambda d: math.pi / 4.0 * d**2),
    Relation("Fs", ("Mms", "Cms"), resonance),
    Relation("Cms", ("Fs", "Mms"), compliance),
    Relation("Mms", ("Fs", "Cms"), compliance),
    Relation("Cms", ("Vas", "Sd"), lambda vas, sd: vas / (REFERENCE_AIR.stiffness * sd**2)),
    Relation("Qts", ("Qms", "Qes"), total_q),
    Relation("Qes", ("Fs", "Mms", "Re", "Bl"), electrical_q),
    Relation("Qms", ("Fs", "Mms", "Rms"), mechanical_resistance),
    Relation("Qes", ("Qts", "Qms"), other_q),
    Relation("Qms", ("Qts", "Qes"), other_q),
    Relation("Mms", ("Fs", "Re", "Qes", "Bl"), lambda fs, re, qes, bl: qes * bl**2 / (2.0 * math.pi * fs * re)),
    Relation("Rms", ("Fs", "Mms", "Qms"), mechanical_resistance),
    Relation("Bl", ("Fs", "Mms", "Re", "Qes"), force_factor),
    Relation("Sd", ("Vas", "Cms"), lambda vas, cms: np.sqrt(vas / (REFERENCE_AIR.stiffness * cms))),
    Relation("Vas", ("Cms", "Sd"), equivalent_volume),
    Relation("eta0", ("Fs", "Vas", "Qes"), efficiency),
    Relation("sensitivity_1W", ("eta0",), sensitivity_1w),
    Relation("sensitivity_2V83", ("eta0", "Re"), sensitivity_2v83),
    Relation("EBP", ("Fs", "Qes"), lambda fs, qes: fs / qes),
)
"""Everything a datasheet prints that follows from something else it prints, at reference air."""

DETOURS: tuple[Relation, ...] = (
    Relation("Qms", ("Qts", "Rms", "Re", "Bl"), lambda qts, rms, re, bl: qts * (1.0 + bl**2 / (re * rms))),
    Relation("Mms", ("Fs", "Rms", "Qms"), lambda fs, rms, qms: rms * qms / (2.0 * math.pi * fs)),
    Relation("Fs", ("Mms", "Rms", "Qms"), lambda mms, rms, qms: rms * qms / (2.0 * math.pi * mms)),
    Relation("Fs", ("Cms", "Rms", "Qms"), lambda cms, rms, qms: 1.0 / (2.0 * math.pi * cms * rms * qms)),
    Relation("Fs", ("Mms", "Re", "Qes", "Bl"), lambda mms, re, qes, bl: qes * bl**2 / (2.0 * math.pi * re * mms)),
    Relation("Fs", ("Cms", "Re", "Qes", "Bl"), lambda cms, re, qes, bl: re / (2.0 * math.pi * cms * qes * bl**2)),
    Relation("Re", ("Fs", "Mms", "Qes", "Bl"), lambda fs, mms, qes, bl: qes * bl**2 / (2.0 * math.pi * fs * mms)),
)
"""The same formulas solved for what is seldom missing; tried only where `RELATIONS` lead no further."""


def _extend(known: dict[str, Number], relations: tuple[Relation, ...]) -> bool:
    """Add what `relations` give in one pass; tell whether they gave anything."""
    before = len(known)
    for relation in relations:
        if relation.gives not in known and known.keys() >= set(relation.needs):
            known[relation.gives] = relation.formula(*(known[name] for name in relation.needs))
    return len(known) > before


def complete(parameters: Mapping[str, Number]) -> dict[str, Number]:
    """Return `parameters` (SI values by name) with all that the relations can add; given values are kept as they are.

    Any six independent ones of Re, Fs, Qms, Qes, Qts, Vas, Mms, Cms, Rms, Bl and Sd give the rest.
    """
    known = dict(parameters)
    while _extend(known, RELATIONS) or _extend(known, DETOURS):
        pass
    return known
