"""The fit of the ball's predicted image to the pixels round its rim, by steps that come to rest."""

import math
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats, Reals
from tracker.ball_image import N_LIGHT, BallView, LightSlopes, Optics, exposure_steps, image_balls
from tracker.light import Light, facing_turn
from tracker.patch import Patch, rim_pixels
from tracker.shadow import N_SHADOW, SHADOW_MEAN, SHADOW_SD
from tracker.tone import Tone

Found = TypeVar("Found")
Padded = TypeVar("Padded", Floats, Reals)

# Ticks, ferrules and print are outliers, not noise: a pixel's pull falls with the cube of its residual (Geman &
# McClure, Bull. ISI 52, 5 (1987); from memory), beyond about this many standard deviations.
OUTLIER_SDS = 1.4
# Print on a ball is darker than the ball. Were bright and dark judged alike, a ball half covered with dots would be
# taken for a dark ball with bright gaps.
BRIGHT_OUTLIER_SDS = 4.0
# What the ball takes from the cloth round it, and the cloth gives the ball, is modelled to this share of the light
# of the cloth: dim rims, where that is much, must not outvote bright ones. With noise alone balls that mirror their
# surroundings were seen 0.3 to 0.5 px too low on average; with this, 0.2 to 0.5 px.
CLOTH_LIGHT_SD = 0.1
# From this step on the noise is held to what it was: judged anew at every step it may go to and fro
# with the place.
NOISE_STEPS = 8
MAX_STEPS = 20
# A step longer than this is more likely a false catch than a correction.
MAX_STEP_PX = 3.0
MAX_RECENTRED = 4
# Steps of so many frames are computed at once, fewer where the exposure is cut into pieces: calls cost more than
# the arithmetic of one frame, and what does not fit into the processor's cache costs more than calls.
AT_ONCE = 12
# So many frames are under way together: others come in as some are found.
UNDER_WAY = 24
# Fewer pixels than this do not tell 41 terms and the place.
MIN_PIXELS = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How much work is put into one fit.

    Attributes
    ----------
    settled_px : float
        It ends with a step shorter than this.
    most_pixels : int
        It uses about so many at most.
    lenient_steps : int
        Until this step outliers are judged more leniently: strict from the start, the fit would take the first
        likeness for the ball and the ball for outliers. From a place already found few are needed.
    recentre_px : float
        Where the ball is farther than this from where its pixels were looked for, they are chosen anew round there.
    """

    settled_px: float
    most_pixels: int
    lenient_steps: int = 4
    recentre_px: float = 0.5


# More pixels cost time and tell little: the model's bias, not the noise, limits a large ball.
THOROUGH = Effort(settled_px=0.015, most_pixels=900)
FEW_LENIENT_STEPS = 2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RimPixels:
    """What a later fit of the same frame can begin with.

    Attributes
    ----------
    view : BallView
        The ball at the place found.
    pixels : (N, 2) float32
        Where the pixels lie in the picture.
    use : (h, w) bool
        Where they lie in the patch.
    thin : int
        One pixel of so many was taken, on lines that run up to the right.
    root : (N,) float64
        What the weighting multiplied.
    """

    view: BallView
    pixels: Reals
    use: npt.NDArray[np.bool_]
    thin: int
    root: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RimFit:
    """A fit with its working values; N pixels, P terms and the place.

    Attributes
    ----------
    view : BallView
        The ball at the place found.
    pixels : (N, 2) float32
        Where the pixels lie in the picture.
    use : (h, w) bool
        Where they lie in the patch.
    thin : int
        One pixel of so many was taken, on lines that run up to the right.
    shift_px : (2,) float64
        Place found, from the predicted one.
    unsettled_px : float
        Length of the last step where the steps came to no end; else 0.
    terms : (P,) float64
        Factors of the ball's brightness and of the change of what lies behind.
    slopes : LightSlopes
        The model at that place, and how the light changes with the place and the optics; of this frame alone.
    design : (P + 2, N) float64
        Weighted derivatives by the terms and the place.
    normal : (P + 2, P + 2) float64
        Its normal matrix with the priors.
    pull : (N,) float64
        Weighted residuals, in units of noise.
    root : (N,) float64
        What the weighting multiplied.
    grey_residual : (N,) float64
        Residuals in grey levels.
    sd : float
        Their robust spread.
    """

    view: BallView
    pixels: Reals
    use: npt.NDArray[np.bool_]
    thin: int
    shift_px: Floats
    unsettled_px: float
    terms: Floats
    slopes: LightSlopes
    design: Floats
    normal: Floats
    pull: Floats
    root: Floats
    grey_residual: Floats
    sd: float

    def rim_pixels(self) -> RimPixels:
        """Keep what a later fit can begin with, and none of the large working values."""
        return RimPixels(view=self.view, pixels=self.pixels, use=self.use, thin=self.thin, root=self.root.copy())


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RimSearch:
    """One frame in which the ball is sought.

    Attributes
    ----------
    view, patch, optics, noise, light, effort, band
        As for `tracker.locate.locate_ball`.
    after : RimPixels, optional
        Of a fit of this patch with optics that hardly differed: its pixels serve again, and what it took for
        outliers.
    """

    view: BallView
    patch: Patch
    optics: Optics
    noise: float
    light: Light
    effort: Effort = THOROUGH
    band: Optics | None = None
    after: RimPixels | None = None


def fit_rims(searches: Sequence[RimSearch], told: Callable[[RimSearch, RimFit], Found]) -> list[Found | None]:
    """Fit, to pixels chosen round the place found: a band of pixels off the ball pulls it by a tenth of its error.

    Each frame is fitted for itself, but steps of many are computed at once.

    Parameters
    ----------
    searches : sequence of RimSearch
        The frames.
    told : callable
        Makes of each fit what is wanted of it: the working values of many frames would fill the memory.

    Returns
    -------
    list
        What was told of each frame; None where too few pixels are seen.
    """
    found: list[Found | None] = [None] * len(searches)
    waiting = enumerate(searches)
    running: dict[int, _Steps] = {}
    answers: dict[int, _Equations | None] = {}
    while True:
        for n, one in islice(waiting, UNDER_WAY - len(running)):
            running[n], answers[n] = _search(one), None
        if not running:
            return found
        asked: dict[int, _Asked] = {}
        for n, answer in answers.items():
            try:
                asked[n] = running[n].send(answer)
            except StopIteration as end:
                found[n] = None if end.value is None else told(searches[n], end.value)
                del running[n]
        answers = dict(_answered(asked))


_Steps = Generator["_Asked", "_Equations | None", "RimFit | None"]


def _search(search: RimSearch) -> _Steps:
    """Fit one frame: asks for the equations at one place after the other."""
    view, effort = search.view, search.effort
    if search.after is not None:
        after = search.after
        scene = _Scene(search, after.view, pixels=after.pixels, use=after.use, thin=after.thin)
        fit = yield from _settle(scene, replace(effort, lenient_steps=1), root=after.root)
        if float(np.hypot(*fit.shift_px)) < effort.recentre_px:
            return fit
        view = fit.view
    for left in reversed(range(MAX_RECENTRED)):
        pixels, use, thin = rim_pixels(view, search.patch, search.band or search.optics, effort.most_pixels)
        if len(pixels) < MIN_PIXELS:
            return None
        scene = _Scene(search, view, pixels=pixels, use=use, thin=thin)
        fit = yield from _settle(scene, effort, stays=not left)
        if float(np.hypot(*fit.shift_px)) < effort.recentre_px:
            return fit
        view, effort = fit.view, replace(effort, lenient_steps=FEW_LENIENT_STEPS)
    return fit


@lru_cache(maxsize=256)  # a frame is fitted many times with the same light from the same side
def _expected(light: Light, facing: bytes) -> tuple[Floats, Floats]:
    """(41,) what the terms are expected to be, and (41, 41) the precision of that."""
    turn = facing_turn(facing)
    precision = np.diag(np.full(N_LIGHT + N_SHADOW, 1 / SHADOW_SD**2))
    precision[:N_LIGHT, :N_LIGHT] = np.linalg.inv(turn @ light.cov @ turn.T)
    means = np.concatenate([turn @ light.mean, SHADOW_MEAN])
    for shared in (means, precision):
        shared.setflags(write=False)
    return means, precision


class _Scene:
    """One window with what is known of it."""

    def __init__(
        self, search: RimSearch, view: BallView, *, pixels: Reals, use: npt.NDArray[np.bool_], thin: int
    ) -> None:
        tone, patch, light = search.optics.tone, search.patch, search.light
        self.view, self.optics, self.pixels, self.noise = view, search.optics, pixels, search.noise
        self.use, self.thin = use, thin
        self.n_steps = exposure_steps(view, search.optics)
        self.seen = tone.light(patch.luma[use].astype(np.float64))
        self.background = tone.light(patch.background[use].astype(np.float64))
        self.means, self.precision = _expected(light, view.facing.tobytes())

    def first_spread(self) -> Floats:
        """(N,) noise in levels of light before anything is fitted."""
        return np.hypot(self.noise * self.optics.tone.slope(self.background), CLOTH_LIGHT_SD * self.background)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Asked:
    """A place at which one frame wants its equations.

    Attributes
    ----------
    scene : _Scene
        The frame.
    shift : (2,) float64
        The place.
    root : (N,) float64
        With which the terms are solved for.
    lenient : float
        By how much outliers are judged more leniently.
    sd : float or None
        Noise to which this step is held, in grey levels; None where it is judged by the residuals.
    """

    scene: _Scene
    shift: Floats
    root: Floats
    lenient: float
    sd: float | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Equations:
    """What the pixels of one frame want at one place.

    Attributes
    ----------
    shift : (2,) float64
        The place.
    sd : float
        Noise by which the pixels were judged, in grey levels.
    terms, design, normal, pull, root, grey_residual
        As in `RimFit`.
    slopes : LightSlopes
        Of all frames that were computed together, of which this is number `frame`.
    frame : int
        As said.
    step : (2,) float64
        Gauss-Newton step of the place.
    """

    shift: Floats
    sd: float
    terms: Floats
    slopes: LightSlopes
    frame: int
    design: Floats
    normal: Floats
    pull: Floats
    root: Floats
    grey_residual: Floats
    step: Floats

    @property
    def step_px(self) -> float:
        """Length of the step."""
        return math.hypot(*self.step.tolist())


def _answered(asked: dict[int, _Asked]) -> Iterator[tuple[int, _Equations]]:
    """Compute what frames ask for: together those that are alike, some at a time."""
    alike: dict[tuple[int, Tone], list[int]] = {}
    for n in sorted(asked, key=lambda n: len(asked[n].root)):
        scene = asked[n].scene
        alike.setdefault((scene.n_steps, scene.optics.tone), []).append(n)
    for (n_steps, tone), frames in alike.items():
        at_once = max(1, AT_ONCE // n_steps)
        for first in range(0, len(frames), at_once):
            some = frames[first : first + at_once]
            yield from zip(some, _equations([asked[n] for n in some], tone, n_steps), strict=True)


def _padded(values: Sequence[Padded], n_most: int, pad: float | None = None) -> Padded:
    """(F, N) values of frames with different numbers of pixels; each one's first fills it up, or the pad."""
    together = np.empty((len(values), n_most, *values[0].shape[1:]), values[0].dtype)
    for row, own in zip(together, values, strict=True):
        row[: len(own)] = own
        row[len(own) :] = own[0] if pad is None else pad
    return together


