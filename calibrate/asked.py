"""Which marks a person is asked for, in which order, and in words that a player knows."""

from calibrate.marks import MarkKind, mark_kind, mark_point_m, tick_number
from calibrate.scale import RailScale
from calibrate.table import Lane, Table, sight_places_m
from calibrate.units import M_PER_INCH, M_PER_MM

# Ticks asked for, about 5 and 10 cm from zero: the picture finds them across their length, and how far the reading
# line lies from the shooter is the mean of the clicks on them.
_TICK_NUMBERS = {M_PER_INCH: (2, 4), 0.01: (5, 10), M_PER_MM: (50, 100)}
_TICK_REACHES_M = (0.05, 0.1)
# After two ticks, sights that with them span the table whichever rail the phone stands behind: four such marks
# give a camera, from which every other mark is predicted.
_SPANNING = ("left-6", "right-2", "right-6", "left-2", "foot-3", "foot-1", "head-1", "head-3")
# Pool tables have their side pockets there.
_SIDE_POCKETS = ("left-4", "right-4")
_WITH_MIDDLE_MARKS = ("carom",)
# The paper of the scale covers sights that lie nearer to its zero.
_UNDER_THE_SCALE_M = 0.15
_ORDINAL = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh")
_UNIT_WORDS = {M_PER_INCH: "inch", 0.01: "cm", M_PER_MM: "mm"}


def marks_to_ask(table: Table, lane: Lane, scale: RailScale) -> tuple[str, ...]:
    """Return the marks to ask for: ticks of the scale, sights that span the table, then all others there may be.

    Parameters
    ----------
    table : Table
        Tells which sights there are.
    lane : Lane
        Tells how long the lane is.
    scale : RailScale
        Tells which numbers its ticks have.

    Returns
    -------
    tuple of str
        Names, as in marks.csv.
    """
    near, far = _TICK_NUMBERS.get(scale.unit_m, tuple(round(reach_m / scale.unit_m) for reach_m in _TICK_REACHES_M))
    sights = [name for name, xy_m in sight_places_m(table).items() if _to_be_seen(name, xy_m, table, scale)]
    spanning = [name for name in _SPANNING if name in sights]
    reach_mm = int(1000 * (table.length_m - lane.spot_y_m)) - 100
    markers = [f"lane:{ahead}" for ahead in range(300, reach_mm, 300)]
    if not sights:
        # Without sights only markers on the cloth can span the table.
        across_mm = 1000 * (0.75 if lane.x_aim_m < table.width_m / 2 else 0.25) * table.width_m
        markers += [f"bed:{across_mm:.0f}:{1000 * share * table.length_m:.0f}" for share in (0.3, 0.6, 0.85)]
    first = ["scale+0", f"scale+{far}", *spanning[:2], f"scale-{far}", f"scale+{near}", f"scale-{near}"]
    rest = [*spanning, *sorted(set(sights) - set(spanning)), *markers]
    return tuple(dict.fromkeys([*first, *rest]))


def _to_be_seen(name: str, xy_m: tuple[float, float], table: Table, scale: RailScale) -> bool:
    if name in _SIDE_POCKETS:
        return table.name in _WITH_MIDDLE_MARKS
    return not (name.startswith("foot") and abs(xy_m[0] - scale.zero_m) < _UNDER_THE_SCALE_M)


def mark_words(name: str, table: Table, lane: Lane, scale: RailScale) -> str:
    """Say which mark a name means: ``the third sight of the left long rail, counted from the head rail``.

    Parameters
    ----------
    name : str
        Name of the mark.
    table, lane, scale
        The set-up.

    Raises
    ------
    MarksError
        If the name is none, or the table has no such place.
    """
    x_m, y_m, _ = mark_point_m(name, table, lane, scale)
    kind = mark_kind(name)
    if kind is MarkKind.TICK:
        number = tick_number(name)
        unit = _UNIT_WORDS.get(scale.unit_m, "")
        if not number:
            return "the zero of the scale, where its tick meets the reading line"
        side = "right" if number > 0 else "left"
        return f"the tick {abs(number):g} {unit} of the scale, on the shooter's {side}, at the reading line"
    if kind is MarkKind.SIGHT:
        rail, count = name.split("-")
        if rail in ("foot", "head"):
            end = "where the scale lies" if rail == "foot" else "behind the cue ball"
            place = ("left", "middle", "right")[int(count) - 1]
            return f"the {place} sight (diamond) of the {rail} rail, {end}, left and right as the shooter sees them"
        return f"the {_ORDINAL[int(count) - 1]} sight (diamond) of the {rail} long rail, counted from the head rail"
    if name.startswith("lane:"):
        aside_mm = 1000 * (x_m - lane.x_aim_m)
        where = (
            f", {abs(aside_mm):.0f} mm to its {'right' if aside_mm > 0 else 'left'}" if abs(aside_mm) > 0.5 else ""
        )
        ahead_mm = 1000 * (y_m - lane.spot_y_m)
        return f"the ring on the cloth on the line of aim, {ahead_mm:.0f} mm before the spot{where}"
    return f"the ring on the cloth {1000 * x_m:.0f} mm from the left, {1000 * y_m:.0f} mm from the head-rail nose"
