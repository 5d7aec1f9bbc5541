"""The shots of a session measured once more, each with what marks and all other shots say of camera and cloth.

What all shots tell is learnt from `MOST_TELLERS` of them, drawn by the hash of their recordings: so the result
depends on which shots there are and not on when each was measured, and a shot that comes to a large session later
leaves most of what was measured as it is. Each shot keeps what it was measured with.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace

from analyze.fit.doubts import find_doubt
from analyze.fit.joint import LEAST_SHOTS, Joint, join
from analyze.fit.measured_with import MeasuredWith
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.shot import CAMERA_MARKS, CAMERA_MOVED, CAMERA_SESSION, Shot, Status, measure_shot
from analyze.session.records import text_from_calibration, text_from_sightings
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.path import BallPath
from tracker.readout import Readout

# Shots that tell the others about camera and cloth. What is told grows ever more slowly: with 12 tellers errors
# fall by 9 to 15 % (`tests/benchmarks/joint_session.py`), and what is then left over is the shot's own.
MOST_TELLERS = 48


@dataclass(frozen=True, slots=True, eq=False)
class _Teller:
    stored: StoredShot
    path: BallPath
    fit: PathFit


def together_inputs(stored: Iterable[StoredShot], calibration: Calibration, *, readout: Readout) -> str:
    """SHA-256 of all that measuring together follows from: calibration, readout time, the sightings of all shots.

    Parameters
    ----------
    stored : iterable of StoredShot
        As for `measured_together`.
    calibration : Calibration
        As the marks give it.
    readout : Readout
        As stated.
    """
    return _sha256(calibration, readout, sorted(_digest(one) for one in _usable(stored)))


def measured_together(
    stored: Iterable[StoredShot],
    calibration: Calibration,
    *,
    readout: Readout,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[str, Shot], ...]:
    """Measure the shots of one set-up again from their sightings, with the camera that the session supports best.

    Parameters
    ----------
    stored : iterable of StoredShot
        As measured clip by clip, or by this function before. Shots whose camera had moved are left as they are.
    calibration : Calibration
        As the marks give it.
    readout : Readout
        Of the rolling shutter.
    progress : callable, optional
        Called with the number of shots done and to do.

    Returns
    -------
    tuple of (str, Shot)
        Clip and shot, for each whose result changes; those measured before with the same tellers stay.
    """
    usable = _usable(stored)
    # Without a known readout time no session is supported: see `Joint.supported`.
    tellers = _tellers(usable, calibration, readout) if readout.known else []
    if len(tellers) >= LEAST_SHOTS:
        joint = join([(one.path, one.fit) for one in tellers], calibration, readout=readout)
        if joint.supported:
            tellers_sha256 = _sha256(calibration, readout, [_digest(one.stored) for one in tellers])
            places = {id(one.stored): place for place, one in enumerate(tellers)}
            todo = [one for one in usable if not _measured_with_tellers(one.shot, tellers_sha256)]
            found = []
            for done, one in enumerate(todo):
                if progress is not None:
                    progress(done, len(todo))
                found.append((one.clip, _with_the_others(one, places.get(id(one)), joint, readout, tellers_sha256)))
            return tuple(found)
    return tuple(
        (one.clip, _kept(one, measure_shot(one.shot.sightings, calibration, readout=readout)))
        for one in usable
        if one.shot.camera == CAMERA_SESSION and one.shot.sightings is not None
    )


def _usable(stored: Iterable[StoredShot]) -> list[StoredShot]:
    return [one for one in stored if one.shot.sightings is not None and one.shot.camera != CAMERA_MOVED]


def _measured_with_tellers(shot: Shot, tellers_sha256: str) -> bool:
    return shot.measured_with is not None and shot.measured_with.tellers_sha256 == tellers_sha256


def _tellers(usable: Sequence[StoredShot], calibration: Calibration, readout: Readout) -> list[_Teller]:
    """Draw shots by the hash of their recordings and fit each with the marks' camera, until there are enough."""
    found: list[_Teller] = []
    for one in sorted(usable, key=lambda one: hashlib.sha256(_name(one).encode()).digest()):
        path = one.shot.sightings
        fit = None if path is None else fit_path(path, calibration, readout=readout)
        if path is None or fit is None or isinstance(fit, NotMeasured):
            continue
        # A motion that is not the whole story, or not one Gaussian, tells the others nothing to rely upon.
        if not fit.nodes and find_doubt(fit, path, calibration) is None:
            found.append(_Teller(one, path, fit))
        if len(found) == MOST_TELLERS:
            break
    return found


def _with_the_others(
    one: StoredShot, place: int | None, joint: Joint, readout: Readout, tellers_sha256: str
) -> Shot:
    """Measure a shot with what all tellers but itself say; `place` is its own among them."""
    path = one.shot.sightings
    if path is None:
        raise ValueError("one must have sightings")
    shared = joint.without(place)
    shot = measure_shot(path, shared.calibration, readout=shared.readout, priors=shared.priors)
    if shot.status is Status.FAILED:
        return _kept(one, measure_shot(path, joint.calibration, readout=readout))
    measured_with = MeasuredWith(
        calibration=shared.calibration, readout=shared.readout, priors=shared.priors, tellers_sha256=tellers_sha256
    )
    return _kept(one, replace(shot, camera=CAMERA_SESSION, measured_with=measured_with))


def _kept(one: StoredShot, shot: Shot) -> Shot:
    """Give a shot measured anew what its recording said and its sightings do not hold."""
    return replace(shot, note=one.shot.note, place=one.shot.place)


def _name(one: StoredShot) -> str:
    return f"{one.clip_sha256} {one.shot.shot}"


def _digest(one: StoredShot) -> str:
    """Tell a shot by its recording and what was seen in it."""
    seen = "" if one.shot.sightings is None else text_from_sightings(one.shot.sightings)
    return hashlib.sha256(f"{_name(one)} {seen}".encode()).hexdigest()


def _sha256(calibration: Calibration, readout: Readout, shots: Sequence[str]) -> str:
    text = text_from_calibration(calibration) + json.dumps([asdict(readout), MOST_TELLERS, list(shots)])
    return hashlib.sha256(text.encode()).hexdigest()


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
