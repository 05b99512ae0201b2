"""Boards on sheets as a panel saw cuts them: every cut goes through from edge to edge of the piece that lies on it."""

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tsfit.base.errors import TsfitError

UNIT = 1e-5
"""Lengths are packed in whole hundredths of a millimetre."""
ROUNDED_MM = 0.02
"""By how much that may move an edge."""
Piece = tuple[float, float, float, float]
"""Left, lower, right and upper edge, mm."""


@dataclass(frozen=True)
class Laid:
    """A board on a sheet: its lower left corner and its size there, turned by a right angle or not."""

    panel: str
    sheet: int
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    turned: bool = False


def half_mm(length_mm: float) -> str:
    """A length to half a millimetre, which a saw keeps, as people read it."""
    return f"{round(2.0 * length_mm) / 2.0:g}"


@dataclass(frozen=True)
class SawCut:
    """A cut through a piece, in the order of work; the saw takes a kerf beyond `keep_mm`."""

    sheet: int
    piece_mm: Piece  # left, lower, right and upper edge of the piece on its sheet
    across_length: bool  # whether it goes across the length of the sheet, or along it
    keep_mm: float  # what it leaves at the left, or lower, side of the piece


@dataclass(frozen=True)
class Blank:
    """A board to lay, m."""

    name: str
    length: float
    width: float


def laid_out(
    parts: Sequence[Blank], sheet: tuple[float, float], kerf: float
) -> tuple[tuple[Laid, ...], tuple[SawCut, ...]]:
    """Place all `parts` on as few sheets as the packing finds, a kerf between any two; return them with the cuts.
    Raises ``too_large`` when a board fits on no sheet.
    """
    for part in parts:
        if max(part.length, part.width) > max(sheet) or min(part.length, part.width) > min(sheet):
            raise TsfitError(
                f"{part.name}: {1e3 * part.length:.0f} x {1e3 * part.width:.0f} mm does not fit on a sheet of "
                f"{1e3 * sheet[0]:.0f} x {1e3 * sheet[1]:.0f} mm; take a larger sheet or other proportions.",
                code="too_large",
            )
    ways = [_sawn(laid, sheet, kerf) for laid in _packed(parts, sheet, kerf)]
    # The fewest sheets; then the largest piece left in one, which is what lies after the last board of the last sheet.
    return min(ways, key=lambda way: (max(one.sheet for one in way[0]), _used(way[0]), len(way[1])))


def _used(laid: tuple[Laid, ...]) -> float:
    last = max(one.sheet for one in laid)
    return max(one.x_mm + one.length_mm for one in laid if one.sheet == last)


def _packed(parts: Sequence[Blank], sheet: tuple[float, float], kerf: float) -> Iterator[tuple[Laid, ...]]:
    """Layouts by several rules, each of guillotine cuts."""
    import rectpack

    # Every board, and the sheet, is a kerf larger each way: so no board is nearer than a kerf to the next one.
    sides = [[math.ceil((side + kerf) / UNIT - 1e-6) for side in (part.length, part.width)] for part in parts]
    for rule in (
        rectpack.GuillotineBssfSas,
        rectpack.GuillotineBlsfSas,
        rectpack.GuillotineBafLas,
        rectpack.GuillotineBssfLlas,
    ):
        # Pieces that were cut apart must not be joined again, as the packer does by itself.
        packer = rectpack.newPacker(pack_algo=functools.partial(rule, merge=False), rotation=True)
        for number, side in enumerate(sides):
            packer.add_rect(*side, rid=number)
        packer.add_bin(*(math.floor((side + kerf) / UNIT + 1e-6) for side in sheet), count=len(parts))
        packer.pack()
        found = []
        for number, x, y, length, _, which in packer.rect_list():
            part, place = parts[which], (1e3 * x * UNIT, 1e3 * y * UNIT)
            straight = length == sides[which][0]
            size = (part.length, part.width) if straight else (part.width, part.length)
            found.append(Laid(part.name, number + 1, *place, 1e3 * size[0], 1e3 * size[1], not straight))
        yield tuple(found)


def _sawn(laid: tuple[Laid, ...], sheet: tuple[float, float], kerf: float) -> tuple[tuple[Laid, ...], tuple[SawCut, ...]]:
    """Return the boards as they come off the saw, and the cuts in the order of work, sheet by sheet."""
    cuts, boards = list[SawCut](), list[Laid]()
    for number in range(1, max(one.sheet for one in laid) + 1):
        here = [one for one in laid if one.sheet == number]
        boards += _saw((0.0, 0.0, 1e3 * sheet[0], 1e3 * sheet[1]), here, 1e3 * kerf, cuts)
    return tuple(boards), tuple(cuts)


def _saw(piece: Piece, boards: list[Laid], kerf: float, cuts: list[SawCut]) -> list[Laid]:
    """Cut the `boards` out of a `piece`, moved into its lower left corner: parting boards where that goes, else trimming;
    add the `cuts`, and return the boards where they then lie.
    """
    left, low, right, high = piece
    aside, up = left - min(one.x_mm for one in boards), low - min(one.y_mm for one in boards)
    boards = [replace(one, x_mm=one.x_mm + aside, y_mm=one.y_mm + up) for one in boards]
    best: tuple[tuple[bool, float], bool, float, list[Laid], list[Laid]] | None = None
    for across in (True, False):
        ends = [_span(one, across=across) for one in boards]
        for at in sorted({end for _, end in ends}):
            before = [one for one, (_, end) in zip(boards, ends, strict=True) if end <= at + ROUNDED_MM]
            after = [one for one, (start, _) in zip(boards, ends, strict=True) if start >= at + kerf - ROUNDED_MM]
            spare = (right if across else high) - at > ROUNDED_MM
            if spare and len(before) + len(after) == len(boards):
                # The longest cuts first: what lies beside them stays whole.
                rank = not after, -(high - low if across else right - left)
                best = min(
                    best or (rank, across, at, before, after), (rank, across, at, before, after), key=lambda way: way[0]
                )
    if best is None:
        return boards
    _, across, at, before, after = best
    cuts.append(SawCut(boards[0].sheet, piece, across, at - (left if across else low)))
    first = (left, low, at, high) if across else (left, low, right, at)
    second = (at + kerf, low, right, high) if across else (left, at + kerf, right, high)
    found = _saw(first, before, kerf, cuts)
    return found + (_saw(second, after, kerf, cuts) if after else [])


def _span(one: Laid, *, across: bool) -> tuple[float, float]:
    start, size = (one.x_mm, one.length_mm) if across else (one.y_mm, one.width_mm)
    return start, start + size
