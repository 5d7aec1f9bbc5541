"""Rulers of many makes on a drawn table, recorded as by a phone.

Seen through OpenCV's projection, printed with OpenCV's letters: nothing here is what looks for them.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from calibrate_scenes import LANE, SCALE, SIZE_PX, TABLE, camera_at, through_h264

DOTS_PER_MM = 10
PARTS = 5  # of a pixel along each axis
PAPER, RAIL = 0.72, 0.2  # light that is sent back
KINDS = {
    "inch, eighths": (25.4, 8, ((1, 1.0), (2, 0.75), (4, 0.55), (8, 0.4))),
    "inch, eighths alike": (25.4, 8, ((1, 1.0), (2, 0.7), (8, 0.45))),
    "inch, sixteenths": (25.4, 16, ((1, 1.0), (2, 0.75), (4, 0.55), (8, 0.42), (16, 0.3))),
    "inch, quarters": (25.4, 4, ((1, 1.0), (2, 0.7), (4, 0.5))),
    "inch, halves": (25.4, 2, ((1, 1.0), (2, 0.55))),
    "cm, mm": (10.0, 10, ((1, 1.0), (2, 0.75), (10, 0.5))),
}


@dataclass(frozen=True, kw_only=True)
class Ruler:
    """Lengths in mm; `side` is 1 where ticks run away from the shooter."""

    kind: str
    tick_mm: float
    thick_mm: float
    digit_mm: float
    side: int
    every: int
    base_line: bool
    ink: float

    @classmethod
    def drawn(cls, rng):
        kind = str(rng.choice(list(KINDS)))
        return cls(
            kind=kind,
            tick_mm=rng.uniform(7, 13),
            thick_mm=rng.uniform(0.3, 0.8),
            digit_mm=rng.uniform(4.5, 8),
            side=int(rng.choice([1, -1])),
            every=1 if KINDS[kind][0] > 20 else int(rng.choice([2, 5])),
            base_line=bool(rng.uniform() < 0.4),
            ink=rng.uniform(0.03, 0.12),
        )

    @property
    def reach(self):
        """Largest number."""
        return 6 if KINDS[self.kind][0] > 20 else 15

    def printed(self):
        """(h, w) from ink to paper, row 0 nearest to the shooter; left and near edge in mm from the zero."""
        unit, parts, ranks = KINDS[self.kind]
        left, near, far = -(self.reach + 0.6) * unit, *((-6.0, 33.0) if self.side > 0 else (-33.0, 6.0))
        paper = np.full((round((far - near) * DOTS_PER_MM), round(-2 * left * DOTS_PER_MM)), PAPER)

        def box(x0, x1, y0, y1):
            y0, y1 = (y0, y1) if self.side > 0 else (-y1, -y0)
            rows = slice(round((y0 - near) * DOTS_PER_MM), round((y1 - near) * DOTS_PER_MM))
            paper[rows, round((x0 - left) * DOTS_PER_MM) : round((x1 - left) * DOTS_PER_MM)] = self.ink

        if self.base_line:
            box(left + 3, -left - 3, -0.25, 0.25)
        for i in range(-self.reach * parts, self.reach * parts + 1):
            share = next(share for count, share in ranks if i * count % parts == 0)
            x = i * unit / parts
            box(x - self.thick_mm / 2, x + self.thick_mm / 2, 0.0, share * self.tick_mm)
        for number in range(-self.reach, self.reach + 1, 1):
            if number % self.every == 0:
                self._number(paper, number, number * unit - left, near)
        return cv2.GaussianBlur(paper, (0, 0), 1.5), left, near

    def _number(self, paper, number, x_mm, near):
        size, thick = self.digit_mm * DOTS_PER_MM / 22, max(2, int(self.digit_mm * DOTS_PER_MM / 7))
        (w, h), _ = cv2.getTextSize(str(number), cv2.FONT_HERSHEY_SIMPLEX, size, thick)
        stamp = np.zeros((h + 2 * thick, w + 2 * thick), np.uint8)
        cv2.putText(stamp, str(number), (thick, h + thick), cv2.FONT_HERSHEY_SIMPLEX, size, 255, thick, cv2.LINE_AA)
        # Upright for who sees the ticks above the numbers.
        stamp = stamp[:, ::-1] if self.side > 0 else stamp[::-1]
        y_mm = self.side * (self.tick_mm + 2 + self.digit_mm / 2)
        i = round((y_mm - near) * DOTS_PER_MM) - stamp.shape[0] // 2
        j = round(x_mm * DOTS_PER_MM) - stamp.shape[1] // 2
        there = paper[i : i + stamp.shape[0], j : j + stamp.shape[1]]
        there -= (there - self.ink) * stamp[: there.shape[0], : there.shape[1]] / 255


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawn:
    """A picture of a ruler, the camera, and where the ruler lies."""

    camera: object
    ruler: Ruler
    scale: object
    luma: np.ndarray


def behind_the_shooter(rng):
    """A phone at 1.4 to 1.9 m, at its usual focal length or zoomed in by up to two."""
    place = [0.25 + rng.normal(0, 0.1), rng.uniform(-0.9, -0.3), rng.uniform(1.4, 1.9)]
    return camera_at(place, [0.33, 2.2, 0.0], focal_px=rng.uniform(1500, 3000))


def draw(rng, camera):
    """Draw a ruler of any make, laid as a hand lays it."""
    ruler = Ruler.drawn(rng)
    scale = replace(
        SCALE,
        unit_m=KINDS[ruler.kind][0] / 1000,
        zero_m=LANE.x_aim_m + rng.normal(0, 0.002),
        line_y_m=SCALE.line_y_m + rng.normal(0, 0.0005),
        skew_rad=rng.normal(0, 0.002),
        stretch=rng.normal(0, 0.002),
    )
    width, height = (int(side) for side in SIZE_PX)
    light = RAIL * (1 + 0.1 * rng.standard_normal((height, width)))
    _lay(light, camera, ruler, scale)
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.7, 1.2)) * np.linspace(0.8, 1.2, height)[:, None]
    grey = 255 * np.clip(light * (1 + 0.15 * np.linspace(-1, 1, width)), 0, 1) ** (1 / 2.2)
    frames = [np.clip(grey + rng.normal(0, 2.5, grey.shape), 0, 255).round().astype(np.uint8) for _ in range(6)]
    luma = np.mean(through_h264(frames, crf=int(rng.choice([18, 20, 23]))), axis=0)
    return Drawn(camera=camera, ruler=ruler, scale=scale, luma=luma)


def _lay(light, camera, ruler, scale):
    paper, left, near = ruler.printed()
    h, w = paper.shape
    turn = np.array(
        [[np.cos(scale.skew_rad), np.sin(scale.skew_rad)], [-np.sin(scale.skew_rad), np.cos(scale.skew_rad)]]
    )
    origin = np.array([scale.zero_m, scale.line_y_m])
    corners = np.array(
        [[left, near], [-left, near], [-left, near + h / DOTS_PER_MM], [left, near + h / DOTS_PER_MM]]
    )
    places = np.column_stack([origin + (1 + scale.stretch) * corners @ turn / 1000, np.full(4, TABLE.rail_top_m)])
    K = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    lens = np.array([camera.k1, camera.k2, 0, 0])
    turned = np.asarray(camera.rotation_rad)
    corners_px = cv2.projectPoints(places, turned.copy(), np.asarray(camera.translation_m).copy(), K, lens)[0][:, 0]
    low, high = np.floor(corners_px.min(0) - 2).astype(int), np.ceil(corners_px.max(0) + 2).astype(int)
    parts = (np.arange(PARTS) + 0.5) / PARTS - 0.5
    u, v = ((np.arange(low[k], high[k] + 1)[:, None] + parts).ravel() for k in (0, 1))
    flat = cv2.undistortPoints(np.stack(np.meshgrid(u, v), -1).reshape(-1, 1, 2), K, lens)[:, 0]
    rays = np.concatenate([flat, np.ones((len(flat), 1))], axis=1) @ cv2.Rodrigues(turned)[0]
    eye = camera.position_m
    seen = eye[:2] + ((TABLE.rail_top_m - eye[2]) / rays[:, 2])[:, None] * rays[:, :2] - origin
    seen = 1000 * seen @ turn.T / (1 + scale.stretch)
    x, y = (
        ((seen[:, k] - edge) * DOTS_PER_MM - 0.5).astype(np.float32).reshape(len(v), -1)
        for k, edge in ((0, left), (1, near))
    )
    inside = (x > -0.5) & (x < w - 0.5) & (y > -0.5) & (y < h - 0.5)
    window = np.s_[low[1] : high[1] + 1, low[0] : high[0] + 1]
    around = np.repeat(np.repeat(light[window], PARTS, axis=0), PARTS, axis=1)
    fine = np.where(inside, cv2.remap(paper, x, y, cv2.INTER_LINEAR), around)
    light[window] = fine.reshape(len(v) // PARTS, PARTS, len(u) // PARTS, PARTS).mean(axis=(1, 3))
