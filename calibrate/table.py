"""Tables, balls and the lane: sizes with their sources, sights and noses in the table frame.

Table frame, metres: x across, 0 at the left long-rail cushion nose (as the shooter sees it) to W at the right
one; y along, 0 at the head-rail nose to L at the foot-rail nose; z up from the cloth.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table's playing surface and rails.

    Attributes
    ----------
    name : str
        As in session.toml: `9ft`, or `custom`.
    width_m, length_m : float
        Playing surface, nose to nose.
    sight_setback_m : float
        From a nose to the centres of its sights.
    rail_top_m : float
        Height of the rail top above the cloth.
    rail_top_sd_m : float
        Its standard uncertainty before calibration.
    nose_height_m : float
        Height of the cushion nose above the cloth.
    """

    name: str
    width_m: float
    length_m: float
    sight_setback_m: float
    rail_top_m: float
    rail_top_sd_m: float
    nose_height_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """A cue ball.

    Attributes
    ----------
    diameter_m : float
        Diameter.
    mass_kg : float
        Mass.
    """

    diameter_m: float
    mass_kg: float

    @property
    def radius_m(self) -> float:
        """Half the diameter."""
        return self.diameter_m / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """The line of aim: x = `x_aim_m`, from the cue-ball spot at y = `spot_y_m` towards the foot rail.

    Attributes
    ----------
    x_aim_m : float
        x of the line of aim, table frame.
    spot_y_m : float
        y of the cue-ball spot, table frame.
    """

    x_aim_m: float
    spot_y_m: float
