"""What stands still: the table with its rails, sights, markers, paper scale and lamps, and where its marks are."""

import math
from dataclasses import dataclass, field

import numpy as np

from sample_clips.paper import Sheet
from sample_clips.physics import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperScale:
    """A printed strip on the foot rail; its ticks meet the reading line.

    Attributes
    ----------
    zero_x_m : float
        x of the zero tick.
    setback_m : float
        Reading line from the foot-rail nose, at the zero tick.
    skew_rad : float
        Turn of the strip, positive when its right end lies farther from the shooter.
    unit_m : float
        Length of one unit as printed on this paper.
    reach : int
        Numbers go from minus this to plus this.
    drawn : bool
        Whether the strip is drawn here; else a printed page lies in its place.
    """

    zero_x_m: float = 0.3175
    setback_m: float = 0.0936625
    skew_rad: float = 0.0
    unit_m: float = 0.0254
    reach: int = 6
    drawn: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A paper ring on the cloth.

    Attributes
    ----------
    name : str
        As in marks.csv.
    x_m, y_m : float
        Its centre.
    """

    name: str
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A table made ready for a test. Sizes of a 9 ft table: WPA equipment specifications, 2001.

    Attributes
    ----------
    width_m, length_m : float
        Nose to nose.
    nose_height_m, rail_top_m : float
        Above the cloth.
    sight_setback_m, sight_radius_m : float
        Round sights on the rail tops.
    cushion_m, rail_m : float
        Breadth of cushion rubber, and of the whole rail, from the nose.
    spot_y_m, aim_x_m : float
        The lane.
    ring_outer_m, ring_inner_m : float
        Radii of the paper rings.
    scale : PaperScale
        The strip on the foot rail.
    markers : tuple of Marker
        Rings on the cloth.
    sheets : tuple of Sheet
        Printed pages on cloth and rails.
    object_ball_m : (float, float) or None
        A ball that lies still.
    cloth : (float, float, float)
        Linear reflectance, red green blue.
    wood : (float, float, float)
        Likewise, rail tops.
    lamp_height_m : float
        Of the lamps above the cloth.
    lamp_centres_m : tuple of (float, float)
        (x, y) of the square lamps.
    lamp_half_m : float
        Half a lamp's side.
    lamp_strengths : tuple of float
        Of each lamp, over the usual; all alike where empty.
    ambient : float
        Part of the light that comes from all round.
    wear : float
        How much paler the cloth is where balls and hands have worn it: along the lane, and in blotches.
    tilt : tuple of float
        How far the table rises to the right and towards the foot rail, in m/m.
    seed : int
        Of the cloth's and wood's grain.
    """

    width_m: float = 1.27
    length_m: float = 2.54
    nose_height_m: float = 0.0363
    rail_top_m: float = 0.042
    sight_setback_m: float = 0.0936625
    sight_radius_m: float = 0.0058
    cushion_m: float = 0.050
    rail_m: float = 0.140
    spot_y_m: float = 0.762
    aim_x_m: float = 0.3175
    ring_outer_m: float = 0.011
    ring_inner_m: float = 0.004
    scale: PaperScale = field(default_factory=PaperScale)
    markers: tuple[Marker, ...] = ()
    sheets: tuple[Sheet, ...] = ()
    object_ball_m: tuple[float, float] | None = (0.560, 2.509)
    cloth: tuple[float, float, float] = (0.030, 0.150, 0.205)
    wood: tuple[float, float, float] = (0.110, 0.045, 0.022)
    lamp_height_m: float = 0.95
    lamp_centres_m: tuple[tuple[float, float], ...] = ((0.60, 0.45), (0.64, 1.27), (0.66, 2.09))
    lamp_half_m: float = 0.14
    lamp_strengths: tuple[float, ...] = ()
    ambient: float = 0.30
    wear: float = 0.0
    tilt: tuple[float, float] = (0.0, 0.0)
    seed: int = 7

    @property
    def line_y_m(self) -> float:
        """Place of the reading line along the table, at the zero tick."""
        return self.length_m + self.scale.setback_m

    def lamp_points_m(self) -> Floats:
        """(L, 3) middles of the quarters of each lamp."""
        half = self.lamp_half_m / 2
        return np.array(
            [
                (x + i * half, y + j * half, self.lamp_height_m)
                for x, y in self.lamp_centres_m
                for i in (-1, 1)
                for j in (-1, 1)
            ]
        )

    def lamp_light(self, points_m: Floats, normals: Floats) -> Floats:
        """(..., L) light of each quarter lamp on a surface, without shadows; together about 1 under the lamps."""
        to_lamp = self.lamp_points_m() - points_m[..., None, :]
        r2 = (to_lamp**2).sum(axis=-1)
        facing = (to_lamp * normals[..., None, :]).sum(axis=-1)
        full = 1.15 * (1 - self.ambient) / 4 * self.lamp_height_m**2  # 1.15 sets the level under a lamp, by eye
        light = full * np.maximum(facing, 0) * to_lamp[..., 2] / r2**2
        return light * np.repeat(self.lamp_strengths, 4) if self.lamp_strengths else light

    def sights(self) -> dict[str, tuple[float, float, float]]:
        """Centres of all sights by name; none beside the side pockets."""
        w, length, back, top = self.width_m, self.length_m, self.sight_setback_m, self.rail_top_m
        places = {}
        for i in (1, 2, 3):
            places[f"foot-{i}"] = (i * w / 4, length + back, top)
            places[f"head-{i}"] = (i * w / 4, -back, top)
        for i in (1, 2, 3, 5, 6, 7):
            places[f"left-{i}"] = (-back, i * length / 8, top)
            places[f"right-{i}"] = (w + back, i * length / 8, top)
        return places

    def tick(self, number: float) -> tuple[float, float, float]:
        """Where a tick of the scale meets the reading line."""
        along_m, skew = number * self.scale.unit_m, self.scale.skew_rad
        return (
            self.scale.zero_x_m + along_m * math.cos(skew),
            self.line_y_m + along_m * math.sin(skew),
            self.rail_top_m,
        )

    def marks(self) -> dict[str, tuple[float, float, float]]:
        """(x, y, z) of every mark that a tester could click, by its name in marks.csv."""
        ticks = {f"scale{n:+d}": self.tick(n) for n in range(-self.scale.reach, self.scale.reach + 1)}
        return {**self.sights(), **ticks, **{m.name: (m.x_m, m.y_m, 0.0) for m in self.markers}}


def lane_marker(scene_aim_x_m: float, spot_y_m: float, ahead_mm: int, right_mm: float = 0.0) -> Marker:
    """Return a ring on the lane, so far ahead of the spot and to the right."""
    name = f"lane:{ahead_mm}" + (f":{right_mm:g}" if right_mm else "")
    return Marker(name=name, x_m=scene_aim_x_m + right_mm / 1000, y_m=spot_y_m + ahead_mm / 1000)


def bed_marker(x_mm: int, y_mm: int) -> Marker:
    """Return a ring anywhere on the cloth."""
    return Marker(name=f"bed:{x_mm}:{y_mm}", x_m=x_mm / 1000, y_m=y_mm / 1000)
