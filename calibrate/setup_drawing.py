"""The set-up drawn: the table from above with every marker in its place, the camera from the side, cautions."""

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle

from calibrate.printed import SCALE_FAR_MM, SCALE_NEAR_MM, SHORT_PIECES, cloth_cards, rail_cards, scale_step
from calibrate.scale import RailScale
from calibrate.table import Lane, Table, sight_places_m
from calibrate.units import shown_length

_INK, _CLOTH, _WOOD, _LANE, _MARK = "#1b1b1b", "#dfe9e3", "#e6d9c6", "#1f6f78", "#b4521e"
_RAIL_M = 0.125  # as drawn
_CAUTIONS = (
    "Keep people, faces and the phone out of the ball’s line: a fast ball with side spin leaves tables.",
    "Tie the phone to something else than its clamp; clamp nothing over people.",
    "Ask before you stick anything on somebody’s table. House rules, and qualified people, go first.",
)


def draw_setup(
    axes: Axes, *, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale, units: str
) -> None:
    """Draw where everything goes on a page.

    Parameters
    ----------
    axes : Axes
        In mm of the page.
    size_mm : tuple of float
        Of the page.
    table, lane, scale
        The set-up as session.toml gives it.
    units : str
        ``inch`` or ``mm``: how lengths are shown.
    """
    name = "" if table.name == "custom" else f"{table.name} "
    axes.text(12, size_mm[1] - 12, f"Set-up on a {name}table", fontsize=15, weight="bold", va="top")
    size = f"{shown_length(table.width_m, units)} x {shown_length(table.length_m, units)} from nose to nose"
    axes.text(12, size_mm[1] - 20, size, fontsize=10, va="top")
    _draw_from_above(axes, size_mm, table, lane, scale, units)
    _draw_from_the_side(axes, size_mm, table, lane)
    _draw_words(axes, size_mm, table, lane, scale, units)


def _draw_from_above(
    axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale, units: str
) -> None:
    per_m = min((size_mm[1] - 54) / (table.length_m + 2 * _RAIL_M + 0.25), 82 / (table.width_m + 2 * _RAIL_M))
    left, near = 14.0, 24.0

    def at(x_m: float, y_m: float) -> tuple[float, float]:
        return left + (x_m + _RAIL_M) * per_m, near + (y_m + _RAIL_M) * per_m

    def box(x_m: float, y_m: float, w_m: float, h_m: float, colour: str, edge: str = _INK) -> None:
        axes.add_patch(Rectangle(at(x_m, y_m), w_m * per_m, h_m * per_m, fc=colour, ec=edge, lw=0.8))

    w, length = table.width_m, table.length_m
    box(-_RAIL_M, -_RAIL_M, w + 2 * _RAIL_M, length + 2 * _RAIL_M, _WOOD)
    box(0, 0, w, length, _CLOTH)
    for x_m, y_m in sight_places_m(table).values():
        axes.add_patch(Circle(at(x_m, y_m), 0.7, fc="white", ec=_INK, lw=0.4))
    axes.plot(
        *zip(at(lane.x_aim_m, lane.spot_y_m), at(lane.x_aim_m, length + 0.09), strict=True), color=_LANE, lw=1.0
    )
    axes.add_patch(Circle(at(lane.x_aim_m, lane.spot_y_m), 0.0286 * per_m, fc="white", ec=_INK, lw=0.8))
    half_m = (SHORT_PIECES / 2) * scale_step(scale) * scale.unit_m
    near_m, deep_m = scale.line_y_m + SCALE_NEAR_MM / 1000, (SCALE_FAR_MM - SCALE_NEAR_MM) / 1000
    box(scale.zero_m - half_m, near_m, 2 * half_m, deep_m, "white", _MARK)
    axes.text(*at(w / 2, length + _RAIL_M + 0.06), "foot rail, with the scale", ha="center", fontsize=8)
    axes.text(*at(w / 2, -_RAIL_M - 0.10), "head rail, the shooter stands here", ha="center", fontsize=8)
    for card in cloth_cards(table, lane, scale):
        _, ahead, aside = card.mark.split(":")
        x_m, y_m = lane.x_aim_m + float(aside) / 1000, lane.spot_y_m + float(ahead) / 1000
        box(x_m - 0.05, y_m - 0.056, 0.1, 0.112, "white", _MARK)
        right = float(aside) > 0
        label = (
            f"{shown_length(float(ahead) / 1000, units)} ahead of the spot,\n"
            f"{shown_length(abs(float(aside)) / 1000, units)} {'right' if right else 'left'} of the lane"
        )
        end_m = table.width_m + _RAIL_M + 0.02
        axes.plot(*zip(at(lane.x_aim_m, y_m), at(end_m, y_m), strict=True), color=_MARK, lw=0.4, ls=":")
        axes.text(*at(end_m + 0.02, y_m), label, fontsize=8, va="center", color=_MARK)
    places = sight_places_m(table)
    for card in rail_cards(table):
        x_m, y_m = places[card.mark]
        box(x_m - 0.022, y_m - 0.022, 0.044, 0.044, "white", _MARK)
    x0, y0 = at(0, lane.spot_y_m)
    x1, _ = at(lane.x_aim_m, lane.spot_y_m)
    axes.annotate("", (x0, y0 - 5), (x1, y0 - 5), arrowprops={"arrowstyle": "<->", "lw": 0.6})
    axes.text((x0 + x1) / 2, y0 - 6, shown_length(lane.x_aim_m, units), ha="center", va="top", fontsize=7)
    xs, ys = at(lane.x_aim_m + 0.09, 0)
    axes.annotate("", (xs, ys), (xs, y0), arrowprops={"arrowstyle": "<->", "lw": 0.6})
    axes.text(
        xs + 1.5,
        (ys + y0) / 2,
        f"spot: {shown_length(lane.spot_y_m, units)}\nfrom the head nose",
        fontsize=7,
        va="center",
    )


