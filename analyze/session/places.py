"""The camera places of a session calibrated, and what is said of shots from several."""

from collections.abc import Mapping, Sequence

from analyze.session.calibration import known_place, session_calibration
from analyze.session.camera_place import CameraPlace, place_name
from analyze.session.folder import Label, Session
from analyze.session.inputs import calibration_sha256, inputs_sha256
from analyze.session.store import Store, StoredShot
from calibrate.errors import MarksError


def session_places(session: Session, clips: Sequence[str], store: Store) -> tuple[CameraPlace, ...]:
    """Return all camera places of a session, each calibrated: see `session_calibration`.

    Raises
    ------
    RailreadError
        If the marks of one give no camera; or, where there are several, its picture was not kept.
    """
    places = []
    for name in session.places:
        there = session.at(name)
        calibration, new = session_calibration(there, clips, store)
        picture = store.picture(calibration_sha256(there))
        if picture is None and len(session.places) > 1:
            raise MarksError(
                f"{there.marks_path}: the picture that these marks were clicked in was not kept, so that nobody "
                "can tell which clips were recorded there; `railread calibrate "
                f"{session.folder}{there.place_option} --marks {there.marks_path} --frame CLIP` mends that"
            )
        places.append(CameraPlace(name=name, calibration=calibration, picture=picture, new=new))
    return tuple(places)


def known_places(session: Session, store: Store) -> dict[str, CameraPlace | None]:
    """Return each camera place with its marks and settings of today; None where it was not calibrated with them."""
    return {name: known_place(session.at(name), store) for name in session.places}


def inputs_of_today(session: Session, places: Mapping[str, CameraPlace | None]) -> str | None:
    """Return what clips measured today are measured with, as `ClipRecord.inputs_sha256` says it.

    Parameters
    ----------
    session : Session
        The session.
    places : mapping
        As `known_places` gives them.

    Returns
    -------
    str or None
        Empty, which no clip is measured with, where marks or settings were not calibrated with yet; None where a
        place has no marks, so that nothing can be said.
    """
    if not all(session.at(name).marks_path.exists() for name in places):
        return None
    calibrated = [place for place in places.values() if place is not None]
    return inputs_sha256(session, calibrated) if len(calibrated) == len(places) else ""


def place_notes(shots: Sequence[tuple[StoredShot, Label]]) -> tuple[str, ...]:
    """Say how many shots were recorded from which place, and which conditions no place has in common.

    What a calibration errs by is the same for all shots from its place: it falls out between two conditions only
    where both were recorded there.
    """
    seen: dict[str, int] = {}
    by_condition: dict[str, set[str]] = {}
    for stored, label in shots:
        if not stored.shot.frames:
            continue
        seen[stored.shot.place] = seen.get(stored.shot.place, 0) + 1
        if label.condition and stored.kept:
            by_condition.setdefault(label.condition, set()).add(stored.shot.place)
    if len(seen) < 2:
        return ()
    counts = ", ".join(f"{count} from {place_name(place)}" for place, count in sorted(seen.items()))
    notes = [f"Shots were recorded from {len(seen)} camera places: {counts}."]
    names = sorted(by_condition)
    apart = [
        f"{one} and {other}"
        for k, one in enumerate(names)
        for other in names[k + 1 :]
        if not by_condition[one] & by_condition[other]
    ]
    if apart:
        more = f" (nor {'; '.join(apart[1:4])})" if apart[1:] else ""
        notes.append(
            f"No camera place shows both {apart[0]}{more}: what the calibrations err by is in their difference, "
            "and not in its interval. Shoot every condition from every place."
        )
    notes += _without_controls(shots)
    return tuple(notes)


def _without_controls(shots: Sequence[tuple[StoredShot, Label]]) -> list[str]:
    """Say whose zero of squirt is from another place than the shots that count from it."""
    counted = [(stored.shot.place, label) for stored, label in shots if stored.kept and stored.shot.frames]
    controls = {(label.shooter, place) for place, label in counted if label.control}
    shooters = {shooter for shooter, _ in controls}
    tests = dict.fromkeys((label.shooter, place) for place, label in counted if not label.control)
    return [
        f"No control shots of {shooter} were recorded from {place_name(place)}: squirt there is counted from those "
        "of another camera place, and its uncertainty holds what the calibrations of both err by. Shoot controls "
        "from every place."
        for shooter, place in tests
        if shooter in shooters and (shooter, place) not in controls
    ]
