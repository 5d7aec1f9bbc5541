"""A printed piece found in the picture as a whole: all its edges at once, to a few hundredths of a pixel.

Corner by corner a marker of 20 px is known to some tenths of a pixel, and detectors of corners carry offsets of
their own. So the piece as it was printed is seen through the camera, blurred, and moved until it looks like the
picture. What lies beside the paper, the light on it and how black the ink is are solved for with it.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.alike import alike_factor
from calibrate.arrays import Floats
from calibrate.camera import Camera
from calibrate.errors import NotMeasured
from calibrate.printed import Print
from calibrate.reasons import MARK_AT_BORDER, MARK_COVERED, MARK_FAINT
from calibrate.units import M_PER_MM

# What no residual shows: compression that shifts a small piece as a whole, by some hundredths of a pixel in drawn
# scenes at CRF 26; curled paper; ink that spreads more to one side.
FLOOR_PX = 0.05
Singles = npt.NDArray[np.float32]

_SPLIT = 4  # of a pixel along each axis: blur and printed edges are laid out this finely
# The print is softened by this many parts of a pixel before parts are looked up in it. Without, an edge along a row
# of pixels moves by whole parts: places were rounded to some hundredths of a pixel, and the fit did not settle.
_SOFT = 0.6
_MARGIN_PX = 3.0  # beside the paper
_BLUR_PX, _LOG_BLUR_SD = 0.9, 0.4  # of lens and compression, one standard deviation: phone clips have 0.6 to 1.5
# The camera is right to about this in size and slant at a piece; curled paper differs by no more.
ROUGH_AFFINE_SD, AFFINE_SD = 0.02, 0.004
_GAMMA = 2.2  # grey levels to light, about that of IEC 61966-2-1: blur mixes light
_DARK = 0.15  # noise of light does not fall below this share of that of white
_TUKEY = 4.0  # times 1.5 standard deviations: beyond, a pixel does not count (Tukey's biweight, 4.7 for 95 %)
_LEAST_EXPLAINED = 0.75  # of the variance that the ink alone can explain; drawn scenes give 0.9 and more
_RIVAL = 0.8  # a second place that explains this share of what the best does leaves the place open
_WORST_SD_PX = 0.3  # a piece placed worse than this is not used: a click by hand is 0.7
_LARGEST_PX = 700  # of a window: a piece that fills more of the picture is not where it is thought to be
NEAR_PX = 1.5  # from where it is so near, the piece is found without trying places
N_MOVES = 7  # u, v, four of size and slant, blur


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pose:
    """Where a printed piece lies.

    Attributes
    ----------
    origin_m : (3,) float64
        Its reference point, table frame.
    turn_rad : float
        Turn of its x axis against the table's.
    stretch : float
        True length of printed lengths over nominal ones, minus one.
    """

    origin_m: Floats
    turn_rad: float = 0.0
    stretch: float = 0.0

    @property
    def turn(self) -> Floats:
        """(2, 2) from the print's axes to the table's."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.array([[c, -s], [s, c]])

    def points_m(self, printed_m: Floats) -> Floats:
        """(..., 3) places of points (..., 2) of the print, nominal lengths from the reference point."""
        flat = self.origin_m[:2] + (1 + self.stretch) * printed_m @ self.turn.T
        places: Floats = np.concatenate([flat, np.full((*flat.shape[:-1], 1), self.origin_m[2])], axis=-1)
        return places

    def printed_m(self, points_m: Floats) -> Floats:
        """(..., 2) points of the print that lie at points (..., 2) of the table, in nominal lengths."""
        found: Floats = (points_m - self.origin_m[:2]) @ self.turn / (1 + self.stretch)
        return found


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Registered:
    """A printed piece found in the picture.

    Attributes
    ----------
    place_px : (P, 2) float64
        (u, v) of the points asked for.
    cov_px2 : (P, 2, P, 2) float64
        Their joint covariance.
    explained : float
        Share of the picture's variance about paper and surroundings that the ink explains.
    blur_px : float
        As found, one standard deviation.
    """

    place_px: Floats
    cov_px2: Floats
    explained: float
    blur_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Pixels round a piece, and where on the print each part of a pixel looks."""

    light: Floats  # (h, w)
    weight: Floats  # (h, w)
    x: Singles  # (h * _SPLIT, w * _SPLIT): column and row of the print
    y: Singles
    centre: Floats  # (2,) middle of the piece in those
    print_per_px: Floats  # (2, 2)
    aside_px: Floats  # (h * w, 2): of each pixel from the middle of the piece
    printed: Print
    part: Floats  # (2,) how far a part of a pixel goes along columns and rows of the print
    layers: tuple[Singles, Singles]  # where ink is, where something else is printed


def register(
    luma: Floats,
    printed: Print,
    pose: Pose,
    *,
    camera: Camera,
    points_mm: Floats,
    reach_px: float,
    affine_sd: float,
) -> Registered | NotMeasured:
    """Find a printed piece near where the camera puts it.

    Parameters
    ----------
    luma : (H, W) array
        Brightness from 0 to 255.
    printed : Print
        The piece.
    pose : Pose
        Where it lies.
    camera : Camera
        Right to `reach_px` at this place, and to `affine_sd` in size and slant.
    points_mm : (P, 2) array
        Points of the print that are wanted, from the reference point.
    reach_px : float
        How far from where the camera puts it the piece is sought.
    affine_sd : float
        Standard deviation of size and slant, relative.

    Returns
    -------
    Registered or NotMeasured
        With the reason why it is not there, not seen well enough, or could be in two places.
    """
    window = _cut(luma, printed, pose, camera)
    if window is None:
        return NotMeasured(MARK_AT_BORDER, "a printed piece is not wholly inside the picture")
    start, rival = (np.zeros(N_MOVES), 0.0) if reach_px <= NEAR_PX else _coarse(window, reach_px)
    if start is None or rival > _RIVAL:
        return NotMeasured(MARK_COVERED, f"no place within {reach_px:.0f} px looks like the print")
    moves, fit = _refine(window, start, affine_sd)
    if fit is None or fit.explained < _LEAST_EXPLAINED:
        share = 0.0 if fit is None else fit.explained
        return NotMeasured(MARK_COVERED, f"the ink explains {100 * share:.0f} % of the picture there")
    if np.hypot(*moves[:2]) > reach_px + 1:
        return NotMeasured(MARK_COVERED, "the print is farther off than the camera allows")
    points = np.asarray(points_mm, dtype=np.float64) * M_PER_MM
    expected_px = camera.project(pose.points_m(points))
    # Size and slant act about the middle of the piece; a point may lie off it.
    seen_at = (points - [printed.left_m, printed.near_m]) / printed.fine_m - 0.5
    aside_px = np.linalg.solve(window.print_per_px, (seen_at - window.centre).T).T
    by_moves = np.zeros((len(points), 2, N_MOVES))
    by_moves[:, 0, 0] = by_moves[:, 1, 1] = 1
    by_moves[:, 0, 2:4] = by_moves[:, 1, 4:6] = aside_px
    cov: Floats = np.einsum("pim,mn,qjn->piqj", by_moves, fit.cov, by_moves)
    cov = cov + (np.eye(2) * FLOOR_PX**2)[None, :, None, :]
    sd_px = float(np.sqrt(np.einsum("pipi->pi", cov).max()))
    if sd_px > _WORST_SD_PX:
        return NotMeasured(MARK_FAINT, f"known to {sd_px:.2f} px only")
    return Registered(
        place_px=expected_px + by_moves @ moves,
        cov_px2=cov,
        explained=fit.explained,
        blur_px=_BLUR_PX * float(np.exp(moves[6])),
    )


def _cut(luma: Floats, printed: Print, pose: Pose, camera: Camera) -> _Window | None:
    """Cut the pixels of a piece out; None where it is not wholly inside."""
    height, width = printed.ink.shape
    near_left_m = np.array([printed.left_m, printed.near_m])
    ends = np.array([[0, 0], [width, 0], [width, height], [0, height]]) * printed.fine_m + near_left_m
    ends_px = camera.project(pose.points_m(ends))
    if not np.isfinite(ends_px).all():
        return None
    low = np.floor(ends_px.min(axis=0) - _MARGIN_PX).astype(int)
    high = np.ceil(ends_px.max(axis=0) + _MARGIN_PX).astype(int)
    if low.min() < 0 or high[0] >= luma.shape[1] or high[1] >= luma.shape[0] or np.any(high - low > _LARGEST_PX):
        return None
    parts = (np.arange(_SPLIT) + 0.5) / _SPLIT - 0.5
    u = (np.arange(low[0], high[0] + 1)[:, None] + parts).ravel()
    v = (np.arange(low[1], high[1] + 1)[:, None] + parts).ravel()
    seen_m = camera.onto_plane(np.stack(np.meshgrid(u, v), axis=-1), z_m=float(pose.origin_m[2]))
    place = (pose.printed_m(seen_m) - near_left_m) / printed.fine_m - 0.5
    grey = np.clip(luma[low[1] : high[1] + 1, low[0] : high[0] + 1].astype(np.float64), 0, 255) / 255
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    middle_m = pose.points_m((middle + 0.5) * printed.fine_m + near_left_m)
    px_per_m = camera.project_jacobian(middle_m)[:, :2]
    print_per_px = pose.turn.T @ np.linalg.inv(px_per_m) / (printed.fine_m * (1 + pose.stretch))
    part = np.abs(print_per_px).sum(axis=1) / _SPLIT
    at_pixels = place.reshape(len(grey), _SPLIT, -1, _SPLIT, 2).mean(axis=(1, 3)).reshape(-1, 2) - middle
    return _Window(
        light=255 * grey**_GAMMA,
        weight=1 / (_DARK + grey ** (_GAMMA - 1)) ** 2,
        x=place[..., 0].astype(np.float32),
        y=place[..., 1].astype(np.float32),
        centre=middle,
        print_per_px=print_per_px,
        aside_px=at_pixels @ np.linalg.inv(print_per_px).T,
        printed=printed,
        part=part,
        layers=(_softened(1 - printed.ink, part), _softened(1 - printed.seen, part)),
    )


def _softened(layer: Floats, part: Floats) -> Singles:
    soft = cv2.GaussianBlur(
        layer.astype(np.float32),
        (0, 0),
        sigmaX=_SOFT * float(part[0]),
        sigmaY=_SOFT * float(part[1]),
        borderType=cv2.BORDER_CONSTANT,
    )
    return np.asarray(soft, dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What the print looks like from one place: columns of the linear part, and the pixels that count."""

    columns: Floats  # (n, 9); the first three are the ink
    counts: Floats  # (n,)
    blurred: Singles  # (h * _SPLIT, w * _SPLIT, 5): ink, elsewhere printed, nearer, farther, to the sides
    blur: float  # in parts of a pixel