def _draw_from_the_side(axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane) -> None:
    left, floor, per_m = size_mm[0] * 0.56, size_mm[1] * 0.60, 21.0
    axes.text(left, floor + 2.45 * per_m, "From the side: the phone, either place", fontsize=9, weight="bold")
    bed = floor + 0.76 * per_m
    start = left + 0.9 * per_m
    axes.add_patch(Rectangle((start, bed - 2.5), table.length_m * per_m, 2.5, fc=_CLOTH, ec=_INK, lw=0.8))
    axes.plot([left, left + (table.length_m + 2.0) * per_m], [floor, floor], color=_INK, lw=0.6)
    for x in (0.1, 0.9):
        axes.plot([start + x * table.length_m * per_m] * 2, [floor, bed - 2.5], color=_INK, lw=1.0)
    axes.text(start, bed - 5.5, "head", fontsize=7, va="top")
    axes.text(start + table.length_m * per_m, bed - 5.5, "foot", fontsize=7, va="top", ha="right")
    axes.add_patch(Circle((start + lane.spot_y_m * per_m, bed + 0.6), 0.8, fc="white", ec=_INK, lw=0.6))
    for x_m, aim_m, label in (
        (table.length_m + 0.75, 0.2, "behind the foot rail:\nbest, all is near"),
        (-0.55, table.length_m, "behind and above\nthe shooter"),
    ):
        phone = (start + x_m * per_m, bed + 1.05 * per_m)
        axes.add_patch(Rectangle((phone[0] - 1, phone[1] - 2), 2, 4, fc=_INK))
        axes.add_patch(
            Polygon(
                [phone, (start + aim_m * per_m, bed), (start + (table.length_m - aim_m) * per_m * 0.98, bed)],
                fc=_LANE,
                alpha=0.10,
                lw=0,
            )  # fmt: skip
        )
        axes.text(phone[0], phone[1] + 3.5, label, fontsize=7, ha="center", va="bottom")


def _draw_words(
    axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale, units: str
) -> None:
    setback = shown_length(scale.line_y_m - table.length_m, units)
    lines = [
        "1  Lane and spot: measure as drawn, from the cushion noses. Mark the spot.",
        f"2  Scale on the foot rail, zero on the lane, its long line {setback} behind the nose,",
        "    plus to the shooter’s right, markers towards the shooter.",
        "3  Cards on the cloth as drawn, arrows to the foot rail; cards on the sights of the long rails.",
        "4  Phone: fixed, landscape, 1 m above the cloth or higher; spot, lane, scale and cards in view.",
        "    Lock focus and exposure, switch stabilisation off, 60 frames a second or more.",
        "5  Light from above and from all sides: no lamp that shines in the ball straight at the phone.",
        "6  Cue as level as the rail permits; nothing else in the lane.",
        "7  A clip of the ball at rest on its spot, then: railread calibrate DIR --auto",
    ]
    x = size_mm[0] * 0.52
    axes.text(x, size_mm[1] * 0.535, "\n".join(lines), fontsize=8.5, va="top", linespacing=1.5)
    axes.text(x, 40, "Take care", fontsize=9, weight="bold", va="bottom")
    axes.text(x, 38, "\n".join(_CAUTIONS), fontsize=8, va="top", linespacing=1.5)
