"""Strike and cushion as heard: how far apart they are in time, and what that says of the recording's clock.

The phone hears the strike from the spot and the cushion from the rail, which are not equally far from it: what the
ways differ by, over the speed of sound, is taken out. The delay of sound against picture, tens of milliseconds and
alike in all of a clip, falls out of the difference of two times.

That knocks lie where the picture's own times, as the file plays, say them to be shows only that sound and picture
go together: both may have been slowed down alike. Where the sound shows that it was not (`tracker.slowed`), the
picture plays in real time as well. Sound that is several times shorter than the picture was not slowed down with
it, and is a clock of its own.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analyze.fit.motion import state
from analyze.fit.path_fit import PathFit
from analyze.fit.quantities import ARE_SPEEDS, Quantities, with_lane_time
from analyze.fit.reasons import HEARD_OTHERWISE
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.heard import ASIDE_S, HeardSound

# 331.3 m/s sqrt(1 + T / 273.15 K), dry air (textbook; ISO 9613-1:1993 gives 343.2 m/s at 20 degrees): rooms of
# 15 to 29 degrees Celsius, as one standard deviation about 22.
SOUND_M_S = 331.3 * math.sqrt(1 + 22 / 273.15)
_SOUND_SHARE_SD = 0.012
# A tip stays on the ball for one to two milliseconds, a ball sinks into rubber for some; either is heard somewhere
# in the first of them. What both have in common falls out.
_STRIKE_SD_S, _CUSHION_SD_S = 0.0005, 0.0008
_MICROPHONE_SD_M = 0.08  # from the camera, along either way: phones are 15 cm long
# A pair of knocks is as far apart as the path says if it is so to that much of it, or to 4 standard deviations, or
# to that many seconds: a readout time stated as 0 for 16 ms makes 10 ms.
_LIKE_SHARE, _LIKE_SDS, _LIKE_S = 0.015, 4.0, 0.012
_AGREE_SDS, _OTHERWISE_SDS = 3.0, 4.0
# So much weaker than the strongest of its window, a knock is something else (an echo, a chair).
_WEAKER_DB = 12.0
# Knocks that come by chance make so many such pairs at most, by how often it knocks.
_BY_CHANCE = 0.05
# That one of the two is not heard, a soft cushion or a tip beside a loud room: as likely as not (chosen).
_UNHEARD = 0.5
_SAME = 1.1  # clocks whose rates are nearer than this are one


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardShot:
    """Strike and cushion of one shot, heard.

    Attributes
    ----------
    apart_s, apart_sd_s : float
        Time from strike to cushion in the sound's own seconds, at the ball, and its standard uncertainty.
    fitted_s, fitted_sd_s : float
        What the fitted path says, in the sound's own seconds, if picture and sound go together as the file has it.
    dragged_sd_s : float
        Standard uncertainty of that for what a phone's processing drags the ball back by (`ErrorPriors`).
    strike_s : float
        When the strike was heard, on the clip's clock: the time of its way taken out, the delay of the sound in it.
    clock_factor : float
        How many times too slowly the clip's clock runs if the sound plays in real time; 1 if it is right.
    slowed_less_than : float
        As `HeardSound`.
    others_per_s : float
        Pairs that are the shot's by half only, one knock being something else, for each second by which they may
        lie apart, to one pair that is the shot's.
    """

    apart_s: float
    apart_sd_s: float
    fitted_s: float
    fitted_sd_s: float
    dragged_sd_s: float
    strike_s: float
    clock_factor: float
    slowed_less_than: float
    others_per_s: float

    @property
    def lane_s(self) -> float:
        """Time from strike to cushion as the fitted path says by the clip's clock."""
        return self.fitted_s * self.clock_factor

    def not_slowed(self, times: float) -> bool:
        """Whether the sound reaches higher than it could if it had been slowed down so many times."""
        return times > self.slowed_less_than / _SAME

    @property
    def clock_right(self) -> bool:
        """Whether the clip's clock is that of the sound as it plays."""
        return 1 / _SAME < self.clock_factor < _SAME

    @property
    def sd_s(self) -> float:
        """Standard uncertainty of how much farther apart they are heard than fitted."""
        return math.hypot(self.apart_sd_s, self.clock_factor * math.hypot(self.fitted_sd_s, self.dragged_sd_s))

    @property
    def surprise(self) -> float:
        """How much farther apart they are heard than the path says by the clip's clock, in `sd_s`.

        Where the clock counts as right, sound and clock both claim to be real time, and few per cent between them
        are an error of one.
        """
        return (self.apart_s - self.lane_s) / self.sd_s

    @property
    def clock_near(self) -> bool:
        """Whether the clip's clock is somewhat off: the file as it plays agrees with what is heard, it does not.

        So it is with a nominal rate: 240 for the 230 that a phone reached, 25 for 24.
        """
        plays = abs(self.apart_s - self.fitted_s) < _AGREE_SDS * self.sd_s
        return self.clock_right and plays and abs(self.surprise) >= _OTHERWISE_SDS

    @property
    def believed(self) -> float:
        """Probability that both knocks are the shot's, by how they go with the path and how often it knocks."""
        likely = math.exp(-(self.surprise**2) / 2) / (math.sqrt(2 * math.pi) * self.sd_s)
        return likely / (likely + self.others_per_s)

    def settles(self, times: float) -> bool:
        """Whether the clock is right and not `times` times too slow: heard and fitted agree within what is known.

        Stretched without being lowered, as editors can, a sound shows no other sign: its knocks are 5 to 16 ms
        too near to each other (FFmpeg's `atempo`, two and four times).
        """
        return abs(self.surprise) < _AGREE_SDS and self.clock_right and self.not_slowed(times)

    @property
    def clock_wrong(self) -> bool:
        """Whether the clip's clock is not that of the sound, and the sound is seen to play in real time."""
        if self.clock_right:
            return False
        # A clock said to be quicker than the file plays would be right if the sound was slowed down with the file.
        return self.clock_factor > 1 or self.not_slowed(1 / self.clock_factor)


