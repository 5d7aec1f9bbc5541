"""Marks without a click: printed markers found by their codes, then registered by their picture, then the sights.

A few decoded markers give a rough camera; with it every printed piece is looked for where it ought to be, also
those too small to be decoded; what is found sharpens the camera, until nothing more turns up. A code that the
picture does not confirm counts for nothing.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from calibrate.adjust import Scene
from calibrate.arrays import Floats
from calibrate.errors import MarksError, NotMeasured
from calibrate.find_markers import find_markers, middle_px
from calibrate.marks import Click, MarkKind, mark_kind
from calibrate.printed import (
    LONG_PIECES,
    SHORT_PIECES,
    Piece,
    Print,
    markers_of_other_unit,
    on_table,
    printed_picture,
    printed_pieces,
    scale_pieces,
    scale_step,
    scale_strip,
)
from calibrate.register import AFFINE_SD, NEAR_PX, ROUGH_AFFINE_SD, Pose, Registered, register
from calibrate.scale import RailScale
from calibrate.snap import Snap, snap_sight
from calibrate.suspects import Sorted, sort_marks
from calibrate.table import Ball, Lane, Table, sight_places_m
from calibrate.units import m_from_mm, mm_from_m

CORNER_SIGMA_PX = 0.8  # of a corner as the detector gives it; measured 0.3 to 0.7 on drawn scenes
LEAST_PLACES = 4  # eight coordinates, for the seven values of pose and focal length that priors do not hold
_SETTLED = LEAST_PLACES + 2  # registered places from which the camera is as good as they make it
_SEEN_AGAIN = 0.75  # of the places of another picture: fewer, and the camera stands elsewhere
_ROUNDS = 4  # of predicting and finding, at most
_REACH_PX = (NEAR_PX, 8.0)  # least and most that a piece is sought about where the camera puts it
_SIGHT_REACH_PX = 3.0  # a rougher prediction could take another thing for a sight
_WORTH_PX = 0.5  # from where a sight was not seen: nearer, it would not be seen either
# Smaller than this a marker of the scale is told too little by itself; the whole strip is then registered as one.
_PIECE_PX = 14.0
_STRIP_NUMBERS = (1, 2, 3, 4)  # times half a printed step: pairs of points that may stand for the strip


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FoundMarks:
    """Marks found in a picture without a click.

    Attributes
    ----------
    clicks : tuple of Click
        Each with its own standard uncertainty; sharper than a snap, so that it is taken as it is.
    notes : tuple of str
        What was found and what not, one sentence each.
    """

    clicks: tuple[Click, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _SetUp:
    size_px: tuple[float, float]
    table: Table
    lane: Lane
    ball: Ball
    scale: RailScale
    prints: dict[str, Print] = field(default_factory=dict)

    def print_of(self, piece: Piece) -> Print:
        """Draw a piece as printed, once."""
        key = f"{piece.mark} {len(piece.boxes_mm)}"
        if key not in self.prints:
            self.prints[key] = printed_picture(piece)
        return self.prints[key]

    def scene(self, names: Sequence[str]) -> Scene:
        return Scene(
            names=tuple(names),
            size_px=np.array(self.size_px, dtype=float),
            table=self.table,
            lane=self.lane,
            ball=self.ball,
            scale=self.scale,
        )


def find_marks(
    luma: Floats, *, table: Table, lane: Lane, ball: Ball, scale: RailScale, near: Sequence[Click] = ()
) -> FoundMarks:
    """Find printed markers and sights in a picture.

    Parameters
    ----------
    luma : (H, W) array
        Brightness from 0 to 255, averaged over still frames.
    table, lane, ball, scale
        The set-up as session.toml gives it.
    near : sequence of Click
        Marks found in another picture, which most likely lie at the same places here: that spares the search. If
        they do not, the picture is searched as if nothing were known.

    Returns
    -------
    FoundMarks
        For `calibrate.solve.calibrate`.

    Raises
    ------
    MarksError
        If too few printed markers are seen to tell where the camera stands, or they are of another print.
    """
    set_up = _SetUp((float(luma.shape[1]), float(luma.shape[0])), table, lane, ball, scale)
    pieces = {piece.marker: piece for piece in printed_pieces(table, lane, scale)}
    again = _found_again(luma, set_up, tuple(pieces.values()), near)
    if again is not None:
        return again
    decoded = find_markers(luma)
    if markers_of_other_unit(decoded, scale):
        raise MarksError(
            f"the printed scale in the picture is one in {'mm' if scale_step(scale) == 2 else 'inches'}, but "
            "session.toml says another scale.unit: mend it, or print the scale again"
        )
    rough = _rough_places({pieces[n]: corners for n, corners in decoded.items() if n in pieces}, set_up)
    if len(rough) < LEAST_PLACES:
        seen = ", ".join(pieces[n].mark for n in sorted(decoded) if n in pieces) or "none"
        raise MarksError(
            f"too few printed markers can be read in the picture to find the camera ({seen}); "
            "move the camera closer, light the table better, or click the marks by hand"
        )
    clicks = _registered(luma, set_up, tuple(pieces.values()), rough, {})
    return _with_sights(luma, set_up, clicks)


def _found_again(
    luma: Floats, set_up: _SetUp, pieces: tuple[Piece, ...], near: Sequence[Click]
) -> FoundMarks | None:
    """Find marks where another picture shows them; None where this one does not."""
    # A mark named like a sight may be a card that lies on it or the sight itself; the others are printed.
    before = {click.name: click for click in near if mark_kind(click.name) is not MarkKind.SIGHT}
    if len(before) < _SETTLED:
        return None
    try:
        again = _registered(luma, set_up, pieces, {}, before)
        return _with_sights(luma, set_up, again) if len(again) >= _SEEN_AGAIN * len(before) else None
    except MarksError:
        return None


def _rough_places(decoded: Mapping[Piece, Floats], set_up: _SetUp) -> dict[str, Click]:
    """Take marks from the decoder's corners: the corners of cards on the cloth, one place of any other piece."""
    rough = {}
    for piece, corners_px in decoded.items():
        if piece.on_rail:
            # From the marker's middle to its reference point: as far as the near edges go, in the same direction.
            place_px = _carried(piece, corners_px, np.zeros(2))
            rough[piece.mark] = Click(piece.mark, float(place_px[0]), float(place_px[1]), 1.5 * CORNER_SIGMA_PX)
            continue
        corners_m = on_table(piece, piece.corners_mm(), set_up.table, set_up.lane, set_up.scale)
        for (x_m, y_m, _), (u, v) in zip(corners_m, corners_px, strict=True):
            name = f"bed:{mm_from_m(x_m):.3f}:{mm_from_m(y_m):.3f}"
            rough[name] = Click(name, float(u), float(v), CORNER_SIGMA_PX)
    return rough