def _equations(asked: Sequence[_Asked], tone: Tone, n_steps: int) -> list[_Equations]:
    """Solve for the terms at a place of each frame, and set up the equations there, with robust weights.

    All but the place is linear: seen = s @ shade + background (1 - cover + w @ shadow).
    """
    scenes = [one.scene for one in asked]
    counts = np.array([len(one.root) for one in asked])
    most = int(counts.max())
    seen, background = (
        _padded(all_of, most) for all_of in zip(*((s.seen, s.background) for s in scenes), strict=True)
    )
    root = _padded([one.root for one in asked], most, 0.0)
    precision, means = np.stack([s.precision for s in scenes]), np.stack([s.means for s in scenes])
    image = image_balls(
        [scene.view for scene in scenes],
        np.stack([one.shift for one in asked]),
        _padded([scene.pixels for scene in scenes], most),
        [scene.optics for scene in scenes],
        n_steps=n_steps,
    )
    n_frames, n_terms = means.shape
    linear = image.linear
    linear[:, N_LIGHT:] *= background[:, None]
    target = seen - background * (1 - image.cover)
    weighted = linear * root[:, None]
    terms = np.linalg.solve(
        weighted @ weighted.swapaxes(1, 2) + precision,
        weighted @ (target * root)[..., None] + precision @ means[..., None],
    )[..., 0]
    residual = target - (terms[:, None] @ linear)[:, 0]

    tone_slope = tone.slope(seen - residual)
    grey_residual = residual / tone_slope
    sd = _noise(grey_residual, counts, asked)
    spread = np.hypot(sd[:, None] * tone_slope, CLOTH_LIGHT_SD * background)
    lenient = np.array([one.lenient for one in asked])
    outlier_sds = OUTLIER_SDS + (BRIGHT_OUTLIER_SDS - OUTLIER_SDS) * image.cover * (residual > 0)
    # the square root of the weights whose weighted least squares has the slope of the loss
    root = 1 / (1 + (residual / (lenient[:, None] * outlier_sds * spread)) ** 2) / spread
    root[np.arange(most) >= counts[:, None]] = 0

    slopes = image.slopes(terms, background)
    design = np.empty((n_frames, n_terms + 2, most))
    np.multiply(linear, root[:, None], out=design[:, :n_terms])
    np.multiply(slopes.place.swapaxes(0, 1), root[:, None], out=design[:, n_terms:])
    normal = design @ design.swapaxes(1, 2)
    normal[:, :n_terms, :n_terms] += precision
    pull = residual * root
    gradient = (design @ pull[..., None])[..., 0]
    gradient[:, :n_terms] += (precision @ (means - terms)[..., None])[..., 0]
    step = np.linalg.solve(normal, gradient[..., None])[:, -2:, 0]
    return [
        _Equations(
            shift=one.shift,
            sd=float(sd[f]),
            terms=terms[f],
            slopes=slopes,
            frame=f,
            design=design[f, :, :n],
            normal=normal[f],
            pull=pull[f, :n],
            root=root[f, :n],
            grey_residual=grey_residual[f, :n],
            step=step[f],
        )
        for f, (one, n) in enumerate(zip(asked, counts.tolist(), strict=True))
    ]