def hear_shot(heard: HeardSound, fit: PathFit, found: Quantities, calibration: Calibration) -> HeardShot | None:
    """Find strike and cushion among the knocks of a recording.

    Parameters
    ----------
    heard : HeardSound
        The knocks.
    fit : PathFit
        The motion fitted to the sightings.
    found : Quantities
        What that says, the time on the lane among it.
    calibration : Calibration
        The one it was fitted with; gives the camera's place.

    Returns
    -------
    HeardShot or None
        None unless exactly one pair of knocks about the two times is as far apart as the path says, and pairs that
        come by chance are rare in this recording.
    """
    contact_s, strike_s = fit.contact_s, float(fit.parameters[2])
    place_m, _ = state(fit.parameters, np.array([contact_s]), pull_m_s2=fit.pull_m_s2)
    ways_m = _ways_m(np.stack([fit.parameters[:2], place_m[0]]), calibration)
    # In real time: too small for sound that was slowed down with the picture, by a few milliseconds in times that
    # are as many times longer. Such sound refuses and settles nothing, and that much mostly lies within `like_s`.
    later_s = float(ways_m[1] - ways_m[0]) / SOUND_M_S
    fitted_s = found.lane_s / heard.clock_s_per_s
    dragged_s = fit.error_priors.speed_share_sd * fitted_s
    fitted_sd_s = math.sqrt(max(float(found.lane_cov[-1]) / heard.clock_s_per_s**2 - dragged_s**2, 0.0))
    own_sd_s = math.sqrt(
        _STRIKE_SD_S**2
        + _CUSHION_SD_S**2
        + (later_s * _SOUND_SHARE_SD) ** 2
        + 2 * (_MICROPHONE_SD_M / SOUND_M_S) ** 2
    )
    strikes = _near(heard, heard.sound_s(strike_s) + float(ways_m[0]) / SOUND_M_S)
    contacts = _near(heard, heard.sound_s(contact_s) + float(ways_m[1]) / SOUND_M_S)
    like_s = max(_LIKE_SHARE * fitted_s, _LIKE_SDS * math.hypot(own_sd_s, fitted_sd_s), _LIKE_S)
    pairs = [
        (i, j)
        for i in strikes
        for j in contacts
        if j > i and abs(heard.times_s[j] - heard.times_s[i] - later_s - fitted_s) < like_s
    ]
    if len(pairs) != 1 or _by_chance(heard, like_s) > _BY_CHANCE:
        return None
    i, j = pairs[0]
    return HeardShot(
        apart_s=float(heard.times_s[j] - heard.times_s[i]) - later_s,
        apart_sd_s=math.hypot(own_sd_s, float(heard.sds_s[i]), float(heard.sds_s[j])),
        fitted_s=fitted_s,
        fitted_sd_s=fitted_sd_s,
        dragged_sd_s=dragged_s,
        strike_s=(float(heard.times_s[i]) - heard.begins_s - float(ways_m[0]) / SOUND_M_S) * heard.clock_s_per_s,
        clock_factor=heard.clock_s_per_s,
        slowed_less_than=heard.slowed_less_than,
        others_per_s=2 * _rate(heard) * _UNHEARD / (1 - _UNHEARD),
    )