def _look(window: _Window, moves: Floats) -> _Look:
    """See the print moved by `moves` (px, px, four of size and slant, log blur)."""
    # The print is moved by `moves`: a pixel looks at the print where it would have looked before that.
    back = window.print_per_px @ np.linalg.inv(np.eye(2) + moves[2:6].reshape(2, 2))
    turned = back @ np.linalg.inv(window.print_per_px)
    shift = (window.centre - turned @ window.centre - back @ moves[:2]).astype(np.float32)
    turned = turned.astype(np.float32)  # maps of single precision are what OpenCV takes
    x, y = (turned[k, 0] * window.x + turned[k, 1] * window.y + shift[k] for k in (0, 1))
    height, width = window.printed.ink.shape
    part_x, part_y = (float(part) for part in window.part)
    # How much of each part lies beyond an edge of the paper.
    before, after = np.clip(0.5 - (y + 0.5) / part_y, 0, 1), np.clip(0.5 + (y + 0.5 - height) / part_y, 0, 1)
    beside = np.clip(0.5 - (x + 0.5) / part_x, 0, 1) + np.clip(0.5 + (x + 0.5 - width) / part_x, 0, 1)
    layers = [
        *(cv2.remap(layer, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) for layer in window.layers),
        before * (1 - beside),
        after * (1 - beside),
        beside,
    ]
    sigma = _SPLIT * _BLUR_PX * float(np.exp(moves[6]))
    # The layers are softened already.
    blur = math.sqrt(max(sigma**2 - _SOFT**2, 0.01))
    blurred = np.stack([cv2.GaussianBlur(np.asarray(one, np.float32), (0, 0), blur) for one in layers], axis=-1)
    height_px, width_px = window.light.shape
    seen = cv2.resize(blurred, (width_px, height_px), interpolation=cv2.INTER_AREA).astype(np.float64)
    ink, blank, *surroundings = np.moveaxis(seen, -1, 0)
    rows, columns = (np.linspace(-1, 1, n) for n in ink.shape)
    across, down = np.meshgrid(columns, rows)
    paper = 1 - np.sum(surroundings, axis=0)
    terms = [ink, ink * across, ink * down, paper, paper * across, paper * down, *surroundings]
    counts = blank < 0.05
    if not window.printed.seen[:, [0, -1]].any():
        # Its ends are not looked at, nor what lies beside them: the next piece of the scale.
        counts &= surroundings[2] < 0.05
    return _Look(
        columns=np.stack([term.ravel() for term in terms], axis=1),
        counts=counts.ravel().astype(np.float64),
        blurred=np.asarray(blurred, dtype=np.float32),
        blur=sigma,
    )


