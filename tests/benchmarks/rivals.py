"""What general libraries find of the ball: blobs, circles, spots, stock object trackers, and a line through them.

Every rival gets more than it would have at a table: the still frames before the strike for its background, the true
times of strike and cushion contact (it sees only the frames between), the ball's true box in the first of them, the
part of the picture in which the lane lies, and the ball's true size in every frame.
"""

import importlib.util
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from clip_sets import Clip

from calibrate.calibration import Calibration
from calibrate.marks import Click, MarkKind, mark_kind, mark_point_m, tick_number
from calibrate.units import m_from_inch
from tracker.clip import read_frames

LANE_HALF_M = 0.12
MAX_STEP_SHARE = 0.7  # a find farther from where the ball is due than this share of its last step is another thing


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Run:
    """The frames of a shot as a rival gets them.

    Attributes
    ----------
    still : list of (H, W) uint8
        Frames before the strike.
    moving : list of (H, W) uint8
        Frames between strike and cushion contact.
    lane : (H, W) uint8
        255 where the lane lies in the picture.
    start_px : (2,) array
        True place of the ball in the first moving frame.
    step_px : (2,) array
        True step of the ball to the second.
    largest_step_px : int
        Largest true step of the ball between two moving frames, along u or v.
    radius_px : (N,) array
        True radius of its image in each moving frame.
    decoding_s : float
        Processor time that decoding the whole file took.
    n_frames : int
        Frames of the whole file.
    """

    still: list[np.ndarray]
    moving: list[np.ndarray]
    lane: np.ndarray
    start_px: np.ndarray
    step_px: np.ndarray
    largest_step_px: int
    radius_px: np.ndarray
    decoding_s: float
    n_frames: int


def load_run(clip: Clip, calibration: Calibration) -> Run:
    """Decode a clip and cut out the shot by its true times."""
    truth, setup = clip.truth, clip.setup
    began_s = time.process_time()
    lumas = [frame.luma.copy() for frame in read_frames(clip.path)]
    decoding_s = time.process_time() - began_s
    height, width = lumas[0].shape
    readout_s, half_s = setup.recording.readout_s, setup.recording.exposure_s / 2
    exposed_s = [frame.time_s + frame.v_px / height * readout_s for frame in truth.frames]
    still = [k for k, t in enumerate(exposed_s) if t + half_s < truth.strike_s]
    moving = [k for k, t in enumerate(exposed_s) if t - half_s > truth.strike_s and t + half_s < truth.contact_s]
    true_px = np.array([(truth.frames[k].u_px, truth.frames[k].v_px) for k in moving])
    true_m = np.array([(truth.frames[k].x_m, truth.frames[k].y_m, truth.frames[k].z_m) for k in moving])
    radius_m = setup.ball.radius_m
    aside_px = np.array([setup.lens.project(place + np.array([radius_m, 0, 0])) for place in true_m])
    lane_m = calibration.lane
    left, right = lane_m.x_aim_m - LANE_HALF_M, lane_m.x_aim_m + LANE_HALF_M
    near, far = lane_m.spot_y_m - 0.03, calibration.table.length_m
    corners = np.array([[x, y, radius_m] for x, y in ((left, near), (right, near), (right, far), (left, far))])
    lane = np.zeros((height, width), np.uint8)
    cv2.fillPoly(lane, [np.round(setup.lens.project(corners)).astype(np.int32)], 255)
    return Run(
        still=[lumas[k] for k in still],
        moving=[lumas[k] for k in moving],
        lane=lane,
        start_px=true_px[0],
        step_px=true_px[1] - true_px[0],
        largest_step_px=int(np.ceil(np.abs(np.diff(true_px, axis=0)).max())),
        radius_px=np.linalg.norm(aside_px - true_px, axis=1),
        decoding_s=decoding_s,
        n_frames=len(lumas),
    )


def link(finds: Iterator[np.ndarray], run: Run) -> np.ndarray:
    """(N, 2) nearest find to where the ball is due, frame by frame; frames without one are left out."""
    due, step, missed, seen = run.start_px, run.step_px, 0, []
    for found in finds:
        far = np.hypot(*(found - due).T) if len(found) else np.array([np.inf])
        best = int(far.argmin())
        if far[best] < max(MAX_STEP_SHARE * np.hypot(*step), 8.0) * (1 + missed):
            place = found[best]
            if seen:
                step = 0.5 * step + 0.5 * (place - seen[-1]) / (1 + missed)
            seen.append(place)
            due, missed = place + step, 0
        else:
            due, missed = due + step, missed + 1
    return np.array(seen).reshape(-1, 2)


