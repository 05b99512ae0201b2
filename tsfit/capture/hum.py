"""Mains hum in the lines of a recording: which of its harmonics stand out, and where the mains really are.

A tone of steady frequency f adds to a record's transform C/(f_k − f): a main line, and sides that fall off slowly unless f
is a multiple of the distance of lines. So it acts as an undamped mode, and is taken out as one.
"""

import math
from collections.abc import Sequence

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.capture.lines import MAINS_HZ, Stretch

OFF = 2e-3
"""How far the mains may be from their nominal frequency, relative."""
HARMONICS, UP_TO_HZ = 20, 1400.0
NEAR_HUM = 1.5
"""Distance from a harmonic, in lines, within which a line counts for nothing."""
STANDS_OUT = 12.0
"""Power of a harmonic over the noise from which it is believed, where the mains are known."""
SURE = 30.0
"""Power of the strongest harmonic from which there is hum at all."""
SIDE = 12
"""Lines to either side of a harmonic of which its frequency and amplitude are read."""
SURROUNDINGS = 12
"""Lines to either side that a tone must stand out of."""


def near_mains(block: Stretch) -> Mask:
    """Lines (n,) where a harmonic of the mains may stand, whether there is hum or not."""
    near = np.zeros(len(block.frequency_hz), dtype=bool)
    for nominal in MAINS_HZ:
        order = np.maximum(np.rint(block.frequency_hz / nominal), 1.0)
        away = np.abs(block.frequency_hz - order * nominal)
        near |= (order <= HARMONICS) & (away < OFF * order * nominal + NEAR_HUM * block.step_hz)
    return near


def hum_of(block: Stretch, left: Complex) -> list[float]:
    """Frequencies (Hz) of the mains' harmonics that stand out of `left` (n,), what a line keeps over its usual noise."""
    first, step = block.frequency_hz[0], block.step_hz
    # Above are no harmonics, and what is looked at beside them is below.
    power = np.abs(left[: np.searchsorted(block.frequency_hz, UP_TO_HZ)]) ** 2
    best: tuple[float, float] = (0.0, 0.0)
    # A harmonic lies between lines, and whichever of them holds it, it speaks for the mains that have the others too.
    padded = np.pad(power, 1)
    near = np.minimum(np.maximum(np.maximum(padded[:-2], padded[2:]), power), 1e6)
    for nominal in MAINS_HZ:
        orders = np.arange(1, min(HARMONICS, int(block.frequency_hz[-1] / nominal / (1.0 + OFF))) + 1)
        fine = min(step / 4.0, nominal * OFF)
        for mains in np.arange(nominal * (1.0 - OFF), nominal * (1.0 + OFF) + fine / 2.0, fine):
            place = np.rint((orders * mains - first) / step).astype(int)
            place = place[(place >= 0) & (place < len(power))]
            score = float(np.sum(near[place] - 1.0))
            if score > best[0] * 1.0000001:
                best = (score, float(mains))
    mains = best[1]
    if not mains:
        return []
    orders = np.arange(1, min(HARMONICS, int(block.frequency_hz[-1] / mains)) + 1)
    # Where a tone is is told by its power, and whether it is one by how it stands out: a strong one fills its surroundings.
    places = [_around(block, order * mains, 1) for order in orders]
    strong = [float((power[place] / _surroundings(power, place)).max(initial=0.0)) for place in places]
    if max(strong, default=0.0) < SURE:
        return []
    loudest = int(orders[int(np.argmax([power[place].max(initial=0.0) for place in places]))])
    mains = _refined(block, left, loudest * mains) / loudest
    return [float(order * mains) for order, one in zip(orders, strong, strict=True) if one > STANDS_OUT]


def on_tones(block: Stretch, tones: Sequence[float]) -> Mask:
    """Lines (n,) that hold one of the `tones` (Hz), and count for nothing."""
    on = np.zeros(len(block.frequency_hz), dtype=bool)
    for tone in tones:
        here = _around(block, tone, math.ceil(NEAR_HUM))
        on[here] |= np.abs(block.frequency_hz[here] - tone) <= NEAR_HUM * block.step_hz
    return on


def near_tones(block: Stretch, tones: Sequence[float]) -> Mask:
    """Lines (n,) that tell how strong the `tones` (Hz) are."""
    near = np.zeros(len(block.frequency_hz), dtype=bool)
    for tone in tones:
        near[_around(block, tone, SIDE)] = True
    return near


def _surroundings(power: Real, place: slice) -> Real:
    """Usual power of the lines near each of a `place`, at least 1: what is broad is a ratio not followed, and no tone."""
    if len(power[place]) == 0:
        return np.ones(0)
    # Beyond the ends, the last line stands for those that are missing.
    padded = np.pad(power[max(place.start - SURROUNDINGS, 0) : place.stop + SURROUNDINGS], SURROUNDINGS, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * SURROUNDINGS + 1)
    before = min(place.start, SURROUNDINGS)
    # The median of an odd number, without the care that NumPy's own takes.
    middle = np.partition(windows[before : before + len(power[place])], SURROUNDINGS, axis=1)[:, SURROUNDINGS]
    return np.asarray(np.maximum(middle / math.log(2.0), 1.0))


def _around(block: Stretch, frequency_hz: float, lines: int) -> slice:
    place = round((frequency_hz - float(block.frequency_hz[0])) / block.step_hz)
    return slice(max(place - lines, 0), max(place + lines + 1, 0))


def _refined(block: Stretch, left: Complex, frequency_hz: float) -> float:
    """Frequency of the tone near `frequency_hz` whose C/(f_k − f) is most like what is left over."""
    here = _around(block, frequency_hz, SIDE)
    f, y = block.frequency_hz[here], left[here]
    tried = frequency_hz + block.step_hz * np.linspace(-1.0, 1.0, 401)
    away = f - tried[:, np.newaxis]
    shape = 1.0 / np.where(np.abs(away) < 1e-3 * block.step_hz, 1e-3 * block.step_hz, away)
    explained = np.abs(shape @ y) ** 2 / np.sum(shape**2, axis=1)
    return float(tried[int(np.argmax(explained))])