def _explained(look: _Look, light: Floats, weight: Floats) -> float:
    """Share of the weighted variance about paper and surroundings that the ink explains."""
    weighted = look.columns * (weight * look.counts)[:, None]
    normal, right, power = look.columns.T @ weighted, light @ weighted, float(light**2 @ (weight * look.counts))

    def left_over(columns: slice) -> float:
        inner = np.linalg.pinv(normal[columns, columns], rcond=1e-12, hermitian=True)
        return power - float(right[columns] @ inner @ right[columns])

    return 1 - left_over(np.s_[:]) / max(left_over(np.s_[3:]), 1e-9)


def _coarse(window: _Window, reach_px: float) -> tuple[Floats | None, float]:
    """Best place on a grid of a pixel, and how much of what it explains a place elsewhere explains too."""
    steps = np.arange(-np.ceil(reach_px), np.ceil(reach_px) + 1)
    tried = [(du, dv) for du in steps for dv in steps if np.hypot(du, dv) <= reach_px + 1e-9]
    light, weight = window.light.ravel(), window.weight.ravel()
    here = _look(window, np.zeros(N_MOVES))
    shares = np.array([_explained(_shifted(here, window.light.shape, move), light, weight) for move in tried])
    places = np.array(tried)
    best = int(np.argmax(shares))
    if shares[best] < _LEAST_EXPLAINED / 2:
        return None, 0.0
    # Farther than its own modules are wide, a place is another one.
    other = np.hypot(*(places - places[best]).T) > 3.5
    rival = float(shares[other].max() / shares[best]) if other.any() else 0.0
    return np.array([*places[best], 0, 0, 0, 0, 0], dtype=np.float64), rival