def _noise(grey_residual: Floats, counts: npt.NDArray[np.int64], asked: Sequence[_Asked]) -> Floats:
    """(F,) noise of each frame, judged by the residuals: even in grey levels, not in levels of light.

    The median, of an even number the upper of the two in the middle.
    """
    size = np.abs(grey_residual)
    size[np.arange(size.shape[1]) >= counts[:, None]] = np.inf
    middle = np.sort(size, axis=1)[np.arange(len(size)), counts // 2]
    return np.array(
        [
            max(one.scene.noise, 1.4826 * own) if one.sd is None else one.sd
            for one, own in zip(asked, middle.tolist(), strict=True)
        ]
    )


class _Mover:
    """Turns Gauss-Newton steps into moves that come to rest.

    The place sought is where the step is zero. That step is no exact Newton step (it leaves out how the weights and
    the noise change with the place): on smeared balls it may come out twice too long, and taken as it is the place
    goes to and fro for ever. How the step changes with the place is learnt from the moves made
    (Broyden, Math. Comp. 19, 577 (1965); from memory), and where a move brought the place no nearer the next is at
    most half as long.
    """

    def __init__(self) -> None:
        self._change = -np.eye(2)
        self._last: tuple[Floats, Floats] | None = None

    def move(self, shift: Floats, step: Floats, *, learn: bool) -> Floats:
        """Return the move from a place, (2,) px; `learn` where the last step was judged by the same loss."""
        move, longest_px = step, MAX_STEP_PX
        if self._last is not None:
            moved, before = shift - self._last[0], self._last[1]
            if learn:
                gained = step - before - self._change @ moved
                self._change = self._change + np.outer(gained, moved) / max(float(moved @ moved), 1e-18)
                towards = _solved(self._change, step)
                if towards is None:
                    self._change = -np.eye(2)
                else:
                    move = towards
            if step @ moved < 0 and np.hypot(*step) > 0.5 * np.hypot(*before):
                longest_px = 0.5 * float(np.hypot(*moved))
        self._last = shift, step
        shorter: Floats = move * min(1.0, longest_px / max(float(np.hypot(*move)), 1e-9))
        return shorter


def _solved(change: Floats, step: Floats) -> Floats | None:
    """Move that would make the step zero, if steps change so; None where that leads astray."""
    if abs(float(np.linalg.det(change))) < 0.05:
        return None
    move = np.asarray(-np.linalg.solve(change, step), dtype=np.float64)
    ahead = float(move @ step) > 0
    return move if ahead and float(np.hypot(*move)) < 2 * float(np.hypot(*step)) else None


def _settle(
    scene: _Scene, effort: Effort, *, root: Floats | None = None, stays: bool = True
) -> Generator[_Asked, _Equations | None, RimFit]:
    """Search the place by Gauss-Newton steps, everything else solved for at each; robust weights.

    Variable projection: Golub & Pereyra, Inverse Problems 19, R1 (2003); from memory. Where the steps come to no
    end, the place with the least step is taken, and counts as uncertain by that step. It is left off, unless it
    `stays`, as soon as the pixels are to be chosen anew; `root` is what the weighting multiplied before.
    """
    mover, shift, sd = _Mover(), np.zeros(2), None
    best: _Equations | None = None
    weighting = 1 / scene.first_spread() if root is None else root
    for n in range(MAX_STEPS):
        lenient = max(1.0, effort.lenient_steps / (n + 1))
        found = yield _Asked(
            scene=scene, shift=shift, root=weighting, lenient=lenient, sd=None if n < NOISE_STEPS else sd
        )
        assert found is not None
        sd = found.sd
        strict = n + 1 >= effort.lenient_steps
        if best is None or not strict or found.step_px < best.step_px:
            best = found
        if strict and found.step_px < effort.settled_px:
            break
        if strict and not stays and np.hypot(*(shift + found.step)) > effort.recentre_px:
            best = found
            break
        shift = np.add(shift, mover.move(shift, found.step, learn=n >= effort.lenient_steps), dtype=np.float64)
        weighting = found.root
    assert best is not None
    settled = best.step_px < effort.settled_px
    place: Floats = np.add(best.shift, best.step if settled or not stays else 0.0, dtype=np.float64)
    return RimFit(
        view=replace(scene.view, centre_px=scene.view.centre_px + place),
        pixels=scene.pixels,
        use=scene.use,
        thin=scene.thin,
        shift_px=place,
        unsettled_px=0.0 if settled else best.step_px,
        terms=best.terms,
        slopes=best.slopes.only(best.frame, len(scene.pixels)),
        design=best.design,
        normal=best.normal,
        pull=best.pull,
        root=best.root,
        grey_residual=best.grey_residual,
        sd=best.sd,
    )
