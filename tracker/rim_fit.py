"""The fit of the ball's predicted image to the pixels round its rim, by steps that come to rest."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats, Reals
from tracker.ball_image import N_LIGHT, BallImage, BallView, LightSlopes, Optics, image_ball
from tracker.light import Light, turn_light
from tracker.patch import Patch, rim_pixels
from tracker.shadow import N_SHADOW, SHADOW_MEAN, SHADOW_SD

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
    image : BallImage
        The model at that place.
    terms : (P,) float64
        Factors of the ball's brightness and of the change of what lies behind.
    slopes : LightSlopes
        How the light changes with the place and the optics.
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
    image: BallImage
    terms: Floats
    slopes: LightSlopes
    design: Floats
    normal: Floats
    pull: Floats
    root: Floats
    grey_residual: Floats
    sd: float


def fit_rim(
    view: BallView,
    patch: Patch,
    optics: Optics,
    *,
    noise: float,
    light: Light,
    effort: Effort = THOROUGH,
    band: Optics | None = None,
    after: RimFit | None = None,
) -> RimFit | None:
    """Fit, to pixels chosen round the place found: a band of pixels off the ball pulls it by a tenth of its error.

    Parameters
    ----------
    view, patch, optics, noise, light, effort, band
        As for `tracker.locate.locate_ball`.
    after : RimFit, optional
        A fit of this patch with optics that hardly differed: its pixels serve again, and what it took for outliers.

    Returns
    -------
    RimFit or None
        None where too few pixels are seen.
    """

    def scene_of(centred: BallView, pixels: Reals, use: npt.NDArray[np.bool_], thin: int) -> _Scene:
        return _Scene(centred, patch, optics, pixels=pixels, use=use, thin=thin, noise=noise, light=light)

    if after is not None:
        fit = _settle(
            scene_of(after.view, after.pixels, after.use, after.thin),
            replace(effort, lenient_steps=1),
            root=after.root,
        )
        if float(np.hypot(*fit.shift_px)) < effort.recentre_px:
            return fit
        view = fit.view
    for left in reversed(range(MAX_RECENTRED)):
        pixels, use, thin = rim_pixels(view, patch, band or optics, effort.most_pixels)
        if len(pixels) < MIN_PIXELS:
            return None
        fit = _settle(scene_of(view, pixels, use, thin), effort, stays=not left)
        if float(np.hypot(*fit.shift_px)) < effort.recentre_px:
            return fit
        view, effort = fit.view, replace(effort, lenient_steps=FEW_LENIENT_STEPS)
    return fit


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Likeness:
    """The model at one place, its terms solved for.

    Attributes
    ----------
    image : BallImage
        What the ball's outline says.
    linear : (P, N) float64
        Change of the light with each term.
    terms : (P,) float64
        Factors of the ball's brightness and of the change of what lies behind.
    residual : (N,) float64
        Light seen less that of the model.
    """

    image: BallImage
    linear: Floats
    terms: Floats
    residual: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Loss:
    """How residuals count at one step: the noise, and from where on a pixel is an outlier.

    Attributes
    ----------
    sd : float
        Noise, in grey levels.
    spread : (N,) float64
        The same in levels of light, with what the cloth's light adds.
    lenient : float
        By how much outliers are judged more leniently.
    """

    sd: float
    spread: Floats
    lenient: float

    def weights(self, at: _Likeness) -> Floats:
        """(N,) weights whose weighted least squares has the slope of the loss."""
        outlier_sds = OUTLIER_SDS + (BRIGHT_OUTLIER_SDS - OUTLIER_SDS) * at.image.cover * (at.residual > 0)
        weights: Floats = 1 / (1 + (at.residual / (self.lenient * outlier_sds * self.spread)) ** 2) ** 2
        return weights


class _Scene:
    """One window with what is known of it: gives the likeness at any place."""

    def __init__(
        self,
        view: BallView,
        patch: Patch,
        optics: Optics,
        *,
        pixels: Reals,
        use: npt.NDArray[np.bool_],
        thin: int,
        noise: float,
        light: Light,
    ) -> None:
        self.view, self.optics, self.pixels, self.noise = view, optics, pixels, noise
        self.use, self.thin = use, thin
        self.seen = optics.tone.light(patch.luma[use].astype(np.float64))
        self.background = optics.tone.light(patch.background[use].astype(np.float64))
        turn = turn_light(view)
        self.means = np.concatenate([turn @ light.mean, SHADOW_MEAN])
        self.precision = np.diag(np.full(N_LIGHT + N_SHADOW, 1 / SHADOW_SD**2))
        self.precision[:N_LIGHT, :N_LIGHT] = np.linalg.inv(turn @ light.cov @ turn.T)

    def first_spread(self) -> Floats:
        """(N,) noise in levels of light before anything is fitted."""
        return np.hypot(self.noise * self.optics.tone.slope(self.background), CLOTH_LIGHT_SD * self.background)

    def likeness(self, shift: Floats, root: Floats) -> _Likeness:
        """Solve for the terms at a place: all but the place is linear.

        seen = s @ shade + background (1 - cover + w @ shadow)
        """
        image = image_ball(self.view, shift, self.pixels, self.optics)
        linear = np.concatenate([image.shade, image.shadow * self.background])
        target = self.seen - self.background * (1 - image.cover)
        weighted = linear * root
        terms = np.linalg.solve(
            weighted @ weighted.T + self.precision,
            weighted @ (target * root) + self.precision @ self.means,
        )
        return _Likeness(image=image, linear=linear, terms=terms, residual=target - terms @ linear)

    def loss(self, at: _Likeness, step: int, before: _Loss | None, *, lenient_steps: int) -> _Loss:
        """Judge the noise by the residuals: even in grey levels, which stand for more light where it is bright."""
        lenient = max(1.0, lenient_steps / (step + 1))
        if before is not None and step >= NOISE_STEPS:
            return replace(before, lenient=lenient)
        slope = self.optics.tone.slope(self.seen - at.residual)
        sd = max(self.noise, 1.4826 * _middle(np.abs(at.residual / slope)))
        return _Loss(sd=sd, spread=np.hypot(sd * slope, CLOTH_LIGHT_SD * self.background), lenient=lenient)


def _middle(values: Floats) -> float:
    """Median, of an even number the upper of the two in the middle: numpy's takes ten times as long for so few."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Equations:
    """What the pixels want at one place.

    Attributes
    ----------
    at : _Likeness
        The model there.
    shift : (2,) float64
        The place.
    sd : float
        Noise by which the pixels were judged, in grey levels.
    slopes, design, normal, pull, root
        As in `RimFit`.
    step : (2,) float64
        Gauss-Newton step of the place.
    """

    at: _Likeness
    shift: Floats
    sd: float
    slopes: LightSlopes
    design: Floats
    normal: Floats
    pull: Floats
    root: Floats
    step: Floats

    @property
    def step_px(self) -> float:
        """Length of the step."""
        return float(np.hypot(*self.step))


