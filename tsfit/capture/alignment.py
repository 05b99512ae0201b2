"""Where an excitation lies in its recording, and whether all of it arrived: delay, lost, repeated and damaged blocks.

Only the total channel is looked at, which hears the source almost as it is. In a sweep or stepped sine a short window
is fitted by the excitation there, its quadrature, and slow changes of both; a splice or gap stays over. Multisines are
compared with their own steadiest period. How much was lost or came twice is the change of delay from one side of a
break to the other.
"""

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.capture.excitation import FADE_SECONDS, Excitation, fade

WINDOW_SECONDS, STEADY_SECONDS = 0.085, 0.01
"""Of the windows of sweeps, long enough for a piece of 5 Hz, and of multisines."""
STANDS_OUT, STANDS_ALONE = 6.0, 0.004
"""A window is broken when its residual exceeds the usual one by the first factor and the second share of the level."""
MOST_DISTORTED, MOST_UNLIKE = 0.05, 0.02
"""Residual over level that may pass for usual, in a sweep and between periods."""
SPIKE = 9.0
"""Or when the residual steps from sample to sample by so many times their spread: noise alone does once in 10^16."""
UNSETTLED = 0.35
"""Residual over level that the first period of a multisine and its fade out may have."""
EDGE_SECONDS = 0.12
"""Room for lost samples before the fade out, from where on no period is taken for the usual one."""
NEIGHBOURS = 12
CHUNK = 32
MOST_DELAYS = 6
SECTION_SECONDS, FARTHEST_SECONDS = 0.6, 0.25
"""How many delays a recording may have, how much signal one is read from, and the largest change that is looked for."""
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
    """A place where the recording breaks."""

    frame: int  # where in the recording, to a window's accuracy
    lost: int  # samples missing there, negative when so many came twice; 0 when none are known to be, as after a click


def round_trip(total: Real, excitation: Excitation) -> tuple[int, float]:
    """Samples, up to a second, by which `total` (n,) is late, by the highest peak of the cross-correlation; and its height.

    The height is 1 for an undistorted, noiseless copy, and negative when of opposite polarity.
    """
    rate, x = excitation.sample_rate_hz, excitation.samples[excitation.start : excitation.stop]
    early, late = round(FARTHEST_SECONDS * rate), round(LONGEST_SECONDS * rate)
    first = excitation.start - early
    around = _stretch(total - total.mean(), first, first + len(x) + early + late)
    # Over its whole length; a periodic excitation is as like itself, cut short, a period away.
    place, likeness = _best_place(x, around, whole=True)
    return place - early, likeness


def _stretch(x: Real, first: int, last: int) -> Real:
    """``x[first:last]`` with zeros where there is none."""
    inside = x[max(first, 0) : max(last, 0)]
    before = min(max(-first, 0), last - first)
    return np.pad(inside, (before, last - first - before - len(inside)))


