"""Which clicks are wrong: a mark that does not fit the others, two that look swapped, a table that is another."""

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy import special

from calibrate.adjust import Adjustment, Scene, adjust, robust_start
from calibrate.arrays import Bools, Floats
from calibrate.errors import MarksError
from calibrate.marks import MarkKind
from calibrate.table import LONG_RAIL_SIGHTS, SHORT_RAIL_SIGHTS, TABLES, Table

# A right mark is left out in one calibration of a hundred, which costs little; a wrong one kept costs more.
_FALSE_ALARM = 0.01
_TRIALS = 5  # marks or pairs tried at a time
# Residuals twice as large as stated: worth looking for an explanation.
_UNTIDY_BIRGE = 4.0
# Residuals this many times larger than stated, and this large in pixels, are no bad luck and no rough lens.
_BAD_BIRGE = 9.0
_BAD_PX = 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sorted:
    """Marks with the wrong ones told apart.

    Attributes
    ----------
    adjustment : Adjustment
        Fitted to the right ones.
    place_px : (N, 2) float64
        Places as used: those of swapped marks exchanged back.
    notes : dict of int to str
        What was found about a mark, by its number.
    """

    adjustment: Adjustment
    place_px: Floats
    notes: dict[int, str]


def sort_marks(scene: Scene, place_px: Floats, cov_px2: Floats, *, start: Floats | None = None) -> Sorted:
    """Fit the marks, leave out or put right those that do not fit, and name them.

    Parameters
    ----------
    scene : Scene
        The set-up.
    place_px : (N, 2) array
        Where the marks were seen.
    cov_px2 : (N, 2, 2) array
        How surely.
    start : (17,) array or None
        A camera that is nearly right already, which is quicker where all marks fit.

    Raises
    ------
    MarksError
        If the marks disagree so that no few can be blamed; says what would explain it, where something does.
    """
    everything = np.ones(len(scene.names), dtype=bool)
    if start is not None:
        whole = adjust(scene, place_px, cov_px2, used=everything, start=start)
        if _fits(whole):
            return Sorted(adjustment=whole, place_px=place_px, notes={})
    robust = _robust_start(scene, place_px, cov_px2)
    whole = adjust(scene, place_px, cov_px2, used=everything, start=robust)
    if _fits(whole):
        return Sorted(adjustment=whole, place_px=place_px, notes={})
    found = _leave_out(scene, place_px, cov_px2, robust, most=1) or _swap_back(scene, place_px, cov_px2, robust)
    if found:
        return found
    if explained := _misnamed(scene, place_px, cov_px2) or _other_table(scene, place_px, cov_px2):
        raise MarksError(explained)
    found = _leave_out(scene, place_px, cov_px2, robust, most=_most_wrong(len(scene.names)))
    if found:
        return found
    if not _hopeless(whole):
        # Untidy but usable: the covariance grows with the residuals.
        return Sorted(adjustment=whole, place_px=place_px, notes={})
    worst = scene.names[int(np.argmax(whole.lift))]
    raise MarksError(
        f"the marks disagree with each other and with a {scene.table.name} table by {_rms(whole):.1f} px (rms), "
        f"{worst} worst; check the table's size and sights in session.toml, then click the marks again"
    )


def _robust_start(scene: Scene, place_px: Floats, cov_px2: Floats) -> Floats:
    """Start from all marks; where no camera sees them so, say what would explain it."""
    try:
        return robust_start(scene, place_px, np.ones(len(scene.names), dtype=bool))
    except MarksError as error:
        if misnamed := _misnamed(scene, place_px, cov_px2):
            raise MarksError(misnamed) from error
        if _mirrored(scene, place_px, cov_px2):
            raise MarksError(
                "the marks fit only a mirrored picture: right and left are exchanged, as some front cameras "
                "store them; record with the main camera, or turn off mirroring, and click again"
            ) from error
        raise


def worst_mark(adjustment: Adjustment) -> int | None:
    """Return the number of the mark in use that fits the others worst, if it fits worse than chance allows."""
    lift = np.where(adjustment.used, adjustment.lift, 0.0)
    worst = int(np.argmax(lift))
    # Studentised from outside: the others say how well this picture can be fitted at all.
    degrees = max(1, adjustment.degrees - 2)
    spread: float = max(1.0, (adjustment.chi2 - float(lift[worst])) / degrees)
    limit = float(special.chdtri(2, _FALSE_ALARM / max(1, int(np.count_nonzero(adjustment.used)))))
    return worst if lift[worst] / spread > limit else None


def _fits(adjustment: Adjustment) -> bool:
    return worst_mark(adjustment) is None and adjustment.birge < _UNTIDY_BIRGE


def _hopeless(adjustment: Adjustment) -> bool:
    return adjustment.birge > _BAD_BIRGE and _rms(adjustment) > _BAD_PX


def _rms(adjustment: Adjustment) -> float:
    used = adjustment.residual_px[adjustment.used]
    return float(np.sqrt(np.mean(used**2)))


