"""Raw lines of a recording against numpy's transform and the noise that was put in."""

import math

import numpy as np
import pytest

from tsfit.capture.lines import lines_of

RATE = 8000.0


def test_lines_are_those_of_the_discrete_transform():
    rng = np.random.default_rng(1)
    one, two = rng.standard_normal((2, 9600))
    block = lines_of(one, two, RATE).blocks[0]
    place = np.rint(block.frequency_hz / RATE * 9600).astype(int)
    assert block.first == pytest.approx(np.fft.rfft(one - one.mean())[place])
    assert block.second == pytest.approx(np.fft.rfft(two - two.mean())[place])
    assert not block.rest


def test_a_record_of_unwieldy_length_is_cut_by_no_more_than_a_thousandth():
    block = lines_of(*np.random.default_rng(2).standard_normal((2, 48611)), RATE).blocks[0]
    assert RATE / block.step_hz > 0.999 * 48611


@pytest.mark.parametrize("share", [0.1, 1.0, 30.0])
def test_noise_of_both_channels_is_compared_in_the_rest_before_the_excitation(share):
    rng = np.random.default_rng(3)
    drive = np.concatenate([np.zeros(4000), np.sin(np.arange(16000) * 0.05), np.zeros(2000)])
    noise = 1e-4 * rng.standard_normal((2, len(drive))) * np.sqrt([[share], [1.0]])
    lines = lines_of(drive + noise[0], 0.5 * drive + noise[1], RATE)
    assert lines.noise_share == pytest.approx(share, rel=0.15)
    assert lines.blocks[0].rest


def test_without_rest_both_channels_count_alike():
    rng = np.random.default_rng(4)
    one, two = rng.standard_normal((2, 20000))
    assert lines_of(one, 0.1 * two, RATE).noise_share == 1.0


def test_blocks_of_a_long_record_cover_it_and_know_where_they_start(monkeypatch):
    monkeypatch.setattr("tsfit.capture.lines.LONGEST_BLOCK", 4000)
    x = np.random.default_rng(5).standard_normal((2, 20011))
    blocks = lines_of(*x, RATE).blocks
    starts = [round(block.start * RATE) for block in blocks]
    assert starts[0] == 0
    assert starts[-1] + blocks[-1].samples == 20011
    for block, start in zip(blocks, starts, strict=True):
        one = x[0, start : start + block.samples]
        place = np.rint(block.frequency_hz / RATE * len(one)).astype(int)
        assert block.first == pytest.approx(np.fft.rfft(one - one.mean())[place], abs=1e-4)
    assert all(
        0 <= before + block.samples - after < 50 for before, block, after in zip(starts, blocks, starts[1:], strict=False)
    )


@pytest.mark.parametrize("seconds", [0.2, 4.0])
def test_a_decay_that_is_broken_off_leaves_little(seconds):
    """Beside it a record that lasts a hundred times as long, padded with nothing, which has the whole decay."""
    rate, n = 8000.0, 24000
    time = np.arange(n) / rate
    burst = np.where((time > 0.2) & (time < 2.6), np.sin(2.0 * np.pi * 30.0 * time), 0.0)
    tail = np.where(time >= 0.5, 0.02 * np.exp(-(time - 0.5) / seconds), 0.0)
    block = lines_of(burst, burst + tail, rate).blocks[0]
    f = block.frequency_hz[:20]
    whole = 0.02 * np.exp(-1j * np.pi * f) / (1.0 - np.exp(-(1.0 / seconds + 2j * np.pi * f) / rate))
    left = np.abs(block.second[:20] - block.first[:20] - whole)
    broken_off = 0.02 * np.exp(-2.5 / seconds) * rate / (2.0 * np.pi * f)
    assert np.all(left < 0.1 * broken_off + 0.002 * np.abs(whole))


def test_lines_that_hold_but_the_ends_of_a_record_are_told_from_those_that_were_played():
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(20000)
    assert not lines_of(noise, noise, 8000.0).blocks[0].lost.any()
    tone = np.sin(2.0 * np.pi * 40.3 * np.arange(20000) / 8000.0) + 1e-4 * noise
    lost = lines_of(tone, tone, 8000.0).blocks[0]
    assert lost.lost[lost.frequency_hz > 60.0].mean() > 0.9


@pytest.mark.parametrize("noise", [0.0, 1e-4, 0.05])
def test_a_sweep_between_rests_begins_and_ends_at_rest_in_noise_too(noise):
    """Of one in noise, what was taken for its ends left a click at its start, for which one in twenty was refused."""
    rng, time = np.random.default_rng(2), np.arange(32000) / 8000.0
    sweep = np.where((time > 0.3) & (time < 3.6), np.sin(2.0 * np.pi * 30.0 * time * (1.0 + time)), 0.0)
    rest = sweep + noise * rng.standard_normal(len(time))
    amid = sweep[4000:28000] + noise * rng.standard_normal(24000)
    rings = rest + 0.1 * np.sin(2.0 * np.pi * 30.0 * time) * (time > 3.0)
    assert [lines_of(x, x, 8000.0).blocks[0].rest for x in (rest, amid, rings)] == [True, False, False]


def _with_rest(hum_dbfs, bits=None, mains=50.07, rate=24000.0):
    """A sweep between rests in two channels, with hum all the while, through a converter of so many bits."""
    rng = np.random.default_rng(6)
    time = np.arange(round(2.8 * rate)) / rate
    inside = (time > 0.15) & (time < 2.55)
    grows = math.log(1500.0) / 2.4
    sweep = 0.03 * np.where(inside, np.sin(2.0 * np.pi * 5.0 / grows * np.expm1(grows * (time - 0.15))), 0.0)
    hum = sum(np.sin(2.0 * np.pi * k * mains * time + k) / k for k in (1, 3, 5))
    both = np.stack([sweep + 10.0 ** (hum_dbfs / 20.0) * hum, 0.1 * sweep + 10.0 ** (hum_dbfs / 20.0) * hum])
    both += 6e-6 * rng.standard_normal(both.shape)
    return both if bits is None else np.rint(both * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)


@pytest.mark.parametrize("bits", [None, 16, 14])
@pytest.mark.parametrize("mains", [49.95, 60.09])
@pytest.mark.parametrize("hum_dbfs", [-90.0, -80.0, -70.0])
def test_ends_that_hold_nothing_but_hum_are_at_rest(hum_dbfs, mains, bits):
    """Their sides are taken out as hum; for ends amid an excitation, all modes of the ratio were, slow ones too."""
    assert lines_of(*_with_rest(hum_dbfs, bits, mains), 24000.0).blocks[0].rest


@pytest.mark.parametrize("cut", [slice(4200, None), slice(None, -7000), slice(8000, -9000)])
def test_ends_amid_a_sweep_are_not_at_rest_beside_hum(cut):
    assert not lines_of(*_with_rest(-70.0)[:, cut], 24000.0).blocks[0].rest


def test_an_end_with_hum_that_the_other_has_not_is_not_at_rest():
    both = _with_rest(-200.0)
    both[:, :3000] += 3e-4 * np.sin(2.0 * np.pi * 50.0 * np.arange(3000) / 24000.0)
    assert not lines_of(*both, 24000.0).blocks[0].rest
