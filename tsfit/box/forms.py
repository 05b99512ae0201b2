"""What JSON holds of a box: planned, proposed, finished, or cut out of boards.

Units stand in the names. Curves are arrays (n_freq,); what a box has not is None. The page and the plots take these
records, so that they draw the same from a result as from its file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import ClassVar

from tsfit.base.arrays import Complex, Read
from tsfit.base.notes import QualityNote
from tsfit.box.design.alignments import Alignment
from tsfit.box.design.proposal import Proposal
from tsfit.box.design.search import Limits
from tsfit.box.limits import Ratings
from tsfit.box.panels import CAUTIONS, Cabinet
from tsfit.box.result import Bands, BoxResult
from tsfit.box.room import CAUTION, Room
from tsfit.box.told import LITRE
from tsfit.box.uncertainty import Sensitivity
from tsfit.box.verify.findings import BuiltBox
from tsfit.box.verify.findings import Comparison as Held
from tsfit.driver.fit_result import Estimate


@dataclass(frozen=True)
class RoomForm:
    """A room's gain, and the level of a box in it."""

    longest_side_m: float
    lowest_mode_hz: float
    cap_db: float
    gain_db: Read
    spl_db: Read
    caution: str


@dataclass(frozen=True, kw_only=True)
class BoxForm:
    """A box with its curves and design numbers."""

    KIND: ClassVar = "box"

    enclosure: str
    driver: str
    drivers: int = 1
    drive_v: float
    source_ohm: float = 0.0
    air_load: str = ""
    losses: dict[str, float | None] = field(default_factory=dict)
    ratings: Ratings | None = None
    frequency_hz: Read
    spl_db: Read
    phase_deg: Read
    excursion_mm: Read
    impedance_ohm: Read
    impedance_deg: Read
    group_delay_ms: Read
    port_speed_m_s: Read | None = None
    radiator_excursion_mm: Read | None = None
    max_spl_db: Read | None = None
    max_voltage_v: Read | None = None
    limited_by: tuple[str, ...] | None = None
    max_peak_spl_db: Read | None = None
    peak_limited_by: tuple[str, ...] | None = None
    design: dict[str, float | None]
    bands: Bands | None = None
    room: RoomForm | None = None
    notes: tuple[QualityNote, ...] = ()


def box_form(result: BoxResult) -> BoxForm:
    """Return the form of a box."""
    maximum, peak, curves = result.maximum, result.peak, result.curves
    return BoxForm(
        enclosure=result.enclosure.kind,
        driver=result.enclosure.driver.name,
        drivers=result.enclosure.count,
        drive_v=result.enclosure.voltage,
        source_ohm=result.enclosure.source_ohm,
        air_load=result.air_load,
        losses={name: None if math.isinf(q) else q for name, q in result.losses.items()},
        ratings=result.ratings,
        **{one.name: getattr(curves, one.name) for one in fields(curves)},
        max_spl_db=None if maximum is None else maximum.spl_db,
        max_voltage_v=None if maximum is None else maximum.voltage_v,
        limited_by=None if maximum is None else tuple(maximum.limited_by.tolist()),
        max_peak_spl_db=None if peak is None else peak.spl_db,
        peak_limited_by=None if peak is None else tuple(peak.limited_by.tolist()),
        design=result.numbers(),
        bands=result.bands,
        room=None if result.room is None else _room(result.room, result),
        notes=result.notes,
    )


def _room(room: Room, result: BoxResult) -> RoomForm:
    gain = room.gain_db(result.curves.frequency_hz)
    level = result.curves.spl_db + gain
    return RoomForm(room.longest_side_m, room.lowest_mode_hz, room.cap_db, gain, level, CAUTION)


@dataclass(frozen=True)
class ProposalForm:
    """A proposed box, and how much careless building moves it."""

    KIND: ClassVar = "proposal"

    asked: str
    others: tuple[str, ...]
    alignment: Alignment | None
    limits: Limits | None
    sensitivity: Sensitivity
    box: BoxForm


