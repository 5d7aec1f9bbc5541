"""Which camera a shot was measured with, to draw it and to show it: the session's, or its own."""

from analyze.fit.shot import CAMERA_MARKS, CAMERA_SESSION
from analyze.measure.clip_camera import clip_camera, shot_camera
from analyze.session.calibration import measured_with
from analyze.session.folder import Session
from analyze.session.inputs import calibration_sha256
from analyze.session.store import Store, StoredShot
from calibrate.calibration import Calibration
from calibrate.errors import SessionError


def shot_measured_with(session: Session, stored: StoredShot) -> Calibration:
    """Return the calibration that a shot was measured with: the session's, or its own, as the database keeps it.

    Parameters
    ----------
    session : Session
        The session.
    stored : StoredShot
        One of its shots.

    Raises
    ------
    RailreadError
        If marks or settings have changed since, or nothing was measured.
    """
    if stored.shot.measured_with is not None:
        return stored.shot.measured_with.calibration
    session = session.at(stored.shot.place)
    calibration = measured_with(session)
    if stored.shot.camera == CAMERA_MARKS:
        return calibration
    if stored.shot.camera == CAMERA_SESSION:
        raise SessionError(
            f"{stored.clip}: measured by a version of railread that did not keep the camera of the session; "
            f"`railread measure {session.folder}` measures it again"
        )
    # An earlier version measured it after a nudge and did not keep the camera: it is found again, as it was then.
    with Store(session.store_path) as store:
        picture = store.picture(calibration_sha256(session))
    camera = clip_camera(session.clip_path(stored.clip), calibration, picture)
    path = stored.shot.sightings
    if path is not None:
        capture_fps = session.config.camera.capture_fps
        camera = shot_camera(path, camera, calibration, picture, capture_fps=capture_fps)
    return camera.calibration
