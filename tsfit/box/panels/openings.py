"""Where openings and braces go: each clear of the walls and of the others, or a sentence on what is in the way.

Places are in m from the left and lower edge of the outside of the board, as seen from there.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.box.panels.plan import CabinetPlan, Sides

GAP = 0.01
"""Wood that is left between openings, walls and braces, m (common practice, no source)."""


@dataclass(frozen=True)
class Hole:
    """An opening in a board, m: its middle, and its diameter or its width and height."""

    what: str
    x: float
    y: float
    width: float
    height: float
    round: bool = True

    @property
    def area(self) -> float:
        """Board that is cut away, m²."""
        return self.width * self.height * (math.pi / 4.0 if self.round else 1.0)

    def clears(self, other: "Hole") -> bool:
        """Whether enough wood is left between them."""
        if self.round and other.round:
            return math.hypot(self.x - other.x, self.y - other.y) >= 0.5 * (self.width + other.width) + GAP - 1e-9
        across = abs(self.x - other.x) - 0.5 * (self.width + other.width)
        return max(across, abs(self.y - other.y) - 0.5 * (self.height + other.height)) >= GAP - 1e-9


@dataclass(frozen=True)
class Slots:
    """Slots side by side made of board: walls between them, and beside them where the box is wider; m."""

    count: int
    width: float  # of one
    height: float
    length: float  # inside, from behind the front
    board: float
    beside: bool
    floor: float  # of their air, above the inner lower wall: none, or what is left below and a board

    @property
    def across(self) -> float:
        """Width over all boards."""
        return self.count * self.width + (self.count - 1 + 2 * self.beside) * self.board

    @property
    def top(self) -> float:
        """Upper side of the board above the slots."""
        return self.floor + self.height + self.board

    @property
    def solid(self) -> float:
        """Volume that boards and port air take of the inside, m³."""
        return self.across * (self.height + self.board * (2 if self.floor else 1)) * self.length


def slots(plan: CabinetPlan, inside: Sides) -> Slots | None:
    """Return the slots of the port in that box; None without. Raises ``wrong_value`` when they are wider than it is."""
    if plan.tube is None or plan.tube.port.diameter is not None:
        return None
    port, board = plan.tube.port, plan.thickness
    width, height = port.slot
    bare = port.count * width + (port.count - 1) * board
    beside = bare < inside[0] - 0.0005
    length = max(plan.tube.length - plan.front, 0.0)
    found = Slots(port.count, width, height, length, board, beside, 0.0 if port.on_wall else max(height, 2.0 * GAP) + board)
    if found.across > inside[0] + 0.0005:
        raise TsfitError(
            f"port: {port.count} slots with their boards are {1e3 * found.across:.0f} mm wide, the box inside "
            f"{1e3 * inside[0]:.0f} mm; give it --width-mm, or take a narrower slot.",
            code="wrong_value",
        )
    return found


def front_openings(plan: CabinetPlan, inside: Sides, made: Slots | None, *, reserve: bool = False) -> tuple[Hole, ...]:
    """Return the openings of the front, with room for the braces in `reserve`.
    Raises ``wrong_value`` when they do not fit or overlap.
    """
    wall, low = plan.thickness, 0.0
    found = []
    if made is not None:
        left = wall + 0.5 * (inside[0] - made.across) + made.beside * made.board
        for number in range(made.count):
            x, y = left + number * (made.width + made.board) + 0.5 * made.width, wall + made.floor + 0.5 * made.height
            found.append(Hole("port", x, y, made.width, made.height, round=False))
        low = made.top
    groups = [("radiator", plan.radiators, plan.radiator_cutout, ()), ("driver", plan.drivers, plan.cutout, plan.cutout_at)]
    if plan.tube is not None and plan.tube.port.diameter is not None:
        port = plan.tube.port
        across = plan.tube.port.diameter + 2.0 * max(port.flare, port.wall)
        groups.insert(0, ("port", port.count, across, plan.port_at))
    for what, _, size, places in groups:
        if size is not None:
            found += [Hole(what, x, y, size, size) for x, y in places]
    free = [(what, count, size) for what, count, size, places in groups if count and size is not None and not places]
    reserved = [wall + GAP] * plan.braces if reserve else []
    found += _stacked(free, inside, wall, low, reserved, low_down=plan.cutout is None)
    _check(found, inside, wall, "front")
    if made is not None and any(cut.what != "port" and cut.y - 0.5 * cut.height < wall + made.top + GAP for cut in found):
        raise TsfitError("cutout: it lies where the slot's boards are; place it higher.", code="wrong_value")
    return tuple(found)


def _stacked(
    groups: list[tuple[str, int, float]], inside: Sides, wall: float, low: float, reserve: list[float], *, low_down: bool
) -> list[Hole]:
    """Rows of equal openings one above the other, evenly in what is free: ports side by side, others with as few in a row
    as the height asks for. `reserve` is kept free, gap by gap. `low_down` leaves the most above them, for a driver.
    """
    w, h = inside[0], inside[1] - low
    beside = {what: max(int((w - GAP) / (size + GAP)), 1) for what, _, size in groups}
    for columns in range(1, max((count for _, count, _ in groups), default=1) + 1):
        many = {what: beside[what] if what == "port" else min(columns, beside[what]) for what, _, _ in groups}
        rows = [
            (what, min(many[what], count - k), size) for what, count, size in groups for k in range(0, count, many[what])
        ]
        gaps = [0.0] * (len(rows) + 1)
        for number, each in enumerate(reserve):
            # The middle of the box needs a brace first.
            gaps[sorted(range(len(gaps)), key=lambda gap: abs(gap - 0.5 * len(rows)))[number % len(gaps)]] += each
        spare = h - GAP - sum(gaps) - sum(size + GAP for _, _, size in rows)
        if spare >= -1e-9:
            break
    else:
        sizes = " and ".join(f"{count} x {1e3 * size:.0f} mm" for _, count, size in groups)
        raise TsfitError(
            f"cutout: openings of {sizes} do not fit into the {1e3 * w:.0f} x {1e3 * h:.0f} mm that are free inside"
            f"{' beside the braces' if reserve else ''}; give the box --height-mm or --width-mm, or tell their places.",
            code="wrong_value",
        )
    y, found, each = wall + low + 0.5 * GAP, list[Hole](), spare / len(gaps)
    if low_down and rows:
        each = min(each, 0.5 * min(size for *_, size in rows))
    for (what, count, size), gap in zip(rows, gaps, strict=False):
        y += gap + each + 0.5 * (size + GAP)
        found += [Hole(what, wall + w * (k + 0.5) / count, y, size, size) for k in range(count)]
        y += 0.5 * (size + GAP)
    return found


def back_openings(plan: CabinetPlan, inside: Sides, opposite: tuple[Hole, ...] = ()) -> tuple[Hole, ...]:
    """Return the opening of the terminal cup, if any: in the lower part of the back, or at the height of a driver that is
    `opposite`, where no brace can be. Raises ``wrong_value``.
    """
    if plan.terminal is None:
        return ()
    size = plan.terminal
    usual = plan.thickness + max(0.2 * inside[1], 0.5 * size + GAP)
    low = min((hole.y for hole in opposite if hole.what == "driver" and hole.height >= size), default=usual)
    x, y = plan.terminal_at or (plan.thickness + 0.5 * inside[0], low)
    found = [Hole("terminal", x, y, size, size)]
    _check(found, inside, plan.thickness, "back")
    return tuple(found)


def _check(cuts: list[Hole], inside: Sides, wall: float, board: str) -> None:
    """Refuse openings that reach into the walls or into each other, naming them."""
    for cut in cuts:
        margin = 0.0 if not cut.round else GAP - 1e-9
        least_x, least_y = 0.5 * cut.width + wall + margin, 0.5 * cut.height + wall + margin
        if not (least_x <= cut.x <= 2 * wall + inside[0] - least_x and least_y <= cut.y <= 2 * wall + inside[1] - least_y):
            raise TsfitError(
                f"cutout: the opening of {1e3 * cut.width:.0f} mm for the {cut.what} at {1e3 * cut.x:.0f}, "
                f"{1e3 * cut.y:.0f} mm reaches into the walls of a {board} of {1e3 * (inside[0] + 2 * wall):.0f} x "
                f"{1e3 * (inside[1] + 2 * wall):.0f} mm; move it, or take another width or height.",
                code="wrong_value",
            )
    for one, other in itertools.combinations(cuts, 2):
        if not one.clears(other) and (one.round or other.round):
            raise TsfitError(
                f"cutout: {one.what} and {other.what} at {1e3 * one.x:.0f}, {1e3 * one.y:.0f} and {1e3 * other.x:.0f}, "
                f"{1e3 * other.y:.0f} mm leave no wood between them; move one.",
                code="wrong_value",
            )


def brace_heights(plan: CabinetPlan, inside: Sides, cuts: tuple[Hole, ...], made: Slots | None) -> tuple[float, ...]:
    """Return where the lower side of each brace is above the inner lower wall, m: as evenly as openings leave room.
    Raises ``wrong_value`` when so many do not fit.
    """
    if not plan.braces:
        return ()
    t, h = plan.thickness, inside[1]
    at = np.arange(GAP, h - GAP - t + 1e-9, 1e-3)
    taken = [(cut.y - plan.thickness - 0.5 * cut.height, cut.y - plan.thickness + 0.5 * cut.height) for cut in cuts]
    taken += [(0.0, made.top)] if made is not None else []
    for low, high in taken:
        at = at[(at + t + GAP <= low) | (at >= high + GAP)]
    even = h * np.arange(1, plan.braces + 1) / (plan.braces + 1) - 0.5 * t
    for wanted in (even, np.zeros(plan.braces)):
        found, free = list[float](), at
        for height in wanted:
            if not len(free):
                break
            found.append(float(free[np.argmin(np.abs(free - height))]))
            free = free[free >= found[-1] + t + GAP - 1e-9]
        if len(found) == plan.braces:
            return tuple(found)
    raise TsfitError(
        f"braces: {plan.braces} do not fit into {1e3 * h:.0f} mm of inner height beside the openings; take fewer, thinner "
        "board, or another height.",
        code="wrong_value",
    )


def brace_window(plan: CabinetPlan, inside: Sides) -> Hole:
    """Return the window in the middle of a brace, with as much wood on each side. Raises ``wrong_value`` for too little."""
    w, d = inside[0], inside[2]
    frame = 0.25 * (w + d - math.sqrt((w - d) ** 2 + 4.0 * plan.brace_open * w * d))
    if frame < GAP:
        raise TsfitError(
            f"open share of a brace: {plan.brace_open:.0%} leave {1e3 * frame:.1f} mm of wood around it; take less.",
            code="wrong_value",
        )
    return Hole("window", 0.5 * d, 0.5 * w, d - 2.0 * frame, w - 2.0 * frame, round=False)
