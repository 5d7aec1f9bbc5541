"""The shots of a session measured once more, each with what marks and all other shots say of camera and cloth."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analyze.fit.doubts import find_doubt
from analyze.fit.joint import LEAST_SHOTS, Joint, join
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.shot import CAMERA_MARKS, CAMERA_MOVED, CAMERA_SESSION, Shot, Status, measure_shot
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.path import BallPath


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    stored: StoredShot
    path: BallPath
    fit: PathFit
    tells: bool  # whether others may learn from it


def measured_together(
    stored: Iterable[StoredShot], calibration: Calibration, *, readout_s: float | None
) -> tuple[tuple[str, Shot], ...]:
    """Measure the shots of one set-up again from their sightings, with the camera that the session supports best.

    Parameters
    ----------
    stored : iterable of StoredShot
        As measured clip by clip, or by this function before. Shots whose camera had moved are left as they are.
    calibration : Calibration
        As the marks give it.
    readout_s : float or None
        Of the rolling shutter, as stated.

    Returns
    -------
    tuple of (str, Shot)
        Clip and shot, for each whose result changes.
    """
    usable = [one for one in stored if one.shot.sightings is not None and one.shot.camera != CAMERA_MOVED]
    # Without a stated readout time no session is supported: see `Joint.supported`.
    candidates = [] if readout_s is None else _candidates(usable, calibration, readout_s)
    tellers = [one for one in candidates if one.tells]
    if len(tellers) >= LEAST_SHOTS:
        joint = join([(one.path, one.fit) for one in tellers], calibration, readout_s=readout_s)
        if joint.supported:
            return tuple(_with_the_others(one, tellers, joint, readout_s) for one in candidates)
    return tuple(
        (one.clip, measure_shot(one.shot.sightings, calibration, readout_s=readout_s))
        for one in usable
        if one.shot.camera == CAMERA_SESSION and one.shot.sightings is not None
    )


def _candidates(usable: Sequence[StoredShot], calibration: Calibration, readout_s: float) -> tuple[_Candidate, ...]:
    """Fit each shot with the marks' camera, whatever it was measured with before."""
    found = []
    for one in usable:
        path = one.shot.sightings
        fit = None if path is None else fit_path(path, calibration, readout_s=readout_s)
        if path is None or fit is None or isinstance(fit, NotMeasured):
            continue
        # A motion that is not the whole story, or not one Gaussian, tells the others nothing to rely upon.
        tells = not fit.nodes and find_doubt(fit, path, calibration) is None
        found.append(_Candidate(one, path, fit, tells))
    return tuple(found)


def _with_the_others(
    one: _Candidate, tellers: Sequence[_Candidate], joint: Joint, readout_s: float | None
) -> tuple[str, Shot]:
    shared = joint.without(tellers.index(one) if one in tellers else None)
    # A global shutter has no readout time that could be uncertain.
    agreed_s = 0.0 if readout_s == 0 else shared.readout_s
    shot = measure_shot(one.path, shared.calibration, readout_s=agreed_s, priors=shared.priors)
    if shot.status is Status.FAILED:
        return one.stored.clip, measure_shot(one.path, joint.calibration, readout_s=readout_s)
    return one.stored.clip, replace(shot, camera=CAMERA_SESSION)


def together_notes(stored: Sequence[StoredShot]) -> tuple[str, ...]:
    """Say which shots were measured together; nothing where none was."""
    together = sum(one.shot.camera == CAMERA_SESSION for one in stored)
    alone = sum(one.shot.camera == CAMERA_MARKS and one.shot.status is not Status.FAILED for one in stored)
    if not together:
        return ()
    rest = f"; {alone} with the marks alone" if alone else ""
    return (
        f"{together} shots were measured with the camera and cloth that marks and other shots agree upon{rest}.",
    )
