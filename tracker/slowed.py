"""Whether a sound plays in real time or was slowed down: slowed sound ends lower than microphones do.

A camera records sound at 48 kHz or less, so slowed m times it ends at 24 kHz / m. In real time a microphone's noise
and a room's go on beyond that, falling gently.
"""

import math

import numpy as np

from tracker.sound import Sound

_TOP_HZ = 24_000.0
TIMES = (2.0, 4.0, 8.0, 16.0)  # by powers of two, as cameras do
# Parts of a slowed sound's highest frequency, below and beyond it, in which the noise is compared. What codecs let
# through above the end of a sound reaches no farther than the next of their bands.
_BELOW, _BEYOND = (0.5, 0.8), (1.25, 1.45)
# Of noise that falls by 6 dB an octave 6.3 dB are lost from one to the other. Slowed sound loses 90 dB with a good
# interpolation (FFmpeg), 63 with a poor one, 10 with a straight line from sample to sample, measured.
_MOST_LOST_DB = 9.0
# Below the loudest, so much less is no noise but what a codec makes of nothing: 135 dB and more, measured.
_NOTHING_DB = -115.0
# Nor is what rounding to 16 bits makes, dither included: a quarter of a squared step, over 24 kHz, is -140 dB
# a hertz. An editor may have rounded after it slowed the sound of a phone that is silent between knocks.
_ROUNDING_DB = -138.0
# Power a hertz that no sound has: a step of 32 bits makes a thousand times as much.
_SILENCE = 1e-26
_SEGMENT = 1024


def slowed_less_than(sound: Sound) -> float:
    """Give the least of `TIMES` by which a sound cannot have been slowed down; infinity where nothing shows that.

    Parameters
    ----------
    sound : Sound
        Some tenths of a second or more, quiet for half of it.

    Notes
    -----
    An editor that stretches a sound without lowering it is not noticed.
    """
    from scipy.signal import spectrogram  # a tenth of a second that silent recordings need not pay

    if len(sound.samples) < 4 * _SEGMENT or not sound.samples.any():
        return math.inf
    # A window whose own side lobes lie 90 dB below.
    hz, _, power = spectrogram(sound.samples, fs=sound.rate_hz, window="blackmanharris", nperseg=_SEGMENT)
    if power.max() < _SILENCE:  # constant
        return math.inf
    noise_db = 10 * np.log10(np.median(power, axis=1) + 1e-30)
    nothing_db = max(10 * math.log10(float(power.max())) + _NOTHING_DB, _ROUNDING_DB)

    def level_db(part: tuple[float, float], end_hz: float) -> float:
        inside = (hz >= part[0] * end_hz) & (hz <= part[1] * end_hz)
        return float(np.median(noise_db[inside])) if inside.any() else -math.inf

    least = math.inf
    for times in reversed(TIMES):
        end_hz = _TOP_HZ / times
        beyond_db = level_db(_BEYOND, end_hz)
        if beyond_db < max(level_db(_BELOW, end_hz) - _MOST_LOST_DB, nothing_db):
            break
        least = times
    return least