def _best_place(piece: Real, around: Real, *, whole: bool = False) -> tuple[int, float]:
    """Place k at which ``around[k : k + len(piece)]`` is most like `piece`, and the correlation there.

    It is relative to the energy there, or to that of the strongest such stretch when the `whole` piece must be there.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    running = np.concatenate([[0.0], np.cumsum(around**2)])
    energy = running[len(piece) :] - running[: -len(piece)]
    most = max(float(energy.max()), 1e-30)
    scale = np.linalg.norm(piece) * np.sqrt(np.maximum(energy, most if whole else 1e-6 * most))
    if not np.any(piece):
        return 0, 0.0
    # So long that no place at which all of the piece lies within is reached from the other end.
    length = int(next_fast_len(len(around), real=True))
    found = irfft(rfft(around, length) * rfft(piece, length).conj(), length)[: len(scale)] / scale
    top = int(np.argmax(np.abs(found)))
    return top, float(found[top])


def find_dropouts(total: Real, excitation: Excitation, delay: int) -> tuple[Dropout, ...]:
    """Lost, repeated and damaged pieces, in order, of a recording whose `total` channel (n,) is late by `delay`.

    One that ends before its excitation loses what is missing there; of a multisine nothing else is told then.
    """
    missing = excitation.stop + delay - len(total)
    cut = (Dropout(len(total), missing),) if missing > 0 else ()
    if cut and excitation.period:
        return cut
    y = total - total.mean()
    windows = (_Steady if excitation.period else _Narrow)(y, excitation, delay)
    if windows.last - windows.first < 4 * windows.width:
        return cut
    breaks = windows.breaks()
    edges, section, width = [windows.first, *breaks, windows.last], 2 * windows.section, windows.width
    found = []
    for before, frame, after in zip(edges[:-2], edges[1:-1], edges[2:], strict=True):
        early = windows.lag(max(before, frame - width - section), frame - width)
        late = windows.lag(frame + width, min(after, frame + width + section))
        shift = 0 if early is None or late is None else early - late
        found.append(Dropout(frame, shift if abs(shift) > windows.least_shift(frame) else 0))
    return (*found, *cut)


class _Windows:
    """Short windows of a recording, each held against what the excitation promises there."""

    seconds = WINDOW_SECONDS

    def __init__(self, y: Real, excitation: Excitation, delay: int) -> None:
        self.y, self.excitation, self.delay, self.known = y, excitation, delay, excitation.samples
        rate = excitation.sample_rate_hz
        self.width, self.section = round(self.seconds * rate), round(SECTION_SECONDS * rate)
        self.first, self.last = max(excitation.start + delay, 0), min(excitation.stop + delay, len(y))
        silence = y[: max(self.first - self.width, 0)]
        self.noise = float(np.std(silence)) if len(silence) else 0.0

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Real, NDArray[np.intp]]:
        """How much a window from each of `starts` (m,) is worse than allowed (above 1: broken), and where it is worst."""
        raise NotImplementedError

    def breaks(self) -> list[int]:
        """Frames at which the recording breaks: the fewest stretches, each at one delay, leave them between them."""
        starts = np.arange(self.first, self.last - self.width + 1, self.width // 2)
        excess, place = self.excess(starts, np.full(len(starts), self.delay))
        if np.all(excess <= 1.0):
            return []
        stretches = range(self.first, self.last - self.section + 1, self.section // 2)
        lags = Counter(lag for lag in (self.lag(k, k + self.section) for k in stretches) if lag is not None)
        others = (self.excess(starts, np.full(len(starts), lag))[0] for lag, _ in lags.most_common(MOST_DELAYS))
        fits = np.stack([excess, *others]) <= 1.0
        frames, k, joined = [], 0, False
        while k < len(starts):
            runs = [int(np.argmin(np.append(fit, False))) for fit in fits[:, k:]]
            if joined or not max(runs):
                frames.append(int(place[k]))
            k, joined = k + max(*runs, 1), max(runs) > 0
        return [k for k, before in zip(frames, [-len(self.y), *frames], strict=False) if k - before > 2 * self.width]

    def lag(self, first: int, last: int) -> int | None:
        """Delay of recording samples first..last, None where they are too few or unlike the excitation."""
        if last - first < self.width:
            return None
        far = round(FARTHEST_SECONDS * self.excitation.sample_rate_hz)
        origin = first - self.delay - far
        place, likeness = _best_place(self.y[first:last], _stretch(self.known, origin, origin + last - first + 2 * far))
        return first - origin - place if abs(likeness) > LIKE else None

    def least_shift(self, frame: int) -> float:
        """Change of delay in samples that is none of the rig's phase at `frame`."""
        return LEAST_SHIFT


class _Narrow(_Windows):
    """Sweeps and stepped sines: the excitation's wave, its quadrature and slow changes of both are fitted."""

    def __init__(self, y: Real, excitation: Excitation, delay: int) -> None:
        from scipy.signal import hilbert

        super().__init__(y, excitation, delay)
        self.wave = np.asarray(hilbert(excitation.samples))

    def breaks(self) -> list[int]:
        if not len(self.excitation.steps):
            return super().breaks()
        # Steady tones tell no delay, hence not what follows the first break.
        starts = np.arange(self.first, self.last - self.width + 1, self.width // 2)
        excess, place = self.excess(starts, np.full(len(starts), self.delay))
        return [int(k) for k in place[excess > 1.0][:1]]

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Real, NDArray[np.intp]]:
        from scipy.ndimage import median_filter

        parts = [self._fit(starts[k : k + CHUNK], lags[k : k + CHUNK]) for k in range(0, len(starts), CHUNK)]
        residual, level, spike, place = (np.concatenate(column) for column in zip(*parts, strict=True))
        usual = np.minimum(median_filter(residual, 2 * NEIGHBOURS + 1, mode="nearest"), MOST_DISTORTED * level)
        limit = STANDS_OUT * np.maximum(usual, self.noise) + STANDS_ALONE * level
        return np.maximum(residual / np.maximum(limit, 1e-12), spike / SPIKE), place

    def _fit(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Real, Real, Real, NDArray[np.intp]]:
        index = starts[:, None] + np.arange(self.width)
        z = self.wave[np.clip(index - lags[:, None], 0, len(self.wave) - 1)]
        u = np.broadcast_to(np.linspace(-1.0, 1.0, self.width), z.shape)
        basis = np.stack([z.real, z.imag, u * z.real, u * z.imag, u**2 * z.real, u**2 * z.imag, np.ones_like(u), u], -1)
        across = np.swapaxes(basis, 1, 2)
        recorded = self.y[index]
        gram, right = across @ basis, across @ recorded[..., None]
        r = recorded - (basis @ (np.linalg.pinv(gram, rcond=1e-12, hermitian=True) @ right))[..., 0]
        level = np.sqrt(np.mean(recorded**2, axis=1))
        step = np.abs(np.diff(r, axis=1))
        usual = np.maximum(1.4826 * np.median(step, axis=1), STANDS_ALONE * level)
        residual = np.sqrt(np.mean(r**2, axis=1))
        return residual, level, step.max(axis=1) / np.maximum(usual, 1e-12), starts + np.argmax(np.abs(r), axis=1)

    def least_shift(self, frame: int) -> float:
        around = self.excitation.samples[max(frame - self.delay, 0) :][: self.section]
        crossings = int(np.count_nonzero(np.diff(np.signbit(around))))
        period = 2.0 * len(around) / max(crossings, 1)
        slow = period > SLOW_SECONDS * self.excitation.sample_rate_hz or len(self.excitation.steps) > 0
        return math.inf if slow else max(PERIOD_SHARE * period, LEAST_SHIFT)


