"""The cue at the strike: its axis from the last frames before it, or why it is not known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibrate.arrays import Floats
from calibrate.errors import NotMeasured
from tracker.cue_end import front_end_m
from tracker.cue_image import (
    HALF_TAPER,
    HALF_TAPER_SD,
    HALF_WIDTH_M,
    HALF_WIDTH_SD_M,
    AxisFit,
    find_axis,
    fit_axis,
)
from tracker.cue_strip import CueStrip, Luma
from tracker.cue_stroke import stroke_speed
from tracker.path import CueSight
from tracker.reasons import CUE_NOT_SEEN, CUE_OUTSIDE, CUE_UNSTEADY

# The last practice stroke shows what moves; the last tenth of a second shows how the cue came to the ball.
LOOK_BACK_S = 0.4
FIT_WITHIN_S = 0.11
MOST_LOOKED_AT, MOST_FITTED, LEAST_FITTED = 20, 8, 2
# Where nothing shows how fast it comes, it must not move aside by more than so many standard deviations of what
# strokes do and frames show: a stick that a hand moves does.
SWERVE_SDS = 3.0
# A stroke may swerve: half a degree off the axis at 2 m/s is 2 cm a second, and it turns the cue about the bridge,
# 0.2 to 0.3 m behind the ball (common practice, no source).
BESIDE_RATE_SD_M_S, TURN_RATE_SD_S = 0.020, 0.070
# From so many frames on a drift is told from what single frames get wrong.
LEAST_FOR_DRIFT = 4
# What misleads an edge (what lies behind it, light from one side) is alike in all frames: so much of the variance
# of a frame is not averaged away.
COMMON_SHARE = 0.5
# The sideways speed is told from the frames alone, and not where it is worse known than this.
WIDE_RATE_M_S, WIDE_TURN_S, MOST_SIDEWAYS_SD_M_S = 0.5, 0.5, 0.04
# What misleads the edges changes a little as the cue comes nearer: rendered strokes that go straight showed up to
# 9 mm a second.
LEAST_SIDEWAYS_SD_M_S = 0.004
# A stick that a hand draws aside moves faster than a stroke swerves.
MOST_ASIDE_M_S = 0.2
# Up and down a tip moves by so much at most where it strikes (an elbow that drops; chosen, no source).
UP_RATE_SD_M_S = 0.05
# The middle of two edges under uneven light, or of two kinds of blur, errs by so much at both ends of the stretch
# that is seen, whatever the pixels say, for each time that the shaft is brighter than it stands out: lit from one
# side 0.05 to 0.25 px for pale wood on dark cloth (1.7 times), 0.4 px for maple on lit cloth (4 times), and 0.03 px
# for a black shaft, which has little light to show unevenly.
LIGHT_BIAS_PX, LEAST_BRIGHT = 0.05, 1.7
# Tips are 14 mm thick at most (common practice, no source): in one that looks thicker an edge is off by twice what
# its half exceeds that, and the middle by as much. In one that looks thinner than tips are, one rim may be lost (in
# the shade, or behind the line of a lamp that a black shaft mirrors), and the middle is off by what its half lacks,
# where the shaft is seen nearest: drawn out from there to the ball the thickness says less.
MOST_USUAL_HALF_WIDTH_M = 0.0070
# Frames whose axis is farther than this from the others' show something else.
MOST_AWAY_SDS = 4.0
# The axis is not given where it is worse known than this.
MOST_TURN_SD = np.radians(0.4)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CueFrames:
    """Windows behind the ball, of the frames before its strike.

    Attributes
    ----------
    strip : CueStrip or None
        Where they lie; None where too little behind the ball is in the picture.
    windows : list of (float, (h, w) uint8)
        Times and windows, the last of them before the strike.
    """

    strip: CueStrip | None
    windows: list[tuple[float, Luma]]


def sight_cue(seen: CueFrames, *, strike_s: float, noise: float) -> CueSight | NotMeasured:
    """Find the axis of the cue at the strike.

    Parameters
    ----------
    seen : CueFrames
        The frames before it.
    strike_s : float
        Its time, good to a frame.
    noise : float
        Standard deviation of a pixel, grey levels.

    Returns
    -------
    CueSight or NotMeasured
        The axis, or the reason why it is not known.
    """
    strip = seen.strip
    if strip is None:
        return NotMeasured(CUE_OUTSIDE, "")
    looked_at = [one for one in seen.windows if one[0] > strike_s - LOOK_BACK_S]
    if len(looked_at) < LEAST_FITTED:
        return NotMeasured(CUE_NOT_SEEN, f"{len(looked_at)} frames before the strike")
    late = [one for one in looked_at if one[0] > strike_s - FIT_WITHIN_S] or looked_at[-LEAST_FITTED:]
    early = looked_at[: len(looked_at) - len(late)]
    late = [late[i] for i in _spread(len(late), MOST_FITTED)]
    strips = [strip.straighten(window) for _, window in late]
    before = [strip.straighten(early[i][1]) for i in _spread(len(early), MOST_LOOKED_AT)]
    start = find_axis(before + strips, strip)
    if start is None:
        return NotMeasured(CUE_NOT_SEEN, "no stripe that moves points at the ball")
    fits = [fit_axis(one, start, strip, noise=noise) for one in strips]
    fitted = [
        (time_s, fit, values)
        for (time_s, _), fit, values in zip(late, fits, strips, strict=True)
        if fit is not None
    ]
    if len(fitted) < LEAST_FITTED:
        return NotMeasured(CUE_NOT_SEEN, f"both its edges show in {len(fitted)} of {len(fits)} frames")
    found = _at_strike([(time_s, fit) for time_s, fit, _ in fitted], strip, strike_s=strike_s)
    if isinstance(found, NotMeasured):
        return found
    sight, aside_m_s = found
    last_s, last_fit, last_strip = fitted[-1]
    sight = replace(sight, last_s=last_s, end_m=front_end_m(last_strip, last_fit, strip))
    speed = stroke_speed(fitted, strip, strike_s=strike_s)
    if speed is not None:
        return replace(sight, speed_m_s=speed[0], speed_sd_m_s=speed[1])
    if sight.sideways_m_s is not None and sight.sideways_sd_m_s is not None:
        aside_m_s = sight.sideways_m_s
        usual_m_s = SWERVE_SDS * float(np.hypot(sight.sideways_sd_m_s, BESIDE_RATE_SD_M_S))
    else:  # frames that tell it badly do not excuse it: in the scatter of a few is the motion itself
        usual_m_s = SWERVE_SDS * float(np.hypot(BESIDE_RATE_SD_M_S * strip.side[0], UP_RATE_SD_M_S * strip.side[2]))
    if abs(aside_m_s) > usual_m_s:
        aside = f"it moves aside at {abs(aside_m_s):.2f} m/s, and how fast it comes shows in no frame"
        return NotMeasured(CUE_UNSTEADY, aside)
    return sight


def _spread(count: int, most: int) -> list[int]:
    """At most `most` of `count` indices, evenly spread, the last among them."""
    return (
        [int(i) for i in np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(int))]
        if count
        else []
    )


def _at_strike(
    fitted: Sequence[tuple[float, AxisFit]], strip: CueStrip, *, strike_s: float
) -> tuple[CueSight, float] | NotMeasured:
    """Axis at the strike from those of single frames: least squares with a steady drift of known size.

    Beside it how fast it goes along the strip's side, in m/s, however badly the frames tell that.
    """
    values = np.array([fit.values for _, fit in fitted])
    covs = np.array([fit.cov for _, fit in fitted])
    times_s = np.array([time_s for time_s, _ in fitted]) - strike_s
    middle = _drifting(times_s, values) if len(values) >= LEAST_FOR_DRIFT else np.median(values, axis=0)
    if len(values) > LEAST_FITTED:
        spread = 1.4826 * np.median(np.abs(values - middle), axis=0)
    else:  # two always lie alike about their middle, so what strokes do in between stands for what frames get wrong
        spread = np.array([BESIDE_RATE_SD_M_S, TURN_RATE_SD_S]) * float(np.ptp(times_s)) / 2
    # compared near the ball and far behind it, where errors of the two numbers are least alike
    places = np.array([[1.0, 0.3], [1.0, strip.along_m[-1]]])
    away = np.abs((values - middle) @ places.T)
    stated2 = np.einsum("pi,nij,pj->np", places, covs, places)
    allowed = np.sqrt(stated2 + (np.abs(places) @ spread) ** 2)
    good = (away < MOST_AWAY_SDS * allowed).all(axis=1)
    if np.count_nonzero(good) < LEAST_FITTED:
        return NotMeasured(CUE_UNSTEADY, f"{len(fitted)} frames show {len(fitted)} different axes")
    # scatter beyond what the frames state is theirs as well
    beyond = max(1.0, float(np.median(away[good] / np.sqrt(stated2[good]))) / 0.6745)
    times_s, values, covs = times_s[good], values[good], covs[good]
    told_by_frames = np.zeros((4, 4))
    right_side = np.zeros(4)
    # of both ends of its stretch in each frame, nearer and farther
    ends_m = np.array([(fit.from_m, fit.to_m) for _, fit in fitted])
    light_m = np.array([np.maximum(fit.bright, LEAST_BRIGHT) for _, fit in fitted])
    light_m *= LIGHT_BIAS_PX / strip.px_across_m
    for t, value, cov, ends, lit in zip(times_s, values, covs, ends_m[good], light_m[good], strict=True):
        design = np.array([[1.0, 0.0, t, 0.0], [0.0, 1.0, 0.0, t]])
        own = cov * beyond**2 + (1 - COMMON_SHARE) * _of_ends(ends, lit)
        weighted = design.T @ np.linalg.inv(own)
        told_by_frames += weighted @ design
        right_side += weighted @ value
    normal = told_by_frames + np.diag([0.0, 0.0, 1 / BESIDE_RATE_SD_M_S**2, 1 / TURN_RATE_SD_S**2])
    found = np.linalg.solve(normal, right_side)[:2]
    aside_m_s, aside_sd_m_s = _aside(told_by_frames, right_side)
    if abs(aside_m_s) > MOST_ASIDE_M_S + 3 * aside_sd_m_s:
        return NotMeasured(CUE_UNSTEADY, f"what points at the ball moves aside at {abs(aside_m_s):.2f} m/s")
    sideways = _sideways(told_by_frames, right_side, strip)
    cov = np.linalg.inv(normal)[:2, :2] + COMMON_SHARE * covs.mean(axis=0)
    cov = cov + _of_ends(
        np.median(ends_m, axis=0), np.hypot(np.median(light_m, axis=0), _rim_lost_m([fit for _, fit in fitted]))
    )
    if np.sqrt(cov[1, 1]) > MOST_TURN_SD:
        return NotMeasured(CUE_NOT_SEEN, f"its line is good to {np.degrees(np.sqrt(cov[1, 1])):.1f} degrees")
    along_m = np.array([0.0, float(np.median(ends_m[:, 1]))])
    places = np.stack([np.ones(2), along_m], axis=1)
    points_m = strip.points_m(along_m, places @ found)
    points_px = strip.image(points_m)
    scale = strip.px_across_at(points_m)
    sight = CueSight(
        near_px=points_px[0],
        far_px=points_px[1],
        across_cov_px2=scale[:, None] * (places @ cov @ places.T) * scale,
        frames=int(np.count_nonzero(good)),
        scatter_px=float(np.median([fit.scatter_px for _, fit in fitted])),
        sideways_m_s=sideways[0],
        sideways_sd_m_s=sideways[1],
    )
    return sight, aside_m_s


def _rim_lost_m(fits: Sequence[AxisFit]) -> float:
    """How far the middle of two edges may be off because one of them is not the shaft's."""
    half_m = float(np.median([fit.half_width_m for fit in fits]))
    from_m = float(np.median([fit.from_m for fit in fits]))
    seen_m = float(np.median([fit.half_width_m + fit.half_taper * fit.from_m for fit in fits]))
    if seen_m < HALF_WIDTH_M - HALF_WIDTH_SD_M + (HALF_TAPER - HALF_TAPER_SD) * from_m:
        return HALF_WIDTH_M + HALF_TAPER * from_m - seen_m
    return max(0.0, half_m - MOST_USUAL_HALF_WIDTH_M)


