"""What a phone hears of a shot: the tip, the cushion, the room; nothing unless asked for."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from sample_clips.physics import Floats

RATE_HZ = 48_000
# Frequency in Hz, time constant in s, share: a click of leather on resin, a thud of rubber under cloth on wood.
_CLICK = ((1700.0, 0.0025, 1.0), (2900.0, 0.0018, 0.7), (4700.0, 0.0010, 0.5), (9300.0, 0.0005, 0.3))
_THUD = ((240.0, 0.025, 1.0), (510.0, 0.012, 0.7), (1100.0, 0.006, 0.4), (2100.0, 0.002, 0.15))
_CLICK_RISE_S, _THUD_RISE_S = 0.00015, 0.0008


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Where the shot is heard.

    Attributes
    ----------
    temperature_c : float
        Of the air, in degrees Celsius.
    delay_s : float
        How much later than the picture the phone writes its sound.
    loudness : float
        Amplitude of strike and cushion at 1 m, of 1.
    noise : float
        Of the microphone.
    hum : float
        Of the room: noise that falls by 6 dB an octave.
    knocks : tuple of (float, float)
        Time at the phone, on the clip's clock, and amplitude of knocks that have nothing to do with the shot.
    slowed_along : bool
        Whether a file that plays slower holds its sound slowed down as well; else it is as it was, and shorter.
    """

    temperature_c: float = 20.0
    delay_s: float = 0.04
    loudness: float = 0.3
    noise: float = 0.001
    hum: float = 0.004
    knocks: tuple[tuple[float, float], ...] = ()
    slowed_along: bool = True

    @property
    def sound_m_s(self) -> float:
        """Speed of sound in dry air, 331.3 m/s at nought degrees and as the root of the absolute temperature."""
        return 331.3 * math.sqrt(1 + self.temperature_c / 273.15)


def shot_sound(
    room: Room, *, strike_s: float, contact_s: float, ways_m: tuple[float, float], duration_s: float, seed: int
) -> Floats:
    """Return the samples of a clip's sound, at `RATE_HZ`.

    Parameters
    ----------
    room : Room
        Where it is heard.
    strike_s, contact_s : float
        When the ball is struck and meets the cushion, on the clip's clock.
    ways_m : (float, float)
        How far these are from the phone.
    duration_s : float
        Of the clip.
    seed : int
        Of the noise.
    """
    rng = np.random.default_rng([seed, 5])
    times_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    heard = room.noise * rng.normal(size=len(times_s))
    slow = np.cumsum(rng.normal(size=len(times_s) + RATE_HZ // 50))
    slow = slow[RATE_HZ // 50 :] - slow[: -(RATE_HZ // 50)]
    heard += room.hum * slow / slow.std()
    events = [(strike_s, ways_m[0], _CLICK, _CLICK_RISE_S), (contact_s, ways_m[1], _THUD, _THUD_RISE_S)]
    for event_s, way_m, tones, rise_s in events:
        at_s = event_s + way_m / room.sound_m_s + room.delay_s
        heard += _knock(times_s - at_s, tones, rise_s, room.loudness / way_m, rng)
    for at_s, loud in room.knocks:
        heard += _knock(times_s - at_s - room.delay_s, _CLICK, _CLICK_RISE_S, loud, rng)
    return np.clip(heard, -1, 1)


def slowed_sound(samples: Floats, times: float) -> Floats:
    """Return a sound that lasts so many times as long, and sounds as much lower."""
    return np.asarray(resample_poly(samples, round(times), 1))


def _knock(
    since_s: Floats,
    tones: tuple[tuple[float, float, float], ...],
    rise_s: float,
    amplitude: float,
    rng: np.random.Generator,
) -> Floats:
    tau_s = np.maximum(since_s, 0.0)
    ringing = sum(
        share * np.sin(2 * np.pi * hz * tau_s + rng.uniform(0, 2 * np.pi)) * np.exp(-tau_s / constant_s)
        for hz, constant_s, share in tones
    )
    return amplitude * (since_s >= 0) * (1 - np.exp(-tau_s / rise_s)) * ringing