class _Steady(_Windows):
    """Multisines: one settled period stands for all, the mean of two where there are enough."""

    seconds = STEADY_SECONDS

    def __init__(self, y: Real, excitation: Excitation, delay: int) -> None:
        super().__init__(y, excitation, delay)
        self.settled = self.first + excitation.period
        self.fading = self.first + excitation.periods * excitation.period
        self.expect(self._steadiest(), 2 if excitation.periods > 2 else 1)

    def _steadiest(self) -> int:
        """Where the two neighbouring periods begin that agree best, three quarters through the first period or later."""
        period, places = self.excitation.period, self.places(2)
        whole = np.pad(self.y, (0, 2 * period))
        apart = [np.linalg.norm(np.diff(whole[k : k + 2 * period].reshape(2, period), axis=0)) for k in places]
        return int(places[int(np.argmin(apart))])

    def places(self, periods: int) -> NDArray[np.intp]:
        """Where so many periods may begin."""
        quarter = self.excitation.period // 4
        room = (
            self.fading - round(EDGE_SECONDS * self.excitation.sample_rate_hz) - self.settled - (4 * periods - 1) * quarter
        )
        return self.settled - quarter + np.arange(0, max(room, 1), quarter)

    def expect(self, place: int, periods: int) -> None:
        """Take the mean of so many periods from frame `place` for what all should be."""
        period = self.excitation.period
        one = np.pad(self.y, (0, 2 * period))[place : place + periods * period].reshape(periods, period).mean(axis=0)
        self.known = self.excitation.samples
        found = self.lag(place, place + period)
        shift = (self.delay if found is None else found) - place
        self.known = one[(np.arange(len(self.excitation.samples)) + shift) % period]
        rise = fade(round(FADE_SECONDS * self.excitation.sample_rate_hz))
        start, stop = self.excitation.start, self.excitation.stop
        self.known[:start] = self.known[stop:] = 0.0
        self.known[start : start + len(rise)] *= rise
        self.known[stop - len(rise) : stop] *= rise[::-1]
        self.level = float(np.std(one))

    def breaks(self) -> list[int]:
        found = super().breaks()
        for place in self.places(1) if found else ():
            # A break within the periods that stand for all would show once in each of them.
            self.expect(int(place), 1)
            found = min(found, super().breaks(), key=len)
        return found

    def excess(self, starts: NDArray[np.intp], lags: NDArray[np.intp]) -> tuple[Real, NDArray[np.intp]]:
        index = starts[:, None] + np.arange(self.width)
        r = self.y[index] - self.known[np.clip(index - lags[:, None], 0, len(self.known) - 1)]
        residual = np.sqrt(np.mean(r**2, axis=1))
        usual = min(float(np.median(residual)), MOST_UNLIKE * self.level)
        limit = STANDS_OUT * max(usual, self.noise) + STANDS_ALONE * self.level
        unsettled = (starts < self.settled) | (starts > self.fading - self.width)
        limits = np.where(unsettled, max(limit, UNSETTLED * self.level), limit)
        return residual / np.maximum(limits, 1e-12), starts + np.argmax(np.abs(r), axis=1)