def _blobs(mask: np.ndarray, run: Run, k: int) -> np.ndarray:
    """(M, 2) centroids of white areas that are not far too small or too large for the ball."""
    mask = cv2.morphologyEx(cv2.bitwise_and(mask, run.lane), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, _, stats, centroids = cv2.connectedComponentsWithStats(mask)
    area = np.pi * run.radius_px[k] ** 2
    good = (stats[:, cv2.CC_STAT_AREA] > 0.3 * area) & (stats[:, cv2.CC_STAT_AREA] < 6 * area)
    good[0] = False  # the black rest
    return centroids[good]


def mog2_blobs(run: Run) -> np.ndarray:
    """Background subtraction by a mixture of Gaussians, blob centroid."""
    model = cv2.createBackgroundSubtractorMOG2(history=200, varThreshold=25, detectShadows=True)
    for luma in run.still:
        model.apply(luma)

    def finds() -> Iterator[np.ndarray]:
        for k, luma in enumerate(run.moving):
            mask = model.apply(luma, learningRate=0.001)
            yield _blobs(np.where(mask == 255, 255, 0).astype(np.uint8), run, k)

    return link(finds(), run)


def threshold_blobs(run: Run) -> np.ndarray:
    """Brightness halfway between cloth and ball, blob centroid."""
    u, v = np.round(run.start_px).astype(int)
    r = int(run.radius_px[0] / 2)
    ball = np.median(run.moving[0][v - r : v + r + 1, u - r : u + r + 1])
    level = (ball + np.median(run.still[-1][run.lane > 0])) / 2
    finds = (_blobs(np.where(luma > level, 255, 0).astype(np.uint8), run, k) for k, luma in enumerate(run.moving))
    return link(finds, run)


def hough_circles(run: Run) -> np.ndarray:
    """Circles by the Hough transform, in the part of the picture that holds the lane."""
    u0, v0, w, h = cv2.boundingRect(run.lane)

    def finds() -> Iterator[np.ndarray]:
        for k, luma in enumerate(run.moving):
            r = run.radius_px[k]
            part = cv2.GaussianBlur(luma[v0 : v0 + h, u0 : u0 + w], (0, 0), 1.0)
            circles = cv2.HoughCircles(
                part,
                cv2.HOUGH_GRADIENT,
                dp=1,
                minDist=r,
                param1=80,
                param2=10,
                minRadius=max(int(0.7 * r), 2),
                maxRadius=int(1.5 * r) + 2,
            )
            yield np.empty((0, 2)) if circles is None else circles.reshape(-1, 3)[:, :2] + (u0, v0)

    return link(finds(), run)


def trackpy_spots(run: Run) -> np.ndarray:
    """Bright spots by the locator of trackpy."""
    import trackpy

    u0, v0, w, h = cv2.boundingRect(run.lane)

    def finds() -> Iterator[np.ndarray]:
        for k, luma in enumerate(run.moving):
            diameter = 2 * int(round(run.radius_px[k] + 1)) + 1
            # it takes no mask, so the rails beside the lane are painted over
            part = np.where(run.lane > 0, luma, 0)[v0 : v0 + h, u0 : u0 + w]
            found = trackpy.locate(part, diameter, topn=5)
            yield found[["x", "y"]].to_numpy() + (u0, v0)

    return link(finds(), run)


def _create_tracker(name: str, run: Run) -> object:
    """Make a stock tracker; one with a search window gets the largest step of the ball as its reach."""
    create = getattr(cv2, f"Tracker{name}_create")
    if name != "MIL":
        return create()
    params = cv2.TrackerMIL_Params()
    params.samplerSearchWinSize = max(params.samplerSearchWinSize, run.largest_step_px + 5)
    return create(params)


def stock_tracker(name: str, box_share: float) -> Callable[[Run], np.ndarray]:
    """Middle of the box of one of OpenCV's object trackers, started round the ball's true place.

    Parameters
    ----------
    name : str
        Of the tracker, as OpenCV has it.
    box_share : float
        Side of the start box over the ball's diameter.
    """

    def places(run: Run) -> np.ndarray:
        cv2.setRNGSeed(20240611)
        tracker = _create_tracker(name, run)
        side = round(2 * box_share * run.radius_px[0]) + 1
        corner = np.round(run.start_px - (side - 1) / 2).astype(int)
        box = [int(corner[0]), int(corner[1]), side, side]
        seen = [corner + (side - 1) / 2]
        tracker.init(cv2.cvtColor(run.moving[0], cv2.COLOR_GRAY2BGR), box)
        for luma in run.moving[1:]:
            found, box = tracker.update(cv2.cvtColor(luma, cv2.COLOR_GRAY2BGR))
            if found:
                seen.append(np.array([box[0] + (box[2] - 1) / 2, box[1] + (box[3] - 1) / 2]))
        return np.array(seen)

    return places


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """One way to find the ball.

    Attributes
    ----------
    name : str
        For the table.
    places_px : callable or None
        Gives the (N, 2) places of a run; None where this machine cannot do it.
    absent : str
        Why not.
    """

    name: str
    places_px: Callable[[Run], np.ndarray] | None
    absent: str = ""


STOCK_TRACKERS = ("MIL", "KCF", "CSRT")  # those that need no file of weights
WEIGHTS_NEEDED = ("Nano", "Vit", "DaSiamRPN", "GOTURN")
BOX_SHARES = (1.0, 1.6)


def rivals() -> list[Rival]:
    """Return all rivals, those that are not installed with the reason."""
    found = [
        Rival(name="MOG2, blob centroid", places_px=mog2_blobs),
        Rival(name="brightness threshold, blob centroid", places_px=threshold_blobs),
        Rival(name="Hough circles", places_px=hough_circles),
    ]
    there = [name for name in STOCK_TRACKERS if hasattr(cv2, f"Tracker{name}_create")]
    found += [
        Rival(name=f"OpenCV tracker {name}, box {share:g} x ball", places_px=stock_tracker(name, share))
        for name in there
        for share in BOX_SHARES
    ]
    missing = [name for name in STOCK_TRACKERS if name not in there]
    if missing:
        names = ", ".join(missing)
        found.append(Rival(name=f"OpenCV trackers {names}", places_px=None, absent="not in this OpenCV"))
    weightless = [name for name in WEIGHTS_NEEDED if hasattr(cv2, f"Tracker{name}_create")]
    if weightless:
        names = ", ".join(weightless)
        found.append(Rival(name=f"OpenCV trackers {names}", places_px=None, absent="weights not in OpenCV"))
    if importlib.util.find_spec("trackpy"):
        found.append(Rival(name="trackpy locator", places_px=trackpy_spots))
    else:
        found.append(Rival(name="trackpy locator", places_px=None, absent="trackpy is not installed"))
    return found


def _line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Point and direction of the straight line through points, outliers left out in three rounds."""
    kept = np.ones(len(points), dtype=bool)
    for _ in range(4):
        point = points[kept].mean(axis=0)
        direction = np.linalg.svd(points[kept] - point)[2][0]
        off = (points - point) @ np.array([-direction[1], direction[0]])
        again = np.abs(off) < 3 * 1.4826 * np.median(np.abs(off[kept])) + 1e-9
        if again.sum() < 3:
            break
        kept = again
    return point, direction


def _cloth(clicks: Sequence[Click], calibration: Calibration) -> tuple[np.ndarray, np.ndarray]:
    """Clicks on the cloth in the image, and their places on the table."""
    on_cloth = [click for click in clicks if mark_kind(click.name) is MarkKind.RING]
    places = [mark_point_m(c.name, calibration.table, calibration.lane, calibration.scale)[:2] for c in on_cloth]
    return np.array([(c.u_px, c.v_px) for c in on_cloth]), np.array(places)


def reading_by_cloth_mm(
    places_px: np.ndarray, clip: Clip, calibration: Calibration, *, corners: int | None
) -> float:
    """Reading by a homography of the cloth and a straight line up to the reading line.

    Parameters
    ----------
    places_px : (N, 2) array
        Where the ball was found.
    corners : int or None
        4 for the homography of the four clicks on the cloth that lie farthest apart; None for least squares over
        all clicks on the cloth.
    """
    image_px, cloth_m = _cloth(clip.clicks, calibration)
    if corners is not None:
        turned = cloth_m - cloth_m.mean(axis=0)
        pick = [int((turned @ np.array(to)).argmax()) for to in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        image_px, cloth_m = image_px[pick], cloth_m[pick]
    homography, _ = cv2.findHomography(image_px, cloth_m)
    places_m = cv2.perspectiveTransform(places_px.reshape(-1, 1, 2).astype(float), homography).reshape(-1, 2)
    return _crossing_mm(places_m, clip, calibration)


def reading_by_camera_mm(places_px: np.ndarray, clip: Clip, calibration: Calibration) -> float:
    """Reading with railread's camera and scale: what is left is the finding of the ball and the straight line."""
    places_m = calibration.camera.onto_plane(places_px, z_m=calibration.ball.radius_m)
    point, direction = _line(places_m)
    return 1000 * calibration.scale.reading_m(point, direction)


def _crossing_mm(places_m: np.ndarray, clip: Clip, calibration: Calibration) -> float:
    point, direction = _line(places_m)
    line_y_m = calibration.table.length_m + clip.setup.scene.scale.setback_m
    x_m = point[0] + (line_y_m - point[1]) / direction[1] * direction[0]
    return float(1000 * (x_m - calibration.lane.x_aim_m))


def reading_by_ticks_mm(places_px: np.ndarray, clip: Clip) -> float:
    """Reading in the image alone: a straight line, read where it crosses the line of the clicked ticks."""
    ticks = [click for click in clip.clicks if mark_kind(click.name) is MarkKind.TICK]
    image_px = np.array([(c.u_px, c.v_px) for c in ticks])
    numbers = np.array([tick_number(c.name) for c in ticks])
    start, along = _line(image_px)
    point, direction = _line(places_px)
    s = np.linalg.solve(np.column_stack([along, -direction]), point - start)[0]
    number_of = np.polynomial.Polynomial.fit((image_px - start) @ along, numbers, 2)
    return float(1000 * m_from_inch(number_of(s)))
