"""Sudden sounds: when each begins, and how sure that is.

A knock raises the power within a millisecond. Where it rises is found in short blocks, against the sound before;
when it begins, by Akaike's criterion on the samples: the place that divides them best into two pieces of different
power, as seismic arrivals are picked (Maeda 1985, Zisin 38, 365; from memory). What was heard just before hides
what is weaker, so that echoes are no onsets of their own unless they are as loud.
"""

import math
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats
from tracker.sound import Sound

# A tip on a ball clicks from 1 kHz up. A ball on a cushion thuds lower, down to where rooms hum.
SHARP_HZ, DULL_HZ = (1500.0, 12_000.0), (250.0, 1500.0)
_BLOCK_S = 0.001
# A block is a knock if its power is that many times the median of the blocks before it, and the loudest of those
# just before it: what rings down by itself does neither.
_OVER_NOISE, _OVER_BEFORE = 16.0, 6.0
_NOISE_BLOCKS, _BEFORE_BLOCKS, _GAP_BLOCKS = 80, 8, 2  # a thud takes two blocks to rise
_ONE_KNOCK_BLOCKS, _LOUDEST_BLOCKS = 4, 3
# Two onsets nearer to each other than this are one, of the louder's strength; so long after one, what is weaker by
# so much is its echo.
_APART_S = 0.004
_ECHO_S, _ECHO_DB = 0.06, 3.0
# Where sound begins and ends: what lies beyond is no quiet.
_EDGE_BLOCKS, _END_BLOCKS = 50, 12
_PICK_BEFORE_S, _PICK_AFTER_S = 0.006, 0.003
# Of a filter's delay, the time base of a track (1/44100 s or so) and a click's own first swing.
_LEAST_SD_S = 0.0002
# What a codec lets be heard before a loud click is this part of its power, or less, and no onset of its own: up to
# 2.5 ms before in clips of FFmpeg's AAC coder, which a pick without this takes for the click.
_FOREBODING = 1e-3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Onsets:
    """Sudden sounds in order of time.

    Attributes
    ----------
    times_s : (N,) float64
        When each begins, as the sound's own times.
    sds_s : (N,) float64
        Standard uncertainty of each.
    strengths_db : (N,) float64
        Power at its loudest over that of the noise before.
    """

    times_s: Floats
    sds_s: Floats
    strengths_db: Floats


def find_onsets(sound: Sound) -> Onsets:
    """Find the sudden sounds.

    Parameters
    ----------
    sound : Sound
        Some seconds; what begins in the first twentieth of a second, or the last hundredth, is not found.

    Returns
    -------
    Onsets
        Of clicks and thuds: each is sought in the band in which it stands out more.
    """
    found: list[tuple[float, float, float]] = []
    for band_hz in (SHARP_HZ, DULL_HZ):
        found += _in_band(sound, band_hz)
    kept: list[tuple[float, float, float]] = []
    for one in sorted(found, key=lambda each: -each[2]):
        if not any(_is_of(one, louder) for louder in kept):
            kept.append(one)
    table = np.array(sorted(kept), dtype=np.float64).reshape(-1, 3)
    return Onsets(times_s=table[:, 0], sds_s=table[:, 1], strengths_db=table[:, 2])


def _is_of(one: tuple[float, float, float], louder: tuple[float, float, float]) -> bool:
    """Whether a knock is the same as a louder one, or its echo."""
    later_s = one[0] - louder[0]
    return abs(later_s) < _APART_S or (0 < later_s < _ECHO_S and one[2] < louder[2] - _ECHO_DB)


def _in_band(sound: Sound, band_hz: tuple[float, float]) -> list[tuple[float, float, float]]:
    """Time, standard uncertainty and strength of each onset in one band."""
    from scipy.signal import butter, sosfilt  # a tenth of a second that silent recordings need not pay

    rate = sound.rate_hz
    high = min(band_hz[1], 0.45 * rate)
    sections = butter(2, [band_hz[0], high], btype="bandpass", fs=rate, output="sos")
    # Forwards only: backwards a click would be heard before it is made.
    heard = np.asarray(sosfilt(sections, sound.samples))
    step = max(1, round(_BLOCK_S * rate))
    n = len(heard) // step
    power = np.mean(heard[: n * step].reshape(n, step) ** 2, axis=1)
    if n < _EDGE_BLOCKS + _END_BLOCKS:
        return []
    floor = 1e-12 + 1e-9 * float(power.max())
    noise = np.maximum(np.roll(_running_median(power), _GAP_BLOCKS), floor)
    # the loudest of the blocks before each, those left out between which it rises
    windows = np.lib.stride_tricks.sliding_window_view(power, _BEFORE_BLOCKS)
    before = np.full(n, np.inf)
    before[_GAP_BLOCKS + _BEFORE_BLOCKS :] = windows[: n - _GAP_BLOCKS - _BEFORE_BLOCKS].max(axis=1)
    rises = (power > _OVER_NOISE * noise) & (power > _OVER_BEFORE * np.maximum(before, floor))
    rises[:_EDGE_BLOCKS] = rises[n - _END_BLOCKS :] = False
    found: list[tuple[float, float, float]] = []
    next_block = 0
    for k in map(int, np.flatnonzero(rises)):
        if k < next_block:
            continue
        next_block = k + _ONE_KNOCK_BLOCKS
        loudest = float(power[k : k + _LOUDEST_BLOCKS].max())
        time_s, sd_s = _pick(heard, rate, k * step, width_hz=high - band_hz[0])
        found.append((sound.first_s + time_s, sd_s, 10 * math.log10(loudest / float(noise[k]))))
    return found


def _running_median(power: Floats) -> Floats:
    """Median of the blocks up to each; of fewer at the start."""
    padded = np.concatenate([np.full(_NOISE_BLOCKS - 1, np.nan), power])
    windows = np.lib.stride_tricks.sliding_window_view(padded, _NOISE_BLOCKS)
    first = min(_NOISE_BLOCKS, len(power))
    medians = np.empty(len(power))
    medians[:first] = [np.median(power[: k + 1]) for k in range(first)]
    medians[first:] = np.median(windows[first:], axis=1)
    return medians


def _pick(heard: Floats, rate_hz: float, near: int, *, width_hz: float) -> tuple[float, float]:
    """When the power rises, in s from the first sample, and the standard uncertainty of that."""
    first = max(near - round(_PICK_BEFORE_S * rate_hz), 0)
    # up to the loudest sample: what rings down after it is no second kind of noise
    after = heard[near : near + round(_PICK_AFTER_S * rate_hz)]
    last = near + max(int(np.argmax(np.abs(after))), 8)
    piece = heard[first : last + 1]
    n = len(piece)
    edge = 4
    squares = np.concatenate([[0.0], np.cumsum(piece**2)])
    k = np.arange(edge, n - edge)
    if len(k) < 2:
        return near / rate_hz, _BLOCK_S
    tiny = _FOREBODING * float(np.max(piece**2)) + 1e-20
    fit = k * np.log(squares[k] / k + tiny) + (n - k) * np.log((squares[-1] - squares[k]) / (n - k) + tiny)
    # neighbouring samples of a band are alike: it holds two independent ones a second for each hertz of its width
    share = min(1.0, 2 * width_hz / rate_hz)
    likely = np.exp(-0.5 * share * (fit - fit.min()))
    likely /= likely.sum()
    mean = float(likely @ k)
    sd = float(np.sqrt(likely @ (k - mean) ** 2))
    return (first + mean) / rate_hz, float(np.hypot(sd / rate_hz, _LEAST_SD_S))