def _carried(piece: Piece, corners_px: Floats, point_mm: Floats) -> Floats:
    """Where a point of a piece lies in the image according to its marker's four corners."""
    H, _ = cv2.findHomography(piece.corners_mm(), corners_px)
    if H is None:
        return middle_px(corners_px)
    image = H @ [*point_mm, 1.0]
    place: Floats = image[:2] / image[2]
    return place


def _fit(set_up: _SetUp, clicks: Mapping[str, Click], start: Floats | None = None) -> tuple[Scene, Sorted]:
    scene = set_up.scene(tuple(clicks))
    places = np.array([[click.u_px, click.v_px] for click in clicks.values()])
    sigmas = np.array([click.sigma_px or CORNER_SIGMA_PX for click in clicks.values()])
    return scene, sort_marks(scene, places, np.eye(2) * (sigmas**2)[:, None, None], start=start)


def _registered(
    luma: Floats,
    set_up: _SetUp,
    pieces: tuple[Piece, ...],
    rough: Mapping[str, Click],
    before: Mapping[str, Click],
) -> dict[str, Click]:
    """Register every piece that the camera puts into the picture; the camera gets better from round to round.

    It begins with what was registered `before`, if that is enough, or else with `rough` places.
    """
    found = dict(before)
    cards = [piece for piece in pieces if not piece.mark.startswith("scale")]
    state: Floats | None = None
    for _ in range(_ROUNDS):
        settled = len(found) >= _SETTLED
        scene, fit = _fit(set_up, found if settled else {**rough, **found}, state)
        state = fit.adjustment.state
        affine_sd = AFFINE_SD if settled else ROUGH_AFFINE_SD
        view = _View(luma, set_up, scene, fit, affine_sd)
        now: dict[str, Click] = {}
        for piece in cards:
            outcome = view.registered(piece, np.zeros((1, 2)))
            if isinstance(outcome, Registered):
                now[piece.mark] = _click(piece.mark, outcome, 0)
        now |= _scale_clicks(view, set_up)
        if settled and set(now) == set(found):
            return now
        found = now
        if len({**rough, **found}) < LEAST_PLACES:
            break
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """The picture seen with a camera: where pieces ought to be and how surely."""

    luma: Floats
    set_up: _SetUp
    scene: Scene
    fit: Sorted
    affine_sd: float

    def registered(self, piece: Piece, points_mm: Floats) -> Registered | NotMeasured:
        state = self.fit.adjustment.state
        scale = self.scene.solved_scale(state)
        table = self.scene.solved_table(state)
        pose = Pose(
            origin_m=on_table(piece, np.zeros(2), table, self.set_up.lane, scale),
            turn_rad=scale.skew_rad if piece.mark.startswith("scale") else 0.0,
            stretch=scale.stretch,
        )
        return register(
            self.luma,
            self.set_up.print_of(piece),
            pose,
            camera=self.scene.camera(state),
            points_mm=points_mm,
            reach_px=float(np.clip(3 * self.sd_px(piece.mark) + 0.5, *_REACH_PX)),
            affine_sd=self.affine_sd,
        )

    def sd_px(self, mark: str) -> float:
        """How surely the camera puts a mark, px."""
        more = self.set_up.scene((mark,))
        state = self.fit.adjustment.state
        points, by_state = more.points_m(state)
        camera = more.camera(state)
        jacobian = camera.project_jacobian(points) @ by_state
        jacobian[:, :, : camera.parameters.size] += camera.project_parameter_jacobian(points)
        cov = jacobian[0] @ self.fit.adjustment.cov @ jacobian[0].T * max(1.0, self.fit.adjustment.birge)
        return math.sqrt(float(np.linalg.eigvalsh(cov)[-1]))

    def marker_px(self, piece: Piece) -> float:
        """Height of a piece's marker in the picture."""
        state = self.fit.adjustment.state
        corners_m = on_table(
            piece, piece.corners_mm(), self.scene.solved_table(state), self.set_up.lane, self.set_up.scale
        )
        corners_px = self.scene.camera(state).project(corners_m)
        return float(np.linalg.norm(corners_px[0] - corners_px[3]))