def _shifted(look: _Look, shape: tuple[int, int], move: tuple[float, float]) -> _Look:
    """See the print moved by whole pixels; beside the paper what is there goes on."""
    du, dv = (round(step) for step in move)
    rows, columns = (np.clip(np.arange(n) - by, 0, n - 1) for n, by in zip(shape, (dv, du), strict=True))
    taken = (rows[:, None] * shape[1] + columns).ravel()
    return _Look(columns=look.columns[taken], counts=look.counts[taken], blurred=look.blurred, blur=look.blur)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    cov: Floats
    explained: float


def _refine(window: _Window, start: Floats, affine_sd: float) -> tuple[Floats, _Fit | None]:
    """Gauss-Newton on the moves with priors, the linear part solved away (Golub & Pereyra 1973), damped."""
    light, weight = window.light.ravel(), window.weight.ravel()
    prior = np.array([0, 0, *[1 / affine_sd] * 4, 1 / _LOG_BLUR_SD]) ** 2
    moves, robust = start.copy(), np.ones_like(light)
    noise2: float | None = None
    last: Floats = np.zeros(N_MOVES)
    for _ in range(25):
        look = _look(window, moves)
        used = weight * robust
        residual, slopes = _slopes(window, moves, look, light, used)
        counted = used * look.counts
        noise2 = float(counted @ residual**2) / max(1.0, float((robust * look.counts).sum()) - 16)
        spread = np.sqrt(np.maximum(noise2, 1e-6) / weight)
        robust = np.clip(1 - (residual / (_TUKEY * 1.5 * spread)) ** 2, 0, 1) ** 2
        normal = (slopes.T * counted) @ slopes / max(noise2, 1e-6) + np.diag(prior)
        pull = slopes.T @ (counted * residual) / max(noise2, 1e-6) - prior * moves
        step: Floats = np.linalg.solve(normal, pull).astype(np.float64)
        if step[:2] @ last[:2] < 0:
            step /= 2  # to and fro: what pixels count for changes with each step
        length, last = float(np.hypot(*step[:2])), step
        moves = moves + step * min(1.0, 0.5 / max(length, 1e-9))
        if not np.isfinite(moves).all():
            return start, None
        if length < 3e-3 and abs(step[6]) < 2e-2:
            break
    share = float((robust * look.counts).sum() / look.counts.sum())
    if share < 0.6:
        return moves, None
    # What does not count in the fit does not count here.
    shown = np.where(robust * look.counts > 0, robust * residual * np.sqrt(weight), np.nan)
    cov: Floats = np.linalg.inv(normal).astype(np.float64) * alike_factor(shown.reshape(window.light.shape))
    return moves, _Fit(cov=cov, explained=_explained(look, light, used))


