"""Squirt of a shot: its launch direction against that of the shooter's centre-ball control shots."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyze.fit.shot import Shot

# How far a shooter's centre-ball shots scatter about the lane, one standard deviation: common practice, no source.
# Used only where a single control shot cannot show its own scatter.
AIM_SD_RAD = math.radians(0.2)
# What the calibration of a camera place does to launch directions is the same in control and test shots from there,
# so that it drops out of squirt.
COMMON_SOURCES = frozenset({"lens", "rail-top", "marks", "scale"})
NO_CONTROLS = "no control shots of this shooter: counted from the lane itself, aim included"


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlZero:
    """Direction in which a shooter's centre-ball shots leave, from the lane or from the cue's own line.

    Attributes
    ----------
    zero_rad : float
        Mean direction, positive to the right.
    sd_rad : float
        Its standard uncertainty, without what test and control shots share.
    shots : int
        Number of control shots.
    places : frozenset of str
        Camera places that they were recorded from.
    common_sd_rad : float
        What the calibrations of these places add for shots from elsewhere.
    """

    zero_rad: float
    sd_rad: float
    shots: int
    places: frozenset[str] = frozenset({""})
    common_sd_rad: float = 0.0

    def serves(self, shot: Shot) -> bool:
        """Whether a shot was recorded from where all the controls were, so that the calibration drops out."""
        return self.places == {shot.place}


@dataclass(frozen=True, slots=True, kw_only=True)
class Squirt:
    """Squirt of one shot.

    Attributes
    ----------
    squirt_rad : float
        Launch direction less the shooter's zero, positive to the right.
    sd_rad : float
        Standard uncertainty of measuring it. With controls the camera's share drops out. The shooter's own aim on
        this shot is no error of measuring and not in it.
    common_sd_rad : float or None
        The part of it that all shots share whose controls were recorded from another camera place: what both
        calibrations err by. None where nothing is shared so.
    note : str
        Says so where there were no control shots; else empty.
    """

    squirt_rad: float
    sd_rad: float
    common_sd_rad: float | None = None
    note: str = ""


def control_zero(controls: Sequence[Shot]) -> ControlZero | None:
    """Find the zero of a shooter from control shots.

    Parameters
    ----------
    controls : sequence of Shot
        Centre-ball shots of one shooter in one set-up; failed ones are passed over.

    Returns
    -------
    ControlZero or None
        None where no control shot was measured.

    Notes
    -----
    The standard uncertainty of the mean from the scatter of the shots themselves (GUM, 4.2.3), but never less than
    their location errors allow. One shot shows no scatter: then `AIM_SD_RAD` stands in.
    """
    seen = [shot for shot in controls if shot.launch_rad is not None]
    launches = [(shot.launch_rad or 0.0, own_launch_sd_rad(shot)) for shot in seen]
    zero = mean_direction(launches, single_sd_rad=AIM_SD_RAD)
    return None if zero is None else placed_zero(zero, seen, [common_launch_sd_rad(shot) for shot in seen])


def placed_zero(zero: ControlZero, controls: Sequence[Shot], common_sds_rad: Sequence[float]) -> ControlZero:
    """Say of a zero where its controls were recorded, and what the calibrations there err by.

    Parameters
    ----------
    zero : ControlZero
        Their mean.
    controls : sequence of Shot
        The shots it is the mean of.
    common_sds_rad : sequence of float
        What each shares with the others from its place.
    """
    return replace(
        zero,
        places=frozenset(shot.place for shot in controls),
        common_sd_rad=math.sqrt(float(np.mean(np.square(common_sds_rad)))),
    )


def mean_direction(seen: Sequence[tuple[float, float]], *, single_sd_rad: float) -> ControlZero | None:
    """Average directions of control shots.

    Parameters
    ----------
    seen : sequence of (float, float)
        Direction and its own standard uncertainty, in rad, of each shot.
    single_sd_rad : float
        How far directions scatter from shot to shot where there is but one.

    Returns
    -------
    ControlZero or None
        None of no shot.

    Notes
    -----
    Type A evaluation, GUM 4.2.3, not below what the shots' own uncertainties allow.
    """
    if not seen:
        return None
    values = np.array([value for value, _ in seen])
    own2 = float(np.mean([sd**2 for _, sd in seen]))
    n = len(values)
    scatter2 = float(np.var(values, ddof=1)) if n > 1 else single_sd_rad**2 + own2
    return ControlZero(zero_rad=float(values.mean()), sd_rad=math.sqrt(max(scatter2, own2) / n), shots=n)


def squirt_of(shot: Shot, zero: ControlZero | None) -> Squirt | None:
    """Squirt of one shot against the shooter's zero.

    Parameters
    ----------
    shot : Shot
        The shot.
    zero : ControlZero or None
        Of its shooter; None where there are no control shots.

    Returns
    -------
    Squirt or None
        None for a failed shot.
    """
    if shot.launch_rad is None or shot.launch_sd_rad is None:
        return None
    if zero is None:
        return Squirt(squirt_rad=shot.launch_rad, sd_rad=shot.launch_sd_rad, note=NO_CONTROLS)
    common = None if zero.serves(shot) else math.hypot(common_launch_sd_rad(shot), zero.common_sd_rad)
    return Squirt(
        squirt_rad=shot.launch_rad - zero.zero_rad,
        sd_rad=math.hypot(own_launch_sd_rad(shot), zero.sd_rad, common or 0.0),
        common_sd_rad=common,
    )


def own_launch_sd_rad(shot: Shot) -> float:
    """Give the uncertainty of a launch direction in rad, without what all shots of the set-up share."""
    own = [s.sd for s in shot.budget if s.quantity == "launch_rad" and s.source not in COMMON_SOURCES]
    if own:
        return math.sqrt(sum(sd * sd for sd in own))
    return shot.launch_sd_rad or 0.0


def common_launch_sd_rad(shot: Shot) -> float:
    """Give the uncertainty of a launch direction in rad that all shots from its camera place share."""
    return math.sqrt(sum(s.sd**2 for s in shot.budget if s.quantity == "launch_rad" and s.source in COMMON_SOURCES))