def _scale_clicks(view: _View, set_up: _SetUp) -> dict[str, Click]:
    """Register the scale: piece by piece where they are large enough, else as one strip."""
    pieces = scale_pieces(set_up.scale)
    step_mm = scale_step(set_up.scale) * mm_from_m(set_up.scale.unit_m)
    if view.marker_px(pieces[len(pieces) // 2]) >= _PIECE_PX:
        outcomes = {piece.mark: view.registered(piece, np.zeros((1, 2))) for piece in pieces}
        return {mark: _click(mark, one, 0) for mark, one in outcomes.items() if isinstance(one, Registered)}
    numbers = np.array([sign * n / 2 for n in _STRIP_NUMBERS for sign in (-1, 1)])
    points_mm = np.column_stack([numbers * step_mm, np.zeros(len(numbers))])
    best: Registered | None = None
    for count in (SHORT_PIECES, LONG_PIECES):
        middle = len(pieces) // 2
        strip = scale_strip(pieces[middle - count // 2 : middle + count // 2], step_mm)
        outcome = view.registered(strip, points_mm)
        if isinstance(outcome, Registered) and (best is None or outcome.explained > best.explained):
            best = outcome
    if best is None:
        return {}
    # Shift and stretch of the strip make two points that err independently, if they lie the right distance apart.
    pairs = range(0, len(numbers), 2)
    joint = [abs(float(best.cov_px2[k, 0, k + 1, 0])) for k in pairs]
    k = list(pairs)[int(np.argmin(joint))]
    unit = scale_step(set_up.scale)
    marks = [f"scale{numbers[i] * unit:+g}" for i in (k, k + 1)]
    return {mark: _click(mark, best, i) for mark, i in zip(marks, (k, k + 1), strict=True)}


def _click(mark: str, found: Registered, i: int) -> Click:
    cov = found.cov_px2[i, :, i, :]
    return Click(
        mark,
        float(found.place_px[i, 0]),
        float(found.place_px[i, 1]),
        math.sqrt(float(np.linalg.eigvalsh(cov)[-1])),
    )


def _with_sights(luma: Floats, set_up: _SetUp, clicks: Mapping[str, Click]) -> FoundMarks:
    """Add the sights that the camera puts into the picture and that are seen there."""
    if not any(mark_kind(mark) is MarkKind.TICK for mark in clicks):
        raise MarksError(
            "the printed scale cannot be made out in the picture, so nothing says where its zero lies; "
            "use the long scale, move the camera closer, or click the ticks by hand"
        )
    if len(clicks) < LEAST_PLACES:
        raise MarksError(
            f"only {len(clicks)} printed pieces look in the picture as they were printed ({', '.join(clicks)}); "
            "lay them flat where the set-up sheet says, and see that nothing covers them"
        )
    together = dict(clicks)
    scene, last = _fit(set_up, together)
    tried: dict[str, Floats] = {}
    for _ in range(_ROUNDS):
        # The first sights make the camera sure enough of those farther from what is printed.
        more = _sights_near(_View(luma, set_up, scene, last, AFFINE_SD), together, tried)
        if not more:
            break
        together |= more
        scene, last = _fit(set_up, together, last.adjustment.state)
    left_out = [name for name, used in zip(together, last.adjustment.used, strict=True) if not used]
    kept = tuple(click for name, click in together.items() if name not in left_out or name in clicks)
    printed = len(clicks)
    notes = [f"{printed} printed places and {len(kept) - printed} sights were found in the picture."]
    return FoundMarks(clicks=kept, notes=tuple(notes))


def _sights_near(view: _View, clicks: Mapping[str, Click], tried: dict[str, Floats]) -> dict[str, Click]:
    """Sights not among the marks yet that lie where these put them.

    `tried` holds where each was looked for in vain, and is added to: it is looked for again only some way off.
    """
    scene, set_up, state = view.scene, view.set_up, view.fit.adjustment.state
    table = scene.solved_table(state)
    camera = scene.camera(state)
    half_m = m_from_mm(45.0)
    sights: dict[str, Click] = {}
    for name, (x_m, y_m) in sight_places_m(table).items():
        covered = name in clicks or abs(x_m - set_up.scale.zero_m) < half_m and abs(y_m - table.length_m) < 0.2
        sd_px = view.sd_px(name)
        place = camera.project(np.array([x_m, y_m, table.rail_top_m]))
        if covered or sd_px > _SIGHT_REACH_PX / 3 or not np.isfinite(place).all():
            continue
        if name in tried and np.hypot(*(place - tried[name])) < _WORTH_PX:
            continue
        guess = Click(name, float(place[0]), float(place[1]), max(0.5, sd_px))
        snap = snap_sight(
            view.luma, guess, px_per_m=camera.project_jacobian(np.array([x_m, y_m, table.rail_top_m]))[:, :2]
        )
        if isinstance(snap, Snap):
            sigma = math.sqrt(float(np.linalg.eigvalsh(snap.cov_px2)[-1]))
            sights[name] = Click(name, float(snap.place_px[0]), float(snap.place_px[1]), sigma)
        else:
            tried[name] = place
    return sights