def with_sound(found: Quantities, heard: HeardShot | None) -> Quantities:
    """Return what a shot says where the time from strike to cushion, as heard, counts as well.

    Sound knows nothing of exposure, readout or what a phone does to its pictures, so it is the better clock for
    speeds. It counts where the clock is right and the two agree, and for as much as it is believed: mean and
    covariance are those of the mixture of what the shot says with it and without.

    Where the two are farther from each other than their uncertainties, one of these is too small, as where a wrong
    readout time is stated: those of the speeds are as many times larger then (Birge's ratio, as the Particle Data
    Group averages; Phys. Rev. D 110, 030001, section 5.2.2, from memory).
    """
    if heard is None or not heard.clock_right or abs(heard.surprise) >= _OTHERWISE_SDS:
        return found
    told, share = with_lane_time(found, heard.apart_s, heard.apart_sd_s), heard.believed
    moved = told.values - found.values
    larger = np.where(ARE_SPEEDS, max(1.0, abs(heard.surprise)), 1.0)
    cov = (
        share * told.cov * np.outer(larger, larger)
        + (1 - share) * found.cov
        + share * (1 - share) * np.outer(moved, moved)
    )
    return replace(found, values=found.values + share * moved, cov=cov)


def heard_otherwise(heard: HeardShot, *, frame_period_s: float) -> NotMeasured | None:
    """Ask whether strike and cushion are heard at another distance in time than the path can have.

    Parameters
    ----------
    heard : HeardShot
        Strike and cushion.
    frame_period_s : float
        Of the recording, by the clip's clock.

    Returns
    -------
    NotMeasured or None
        The doubt; where the clip's clock explains it, with the rate that goes with the sound.
    """
    if not heard.clock_right or abs(heard.surprise) < _OTHERWISE_SDS:
        return None
    later_ms = 1000 * (heard.apart_s - heard.lane_s)
    rate = f": {heard.clock_factor / frame_period_s:.4g} frames a second go with the sound"
    return NotMeasured(
        HEARD_OTHERWISE,
        f"{abs(later_ms):.1f} ms {'farther apart' if later_ms > 0 else 'nearer'} than the path says, "
        f"{abs(heard.surprise):.1f} standard uncertainties: speeds would be "
        f"{100 * abs(heard.apart_s / heard.lane_s - 1):.1f} % {'lower' if later_ms > 0 else 'higher'}"
        f"{rate if heard.clock_near else ''}",
    )


def _ways_m(places_m: Floats, calibration: Calibration) -> Floats:
    """Distance from the camera to the ball's centre at two places on the cloth, (2,)."""
    at = np.column_stack([places_m, np.full(len(places_m), calibration.ball.radius_m)])
    ways: Floats = np.linalg.norm(at - calibration.camera.position_m, axis=1)
    return ways


def _near(heard: HeardSound, expected_s: float) -> npt.NDArray[np.int64]:
    """Knocks that can be what was expected then: none much weaker than the strongest about that time."""
    near = np.abs(heard.times_s - expected_s) < ASIDE_S
    strongest_db = heard.strengths_db[near].max(initial=-np.inf)
    return np.flatnonzero(near & (heard.strengths_db > strongest_db - _WEAKER_DB))


def _rate(heard: HeardSound) -> float:
    """Knocks a second that have nothing to do with the shot: all but two of those heard, and half a one."""
    return (max(len(heard.times_s) - 2, 0) + 0.5) / max(heard.until_s - heard.from_s, 2 * ASIDE_S)


def _by_chance(heard: HeardSound, like_s: float) -> float:
    """Pairs to be expected of two knocks that have nothing to do with the shot, or of one beside one that has."""
    rate = _rate(heard)
    return (rate**2 * 2 * ASIDE_S + 2 * rate * _UNHEARD) * 2 * like_s
