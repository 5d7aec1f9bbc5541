"""Tables, balls and the lane: sizes with their sources, sights and noses in the table frame.

Table frame, metres: x across, 0 at the left long-rail cushion nose (as the shooter sees it) to W at the right
one; y along, 0 at the head-rail nose to L at the foot-rail nose; z up from the cloth.
"""

from dataclasses import dataclass

from calibrate.units import m_from_inch, m_from_mm

# Nose to nose, +- 1/8 in; the rails' noses 3 11/16 in +- 1/8 from the centres of the sights; nose height 62.5 to
# 64.5 % of the ball's diameter: World Pool-Billiard Association (WPA), Tournament Table & Equipment Specifications,
# November 2001, sections 2 to 8. The nominal nose height, 63.5 %, is from memory.
POOL_SETBACK_M = m_from_inch(3 + 11 / 16)
POOL_NOSE_M = 0.635 * m_from_inch(2.25)
# Union Mondiale de Billard (UMB), rules for carom, article 2.1: nose 37 +- 1 mm, marks every eighth of the length.
CAROM_NOSE_M = m_from_mm(37)
# The rail top, 5 to 6 mm above the nose on the tables at hand: common practice, no source. Its uncertainty covers
# rails of other makes (35 to 48 mm at 2 sd); the marks themselves usually tell it better.
RAIL_TOP_M = m_from_mm(42)
RAIL_TOP_SD_M = m_from_mm(3)

SHORT_RAIL_SIGHTS = 3
LONG_RAIL_SIGHTS = 7


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
    has_sights : bool
        Whether the rails carry sights; a snooker table's do not.
    """

    name: str
    width_m: float
    length_m: float
    sight_setback_m: float
    rail_top_m: float
    rail_top_sd_m: float
    nose_height_m: float
    has_sights: bool = True


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


def custom_table(width_m: float, length_m: float) -> Table:
    """Return a table of another size, with the sights and noses of a pool table.

    Parameters
    ----------
    width_m, length_m : float
        Playing surface, nose to nose.

    Raises
    ------
    ValueError
        If a size is not that of a billiard table (0.5 to 5 m, longer than wide).

    Examples
    --------
    >>> custom_table(1.12, 2.24).width_m
    1.12
    """
    if not 0.5 <= width_m <= length_m <= 5:
        raise ValueError(
            f"width_m and length_m must be 0.5 to 5 m and the table no wider than long, "
            f"but got {width_m!r} and {length_m!r}"
        )
    return _pool("custom", width_m, length_m)


def sight_places_m(table: Table) -> dict[str, tuple[float, float]]:
    """Where the centres of the sights lie: name to (x, y), table frame, in m; empty without sights.

    Sights stand every quarter of the width and every eighth of the length (WPA 2001, UMB 2.1), so `left-4` and
    `right-4` stand where a pool table has its side pockets; some carry a mark there and carom tables do.

    Examples
    --------
    >>> x_m, y_m = sight_places_m(TABLES["9ft"])["foot-1"]
    >>> round(x_m, 4), round(y_m, 4)
    (0.3175, 2.6337)
    """
    if not table.has_sights:
        return {}
    back = table.sight_setback_m
    places = {}
    for number in range(1, SHORT_RAIL_SIGHTS + 1):
        x_m = number * table.width_m / (SHORT_RAIL_SIGHTS + 1)
        places[f"foot-{number}"] = (x_m, table.length_m + back)
        places[f"head-{number}"] = (x_m, -back)
    for number in range(1, LONG_RAIL_SIGHTS + 1):
        y_m = number * table.length_m / (LONG_RAIL_SIGHTS + 1)
        places[f"left-{number}"] = (-back, y_m)
        places[f"right-{number}"] = (table.width_m + back, y_m)
    return places


def _pool(name: str, width_m: float, length_m: float) -> Table:
    return Table(
        name=name,
        width_m=width_m,
        length_m=length_m,
        sight_setback_m=POOL_SETBACK_M,
        rail_top_m=RAIL_TOP_M,
        rail_top_sd_m=RAIL_TOP_SD_M,
        nose_height_m=POOL_NOSE_M,
    )


TABLES = {
    table.name: table
    for table in (
        # 78 x 39 in is the usual home and bar size (several trade pages); no WPA size, 76 x 38 and 80 x 40 occur.
        _pool("7ft", m_from_inch(39), m_from_inch(78)),
        _pool("8ft", m_from_inch(46), m_from_inch(92)),  # WPA 2001, 46 x 92 in +- 1/8; home tables: 44 x 88
        _pool("9ft", m_from_inch(50), m_from_inch(100)),  # WPA 2001, 50 x 100 in +- 1/8
        Table(
            name="carom",
            width_m=1.42,  # UMB 2.1: 2.84 x 1.42 m +- 5 mm
            length_m=2.84,
            # No published set-back found; taken as on pool tables. The solver allows for the difference.
            sight_setback_m=POOL_SETBACK_M,
            rail_top_m=RAIL_TOP_M,
            rail_top_sd_m=RAIL_TOP_SD_M,
            nose_height_m=CAROM_NOSE_M,
        ),
        Table(
            name="snooker",
            width_m=1.778,  # World Professional Billiards and Snooker Association, rules, section 1: 3569 x 1778 mm
            length_m=3.569,  # +- 13 mm
            sight_setback_m=POOL_SETBACK_M,  # no sights; the reading line needs a place all the same
            rail_top_m=RAIL_TOP_M,
            rail_top_sd_m=RAIL_TOP_SD_M,
            nose_height_m=POOL_NOSE_M * 52.5 / 57.15,  # in proportion to the ball; from memory, not official
            has_sights=False,
        ),
    )
}