def _most_wrong(count: int) -> int:
    """How many of `count` marks may be called wrong: the rest must still check each other."""
    return min(3, max(0, (count - 4) // 2))


def _leave_out(scene: Scene, place_px: Floats, cov_px2: Floats, robust: Floats, *, most: int) -> Sorted | None:
    """Leave out the fewest marks, at most `most`, with which the others fit."""
    used: Bools = np.ones(len(scene.names), dtype=bool)
    fit = adjust(scene, place_px, cov_px2, used=used, start=robust)
    for _ in range(min(most, _most_wrong(len(scene.names)))):
        # The fall of chi-square is first order; with large errors only the refit decides.
        trials = []
        for index in np.argsort(-np.where(used, fit.lift, -np.inf))[:_TRIALS]:
            trial = used.copy()
            trial[index] = False
            trials += [adjust(scene, place_px, cov_px2, used=trial, start=start) for start in (fit.state, robust)]
        fit = min(trials, key=lambda trial: trial.chi2)
        used = fit.used
        if _fits(fit):
            notes = {
                int(
                    i
                ): f"left out: {float(np.linalg.norm(fit.missed_px[i])):.1f} px from where the other marks put it"
                for i in np.flatnonzero(~used)
            }
            return Sorted(adjustment=fit, place_px=place_px, notes=notes)
    return None


def _swap_back(scene: Scene, place_px: Floats, cov_px2: Floats, robust: Floats) -> Sorted | None:
    """Exchange two marks if that makes all fit."""
    image_px = scene.camera(robust).project(scene.points_m(robust)[0])
    pairs = list(combinations(range(len(scene.names)), 2))
    # How far each pair would lie from its images if exchanged; the likeliest first.
    pairs.sort(key=lambda pair: float(np.sum(np.abs(place_px[list(pair)] - image_px[list(pair[::-1])]))))
    for one, other in pairs[:_TRIALS]:
        order = np.arange(len(scene.names))
        order[[one, other]] = other, one
        used = np.ones(len(scene.names), dtype=bool)
        # Two marks far from their places can mislead even a robust start.
        for start in (robust, None):
            fit = adjust(scene, place_px[order], cov_px2[order], used=used, start=start)
            if _fits(fit):
                names = scene.names[one], scene.names[other]
                note = f"{names[0]} and {names[1]} look swapped; each was read as the other"
                return Sorted(adjustment=fit, place_px=place_px[order], notes={one: note, other: note})
    return None


def _mirrored(scene: Scene, place_px: Floats, cov_px2: Floats) -> bool:
    """Whether the marks, clicked under their right names, fit the picture seen in a mirror."""
    places = place_px.copy()
    places[:, 0] = scene.size_px[0] - 1 - places[:, 0]
    try:
        return not _hopeless(adjust(scene, places, cov_px2, used=np.ones(len(places), bool), start=None))
    except MarksError:
        return False


def _misnamed(scene: Scene, place_px: Floats, cov_px2: Floats) -> str:
    """Say which habit of naming would make all marks fit, if one does."""
    habits = (
        ("sights on the foot rail look numbered from the right", _from_the_right("foot")),
        ("sights on the head rail look numbered from the right", _from_the_right("head")),
        (
            "sights on the short rails look numbered from the right",
            _from_the_right("foot") | _from_the_right("head"),
        ),
        ("sights on the long rails look numbered from the foot", _from_the_foot()),
        ("left and right rail look exchanged", _exchanged("left", "right", LONG_RAIL_SIGHTS)),
        ("foot and head rail look exchanged", _exchanged("foot", "head", SHORT_RAIL_SIGHTS)),
        ("the scale's plus and minus look exchanged", _signs_exchanged(scene.names)),
    )
    for sentence, change in habits:
        names = tuple(change.get(name, name) for name in scene.names)
        if names == scene.names:
            continue
        try:
            fit = adjust(replace(scene, names=names), place_px, cov_px2, used=np.ones(len(names), bool), start=None)
        except MarksError:
            continue
        if _fits(fit):
            return (
                f"{sentence}: with that all marks fit; name them from the shooter's left and from the head, "
                "and the scale's plus to the shooter's right"
            )
    return ""


def _other_table(scene: Scene, place_px: Floats, cov_px2: Floats) -> str:
    """Say which other preset fits the marks, if one does."""
    for table in TABLES.values():
        if not table.has_sights or MarkKind.SIGHT not in scene.kinds or _same_size(table, scene.table):
            continue
        ratio = table.width_m / scene.table.width_m
        longer_m = table.length_m - scene.table.length_m
        aim_m = scene.lane.x_aim_m * ratio  # the same sight
        scale = scene.scale
        try:
            other = replace(
                scene,
                table=table,
                lane=replace(scene.lane, x_aim_m=aim_m),
                scale=replace(scale, zero_m=scale.zero_m * ratio, line_y_m=scale.line_y_m + longer_m),
            )
            fit = adjust(other, place_px, cov_px2, used=np.ones(len(scene.names), bool), start=None)
        except MarksError:
            continue
        if _fits(fit):
            return (
                f"the marks do not fit a {scene.table.name} table but fit a {table.name} one; set table.size to it"
            )
    return ""


def _same_size(one: Table, other: Table) -> bool:
    return abs(one.width_m - other.width_m) < 0.01 and abs(one.length_m - other.length_m) < 0.01


def _from_the_right(rail: str) -> dict[str, str]:
    return {f"{rail}-{n}": f"{rail}-{SHORT_RAIL_SIGHTS + 1 - n}" for n in range(1, SHORT_RAIL_SIGHTS + 1)}


def _from_the_foot() -> dict[str, str]:
    return {
        f"{rail}-{n}": f"{rail}-{LONG_RAIL_SIGHTS + 1 - n}"
        for rail in ("left", "right")
        for n in range(1, LONG_RAIL_SIGHTS + 1)
    }


def _exchanged(one: str, other: str, count: int) -> dict[str, str]:
    numbers = range(1, count + 1)
    return {f"{one}-{n}": f"{other}-{n}" for n in numbers} | {f"{other}-{n}": f"{one}-{n}" for n in numbers}


def _signs_exchanged(names: tuple[str, ...]) -> dict[str, str]:
    swap = str.maketrans("+-", "-+")
    return {name: name.translate(swap) for name in names if name.startswith("scale")}