def _equations(scene: _Scene, at: _Likeness, shift: Floats, loss: _Loss) -> _Equations:
    """Set up the normal equations at a place, with robust weights."""
    n_terms = len(scene.means)
    root = np.sqrt(loss.weights(at)) / loss.spread
    slopes = at.image.slopes(at.terms[:N_LIGHT], at.terms[N_LIGHT:], scene.background)
    design = np.concatenate([at.linear, slopes.place]) * root
    normal = design @ design.T
    normal[:n_terms, :n_terms] += scene.precision
    pull = at.residual * root
    gradient = design @ pull
    gradient[:n_terms] += scene.precision @ (scene.means - at.terms)
    step = np.asarray(np.linalg.solve(normal, gradient)[-2:], dtype=np.float64)
    return _Equations(
        at=at, shift=shift, sd=loss.sd, slopes=slopes, design=design, normal=normal, pull=pull, root=root, step=step
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


def _settle(scene: _Scene, effort: Effort, *, root: Floats | None = None, stays: bool = True) -> RimFit:
    """Search the place by Gauss-Newton steps, everything else solved for at each; robust weights.

    Variable projection: Golub & Pereyra, Inverse Problems 19, R1 (2003); from memory. Where the steps come to no
    end, the place with the least step is taken, and counts as uncertain by that step. It is left off, unless it
    `stays`, as soon as the pixels are to be chosen anew; `root` is what the weighting multiplied before.
    """
    mover, shift, loss = _Mover(), np.zeros(2), None
    best: _Equations | None = None
    weighting = 1 / scene.first_spread() if root is None else root
    for n in range(MAX_STEPS):
        at = scene.likeness(shift, weighting)
        loss = scene.loss(at, n, loss, lenient_steps=effort.lenient_steps)
        found = _equations(scene, at, shift, loss)
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
        image=best.at.image,
        terms=best.at.terms,
        slopes=best.slopes,
        design=best.design,
        normal=best.normal,
        pull=best.pull,
        root=best.root,
        grey_residual=best.at.residual / scene.optics.tone.slope(scene.seen - best.at.residual),
        sd=best.sd,
    )