def proposal_form(proposal: Proposal) -> ProposalForm:
    """Return the form of a proposal."""
    limits = None if proposal.search is None else proposal.search.limits
    box = box_form(proposal.result)
    return ProposalForm(proposal.asked, proposal.others, proposal.alignment, limits, proposal.sensitivity, box)


@dataclass(frozen=True)
class Parts:
    """A complex curve (n,)."""

    real: Read
    imag: Read

    @property
    def complex(self) -> Complex:
        """The curve itself."""
        return self.real + 1j * self.imag


@dataclass(frozen=True)
class BuiltCurve:
    """Impedance of a finished box as measured, as fitted and as planned, ohm."""

    frequency_hz: Read
    measured_ohm: Parts
    fitted_ohm: Parts
    planned_ohm: Parts


@dataclass(frozen=True)
class BuiltBoxForm:
    """A finished box held against its plan, SI."""

    KIND: ClassVar = "built box"

    driver: str
    enclosure: str
    built: dict[str, Estimate]
    planned: dict[str, float]
    comparisons: tuple[Held, ...]
    leak: bool
    misfit: float
    advice: tuple[str, ...]
    notes: tuple[QualityNote, ...]
    curve: BuiltCurve


def built_box_form(built: BuiltBox) -> BuiltBoxForm:
    """Return the form of a finished box."""
    curves = (built.curve.impedance_ohm, built.fitted_ohm, built.planned_ohm)
    measured, fitted, planned = (Parts(one[built.used].real, one[built.used].imag) for one in curves)
    return BuiltBoxForm(
        built.name, built.kind, dict(built.numbers), dict(built.planned), built.comparisons, built.leak, built.misfit,
        built.advice, built.notes, BuiltCurve(built.curve.frequency_hz[built.used], measured, fitted, planned),
    )  # fmt: skip


@dataclass(frozen=True)
class Board:
    """So many equal boards, with a round cutout in the middle if any."""

    name: str
    count: int
    length_mm: float
    width_mm: float
    cutout_mm: float | None


@dataclass(frozen=True)
class Laid:
    """A board on a sheet: its lower left corner and its size there."""

    panel: str
    sheet: int
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    turned: bool = False


@dataclass(frozen=True, kw_only=True)
class BoardsForm:
    """A box as a cut list; width, height and depth of it, and where each board lies."""

    KIND: ClassVar = "boards"

    net_volume_l: float
    gross_volume_l: float
    inside_mm: tuple[float, float, float]
    outside_mm: tuple[float, float, float]
    thickness_mm: float
    panels: tuple[Board, ...]
    sheet_mm: tuple[float, float]
    sheets: int
    kerf_mm: float
    layout: tuple[Laid, ...]
    waste: float
    weight_kg: float
    cautions: tuple[str, ...]


def boards_form(cabinet: Cabinet) -> BoardsForm:
    """Return the form of a cut list."""
    width, height, depth = (1e3 * side for side in cabinet.inside)
    whole_width, whole_height, whole_depth = (1e3 * side for side in cabinet.outside)
    boards = tuple(
        Board(one.name, one.count, 1e3 * one.length, 1e3 * one.width, None if one.cutout is None else 1e3 * one.cutout)
        for one in cabinet.panels
    )
    laid = tuple(
        Laid(one.panel.name, one.sheet + 1, 1e3 * one.x, 1e3 * one.y, 1e3 * one.length, 1e3 * one.width, one.turned)
        for one in cabinet.placed
    )
    return BoardsForm(
        net_volume_l=cabinet.net / LITRE,
        gross_volume_l=cabinet.gross / LITRE,
        inside_mm=(width, height, depth),
        outside_mm=(whole_width, whole_height, whole_depth),
        thickness_mm=1e3 * cabinet.thickness,
        panels=boards,
        sheet_mm=(1e3 * cabinet.sheet[0], 1e3 * cabinet.sheet[1]),
        sheets=cabinet.sheets,
        kerf_mm=1e3 * cabinet.kerf,
        layout=laid,
        waste=cabinet.waste,
        weight_kg=cabinet.weight,
        cautions=CAUTIONS,
    )
