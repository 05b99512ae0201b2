"""Where an excitation lies in its recording, and whether all of it arrived: delay, lost, repeated and damaged blocks.

Only the total channel is looked at, which hears the source almost as it is. In a sweep or stepped sine a short window
is fitted by the excitation there, its quadrature, and slow changes of both; a splice or gap stays over. Multisines are
compared with their own steadiest period. How much was lost or came twice is the change of delay from one side of a
break to the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from tsfit.capture.excitation import Excitation

Samples = NDArray[np.float64]

WINDOW_SECONDS, STEADY_SECONDS = 0.085, 0.01
"""Of the windows of sweeps, long enough for a piece of 5 Hz, and of multisines."""
STANDS_OUT, STANDS_ALONE = 6.0, 0.004
"""A window is broken when its residual exceeds the usual one by the first factor and the second share of the level."""
MOST_DISTORTED = 0.05
"""Residual over level that may pass for usual."""
SPIKE = 9.0
"""Or when the residual steps from sample to sample by so many times their spread: noise alone does once in 10^16."""
UNSETTLED = 0.35
"""Residual over level that the first period of a multisine may have."""
EDGE_SECONDS = 0.12
"""Beginning and end of a multisine that are not looked at: its fades."""
NEIGHBOURS = 12
CHUNK = 32
SECTION_SECONDS, FARTHEST_SECONDS = 0.6, 0.25
"""How much signal a delay is read from, and the largest change of delay that is looked for."""
LONGEST_SECONDS = 1.0
"""Largest delay; a negative one is only seen when samples are lost early on."""
LIKE = 0.5
"""Correlation from which a piece of recording is the excitation."""
PERIOD_SHARE, LEAST_SHIFT = 0.2, 1.5
"""Share of a period of a sweep, and number of samples, below which a change of delay may be the rig's own phase."""
SLOW_SECONDS = 0.02
"""Period of a sweep above which delays are mistaken for their neighbours a period away."""


@dataclass(frozen=True)
class Dropout:
    """A place where the recording breaks.

    Attributes
    ----------
    frame : where in the recording, to a window's accuracy
    lost : samples missing there, negative when so many came twice; 0 when none are known to, as after a gap or a click
    """

    frame: int
    lost: int


def round_trip(total: Samples, excitation: Excitation) -> tuple[int, float]:
    """Delay from playback to recording, up to a second.

    Parameters
    ----------
    total : (n,) float
    excitation : Excitation

    Returns
    -------
    delay : int
        Samples by which `total` is later, by the highest peak of the cross-correlation.
    likeness : float
        Its height, 1 for an undistorted, noiseless copy; negative when of opposite polarity.
    """
    rate = excitation.sample_rate_hz
    return _best_lag(
        total - total.mean(), excitation.samples, -round(FARTHEST_SECONDS * rate), round(LONGEST_SECONDS * rate)
    )


def _best_lag(recorded: Samples, known: Samples, low: int, high: int) -> tuple[int, float]:
    """Lag within low..high at which ``recorded[k + lag]`` is most like ``known[k]``, and the likeness there."""
    from scipy.signal import correlate

    scale = float(np.linalg.norm(recorded) * np.linalg.norm(known))
    if scale == 0.0:
        return 0, 0.0
    found = correlate(recorded, known, mode="full", method="fft") / scale
    zero = len(known) - 1
    first = max(zero + low, 0)
    found = found[first : max(zero + high, first) + 1]
    top = int(np.argmax(np.abs(found)))
    return first - zero + top, float(found[top])