def _slopes(window: _Window, moves: Floats, look: _Look, light: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Residual (n,) and how the picture changes with the moves (n, 7), what the linear part follows taken out."""
    root = np.sqrt(weight * look.counts)
    left, size, right = np.linalg.svd(look.columns * root[:, None], full_matrices=False)
    keep = size > 1e-9 * size[0]
    left = left[:, keep]
    found = right[keep].T @ ((left.T @ (light * root)) / size[keep])
    residual = light - look.columns @ found
    slopes = _by_moves(window, look, found)
    inside = np.divide(
        left @ (left.T @ (slopes * root[:, None])), root[:, None], where=root[:, None] > 0, out=slopes * 0
    )
    return residual, slopes - inside


def _by_moves(window: _Window, look: _Look, found: Floats) -> Floats:
    """How the picture, its linear part as found, changes with the moves, (n, 7).

    Moved by d, a picture changes by minus d times its gradient; a wider Gaussian blur changes it by the heat
    equation, ``d/d(log sigma) = sigma^2 * Laplacian``.
    """
    ink, _, near, far, side = np.moveaxis(look.blurred, -1, 0)
    across, down = np.meshgrid(*(np.linspace(-1, 1, n, dtype=np.float32) for n in ink.shape[::-1]))
    found = found.astype(np.float32)
    paper = 1 - near - far - side
    fine = ink * (found[0] + found[1] * across + found[2] * down)
    fine += paper * (found[3] + found[4] * across + found[5] * down)
    fine += found[6] * near + found[7] * far + found[8] * side
    by_v, by_u = np.gradient(fine)
    spread = look.blur**2 * cv2.Laplacian(fine, cv2.CV_32F)
    height, width = window.light.shape
    seen = cv2.resize(np.stack([by_u, by_v, spread], axis=-1), (width, height), interpolation=cv2.INTER_AREA)
    along_u, along_v, wider = (seen[..., k].ravel().astype(np.float64) for k in range(3))
    along_u, along_v = -_SPLIT * along_u, -_SPLIT * along_v
    aside_u, aside_v = window.aside_px.T
    slopes: Floats = np.stack(
        [along_u, along_v, along_u * aside_u, along_u * aside_v, along_v * aside_u, along_v * aside_v, wider],
        axis=1,
    )
    return slopes
