"""From which of the session's camera places a clip was recorded: the one whose calibrated picture it shows.

The patches round the marks of each place are looked for in the clip's first frames, as for a nudge
(`calibrate.reregister`). Where one place alone is found again, the clip was made there; where several are, as after
a small move that was calibrated anew, it is the one that moved least since. Two calibrations of one view that
disagree cannot both be right, and which one is cannot be told: such a clip is doubtful.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyze.fit.reasons import NO_PLACE, PLACE_UNSURE
from analyze.measure.clip_camera import ClipCamera, camera_said
from analyze.session.camera_place import CameraPlace, place_name
from analyze.session.picture import picture_from_bytes
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, NotMeasured
from calibrate.reregister import Reregistered, reregister
from tracker.clip import STILL_FRAMES, clip_info, still_luma, still_luma_between
from tracker.first_frames import FirstFrames
from tracker.reasons import PICTURE_SIZE

_LATER = (0.3, 0.6, 0.9)  # of the recording: where it is looked again
_SAME_PX = 1.0  # two calibrations of one view agree to a fraction of this on the lane and the scale


@dataclass(frozen=True, slots=True, eq=False)
class ClipPlace:
    """Where a clip was recorded: the place, and the camera as it stood there."""

    place: CameraPlace
    camera: ClipCamera


def clip_place(
    clip: Path, places: Sequence[CameraPlace], *, first: FirstFrames | None = None
) -> ClipPlace | NotMeasured:
    """Find the camera place that a clip was recorded from.

    Parameters
    ----------
    clip : Path
        The recording.
    places : sequence of CameraPlace
        All of the session, each with its picture.
    first : FirstFrames, optional
        Of the same recording, where they are decoded already.

    Returns
    -------
    ClipPlace or NotMeasured
        NotMeasured where neither its first frames nor later ones show any of the places.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    """
    luma = still_luma(clip) if first is None else first.luma
    found = _place_shown(luma, places)
    if isinstance(found, ClipPlace) or found.reason is not NO_PLACE:
        return found
    # A hand that starts the recording, or a player, may hide the marks; later in a longer one they do not.
    for later in _later_stills(clip):
        again = _place_shown(later, places)
        if isinstance(again, ClipPlace):
            return again
    return found


def _later_stills(clip: Path) -> Iterator[Floats]:
    info = clip_info(clip)
    for share in _LATER:
        at_s = info.first_s + share * (info.last_s - info.first_s)
        try:
            luma = still_luma_between(clip, at_s, at_s + STILL_FRAMES / max(info.frame_rate, 1.0))
        except ClipError:  # damaged there: what was seen before it counts
            return
        if luma is not None:
            yield luma


def _place_shown(luma: Floats, places: Sequence[CameraPlace]) -> ClipPlace | NotMeasured:
    fitting: list[tuple[CameraPlace, Reregistered]] = []
    refused: list[str] = []
    sizes: list[str] = []
    for place in places:
        if place.picture is None:
            raise ValueError("places must have their pictures")
        reference = picture_from_bytes(place.picture)
        if reference.shape != luma.shape:
            sizes.append(f"{reference.shape[1]} x {reference.shape[0]} at {place_name(place.name)}")
            continue
        found = reregister(place.calibration, reference=reference, luma=luma)
        if isinstance(found, NotMeasured):
            refused.append(f"{place_name(place.name)}: {found.detail}")
        else:
            fitting.append((place, found))
    if not fitting:
        if not refused:
            return NotMeasured(
                PICTURE_SIZE, f"{luma.shape[1]} x {luma.shape[0]} px, where pictures are {', '.join(sizes)}"
            )
        return NotMeasured(NO_PLACE, "; ".join(refused))
    # Of places with one and the same view, calibrated twice, it is always the first.
    fitting.sort(key=lambda one: one[1].shift_px if one[1].nudged else 0.0)
    place, nearest = fitting[0]
    camera = camera_said(nearest)
    for other, found in fitting[1:]:
        apart_px = _apart_px(nearest.calibration, found.calibration)
        if apart_px > _SAME_PX:
            detail = (
                f"it shows {place_name(place.name)} and {place_name(other.name)}, whose calibrations put spot and "
                f"scale {apart_px:.1f} px apart"
            )
            camera = ClipCamera(
                calibration=camera.calibration, note=camera.note, doubt=NotMeasured(PLACE_UNSURE, detail)
            )
            break
    return ClipPlace(place, camera)


def _apart_px(one: Calibration, other: Calibration) -> float:
    """How far apart two calibrations of one view see the spot and the zero of the scale, in pixels."""
    return float(np.linalg.norm(_ends_px(one) - _ends_px(other), axis=1).max())


def _ends_px(calibration: Calibration) -> Floats:
    lane, table = calibration.lane, calibration.table
    ends_m = np.array(
        [
            [lane.x_aim_m, lane.spot_y_m, calibration.ball.radius_m],
            [calibration.scale.zero_m, calibration.scale.line_y_m, table.rail_top_m],
        ]
    )
    return calibration.camera.project(ends_m)