def find_dropouts(total: Samples, excitation: Excitation, delay: int) -> tuple[Dropout, ...]:
    """Lost, repeated and damaged pieces of a recording.

    Parameters
    ----------
    total : (n,) float
        The channel that hears everything.
    excitation : Excitation
    delay : int
        As `round_trip` gives it.
    """
    y = total - total.mean()
    windows = (_Steady if excitation.period else _Narrow)(y, excitation, delay)
    first, last, width = windows.first, windows.last, windows.width
    if last - first < 4 * width:
        return ()
    breaks = _breaks(windows)
    edges, section = [first, *breaks, last], 2 * windows.section
    found = []
    for before, frame, after in zip(edges[:-2], edges[1:-1], edges[2:], strict=True):
        early = windows.lag(max(before, frame - width - section), frame - width)
        late = windows.lag(frame + width, min(after, frame + width + section))
        shift = 0 if early is None or late is None else early - late
        found.append(Dropout(frame, shift if abs(shift) > windows.least_shift(frame) else 0))
    return tuple(found)


def _breaks(windows: _Windows) -> list[int]:
    """Frames at which windows fit at no delay that any stretch of the recording has."""
    width, section = windows.width, windows.section
    starts = np.arange(windows.first, windows.last - width + 1, width // 2)
    lags = np.full(len(starts), windows.delay)
    excess, place = windows.excess(starts, lags)
    again = np.flatnonzero(excess > 1.0)
    if not len(again):
        return []
    stretches = range(windows.first, windows.last - section + 1, section // 2)
    for lag in {windows.lag(k, k + section) for k in stretches} - {None, windows.delay}:
        there, where = windows.excess(starts[again], np.full(len(again), lag))
        better = again[there < excess[again]]
        place[better], lags[better] = where[there < excess[again]], lag
        excess[again] = np.minimum(excess[again], there)
    # Stretches that fit, each at a delay of its own, meet at a break as well.
    fits = np.flatnonzero(excess <= 1.0)
    steps = fits[1:][np.abs(np.diff(lags[fits])) > np.array([windows.least_shift(int(k)) for k in starts[fits[1:]]])]
    frames = np.sort(np.concatenate([place[excess > 1.0], starts[steps]]))
    return [int(k) for k in frames[np.diff(frames, prepend=-len(windows.y)) > 2 * width]]


class _Windows:
    """Short windows of a recording, each held against what the excitation promises there."""

    seconds = WINDOW_SECONDS

    def __init__(self, y: Samples, excitation: Excitation, delay: int) -> None:
        self.y, self.excitation, self.delay, self.known = y, excitation, delay, excitation.samples
        rate = excitation.sample_rate_hz
        self.width, self.section = round(self.seconds * rate), round(SECTION_SECONDS * rate)
        self.first, self.last = max(excitation.start + delay, 0), min(excitation.stop + delay, len(y))
        silence = y[: max(self.first - self.width, 0)]
        self.noise = float(np.std(silence)) if len(silence) else 0.0

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Samples, NDArray[np.intp]]:
        """How much a window from each of `starts` (m,) is worse than allowed (above 1: broken), and where it is worst."""
        raise NotImplementedError

    def lag(self, first: int, last: int) -> int | None:
        """Delay of recording samples first..last, None where they are too few or unlike the excitation."""
        far = round(FARTHEST_SECONDS * self.excitation.sample_rate_hz)
        if last - first < self.width:
            return None
        piece = self.y[first:last]
        origin = max(first - self.delay - far, 0)
        known = self.known[origin : first - self.delay + len(piece) + far]
        lag, likeness = _best_lag(piece, known, -len(known), len(piece))
        return first - origin + lag if abs(likeness) * np.sqrt(len(known) / len(piece)) > LIKE else None

    def least_shift(self, frame: int) -> float:
        """Change of delay in samples that is none of the rig's phase at `frame`."""
        return LEAST_SHIFT


class _Narrow(_Windows):
    """Sweeps and stepped sines: the excitation's wave, its quadrature and slow changes of both are fitted."""

    def __init__(self, y: Samples, excitation: Excitation, delay: int) -> None:
        from scipy.signal import hilbert

        super().__init__(y, excitation, delay)
        self.wave = np.asarray(hilbert(excitation.samples))

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Samples, NDArray[np.intp]]:
        from scipy.ndimage import median_filter

        parts = [self._fit(starts[k : k + CHUNK], lags[k : k + CHUNK]) for k in range(0, len(starts), CHUNK)]
        residual, level, spike, place = (np.concatenate(column) for column in zip(*parts, strict=True))
        usual = np.minimum(median_filter(residual, 2 * NEIGHBOURS + 1, mode="nearest"), MOST_DISTORTED * level)
        limit = STANDS_OUT * np.maximum(usual, self.noise) + STANDS_ALONE * level
        return np.maximum(residual / np.maximum(limit, 1e-12), spike / SPIKE), place

    def _fit(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Samples, Samples, Samples, NDArray[np.intp]]:
        index = starts[:, None] + np.arange(self.width)
        z = self.wave[np.clip(index - lags[:, None], 0, len(self.wave) - 1)]
        u = np.broadcast_to(np.linspace(-1.0, 1.0, self.width), z.shape)
        basis = np.stack([z.real, z.imag, u * z.real, u * z.imag, u**2 * z.real, u**2 * z.imag, np.ones_like(u), u], -1)
        q = np.linalg.qr(basis)[0]
        recorded = self.y[index]
        r = recorded - (q @ (np.swapaxes(q, 1, 2) @ recorded[..., None]))[..., 0]
        level = np.sqrt(np.mean(recorded**2, axis=1))
        step = np.abs(np.diff(r, axis=1))
        usual = np.maximum(1.4826 * np.median(step, axis=1), STANDS_ALONE * level)
        residual = np.sqrt(np.mean(r**2, axis=1))
        return residual, level, step.max(axis=1) / np.maximum(usual, 1e-12), starts + np.argmax(np.abs(r), axis=1)

    def least_shift(self, frame: int) -> float:
        around = self.excitation.samples[max(frame - self.delay, 0) :][
            : round(SECTION_SECONDS * self.excitation.sample_rate_hz)
        ]
        crossings = int(np.count_nonzero(np.diff(np.signbit(around))))
        period = 2.0 * len(around) / max(crossings, 1)
        slow = period > SLOW_SECONDS * self.excitation.sample_rate_hz
        return math.inf if slow else max(PERIOD_SHARE * period, LEAST_SHIFT)


