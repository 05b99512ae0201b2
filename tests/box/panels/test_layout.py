"""A panel saw, played: each cut goes through a whole piece that lies there, and what is left are the boards."""

import numpy as np
import pytest

from tsfit.box.panels.layout import Blank, laid_out

KERF = 0.004
SHEET = (2.5, 1.25)


def sawn(cuts, sheets, kerf):
    """Pieces (sheet, left, lower, right, upper), mm, once every cut is made."""
    pieces = {(number, 0.0, 0.0, 1e3 * SHEET[0], 1e3 * SHEET[1]) for number in range(1, sheets + 1)}
    for cut in cuts:
        whole = next(
            piece for piece in pieces if piece[0] == cut.sheet and piece[1:] == pytest.approx(cut.piece_mm, abs=1e-6)
        )
        pieces.remove(whole)
        number, left, low, right, high = whole
        if cut.across_length:
            at = left + cut.keep_mm
            assert left < at < right
            pieces |= {(number, left, low, at, high), (number, at + kerf, low, right, high)}
        else:
            at = low + cut.keep_mm
            assert low < at < high
            pieces |= {(number, left, low, right, at), (number, left, at + kerf, right, high)}
    return pieces


@pytest.mark.parametrize("seed", range(4))
def test_every_board_comes_off_the_saw(seed):
    """Two hundred cabinets, of one to three different widths, with braces and slots' narrow boards."""
    rng = np.random.default_rng(seed)
    for _ in range(50):
        w, h, d = np.exp(rng.uniform(np.log(0.12), np.log(0.9), 3))
        braces, walls, kerf = rng.integers(0, 4), rng.integers(0, 4), rng.choice([0.0, 0.0025, KERF])
        sides = [(h, w), (h, w), (w, d), (w, d), (h - 0.04, d), (h - 0.04, d), *([(w - 0.04, d)] * braces)]
        sides += [(0.8 * d, rng.uniform(0.02, 0.06))] * walls
        blanks = [Blank(f"board {number}", *map(float, side)) for number, side in enumerate(sides)]
        laid, cuts = laid_out(blanks, SHEET, float(kerf))
        assert len({one.panel for one in laid}) == len(laid) == len(blanks)
        pieces = sawn(cuts, max(one.sheet for one in laid), 1e3 * float(kerf))
        for one in laid:
            blank = blanks[int(one.panel.split()[1])]
            assert sorted((one.length_mm, one.width_mm)) == pytest.approx(sorted((1e3 * blank.length, 1e3 * blank.width)))
            edges = one.x_mm, one.y_mm, one.x_mm + one.length_mm, one.y_mm + one.width_mm
            assert any(piece[0] == one.sheet and piece[1:] == pytest.approx(edges, abs=0.03) for piece in pieces)