def _of_ends(ends_m: Floats, sds_m: Floats) -> Floats:
    """Covariance of a line's place at the ball and its turn, where both ends of its stretch err by so much."""
    from_ends = np.linalg.inv(np.stack([np.ones(2), ends_m], axis=1)) * sds_m
    return np.asarray(from_ends @ from_ends.T, dtype=np.float64)


def _drifting(times_s: Floats, values: Floats) -> Floats:
    """Lines through (N, 2) values that a few of them do not take along: medians of slopes and rests (Sen 1968)."""
    first, second = np.triu_indices(len(times_s), 1)
    slopes = (values[second] - values[first]) / (times_s[second] - times_s[first])[:, None]
    trend = times_s[:, None] * np.median(slopes, axis=0)
    return np.asarray(trend + np.median(values - trend, axis=0), dtype=np.float64)


def _sideways(normal: Floats, right_side: Floats, strip: CueStrip) -> tuple[float, float] | tuple[None, None]:
    """Speed of the axis at the ball, across it and to the right, and its standard uncertainty, in m/s."""
    aside_m_s, aside_sd_m_s = _aside(normal, right_side)
    # what is seen is the motion along the strip's side, into which a tip that rises or falls enters too
    parts = (aside_sd_m_s, UP_RATE_SD_M_S * strip.side[2], LEAST_SIDEWAYS_SD_M_S)
    sd = float(np.linalg.norm(parts)) / max(float(strip.side[0]), 1e-3)
    if sd > MOST_SIDEWAYS_SD_M_S:
        return None, None
    return aside_m_s / float(strip.side[0]), sd


def _aside(normal: Floats, right_side: Floats) -> tuple[float, float]:
    """Speed of the axis at the ball along the strip's side, and its standard uncertainty, from the frames alone."""
    cov = np.linalg.inv(normal + np.diag([0.0, 0.0, 1 / WIDE_RATE_M_S**2, 1 / WIDE_TURN_S**2]))
    return float((cov @ right_side)[2]), float(np.sqrt(cov[2, 2]))