class _Steady(_Windows):
    """Multisines: one settled period stands for all, the mean of two where there are enough."""

    seconds = STEADY_SECONDS

    def __init__(self, y: Samples, excitation: Excitation, delay: int) -> None:
        super().__init__(y, excitation, delay)
        period = excitation.period
        fade = round(EDGE_SECONDS * excitation.sample_rate_hz)
        self.settled = self.first + period
        self.last = min(self.first + excitation.periods * period, len(y)) - fade
        pair = 2 if excitation.periods > 2 else 1
        room = self.last - self.settled - (pair - 0.25) * period
        places = self.settled - period // 4 + np.arange(0, max(room, 1), period // 4, dtype=int)
        whole = np.pad(y, (0, pair * period))
        pairs = [(whole[k : k + period], whole[k + (pair - 1) * period :][:period]) for k in places]
        best = int(np.argmin([np.linalg.norm(one - other) for one, other in pairs]))
        one, place = 0.5 * (pairs[best][0] + pairs[best][1]), int(places[best])
        found = self.lag(place, place + period)
        self.known = one[(np.arange(len(excitation.samples)) + (delay if found is None else found) - place) % period]
        self.level = float(np.std(one))
        self.first += fade

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Samples, NDArray[np.intp]]:
        index = starts[:, None] + np.arange(self.width)
        r = self.y[index] - self.known[np.clip(index - lags[:, None], 0, len(self.known) - 1)]
        residual = np.sqrt(np.mean(r**2, axis=1))
        usual = min(float(np.median(residual)), MOST_DISTORTED * self.level)
        limit = STANDS_OUT * max(usual, self.noise) + STANDS_ALONE * self.level
        limits = np.where(starts < self.settled, max(limit, UNSETTLED * self.level), limit)
        return residual / np.maximum(limits, 1e-12), starts + np.argmax(np.abs(r), axis=1)
