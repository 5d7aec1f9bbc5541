"""What results follow from, as SHA-256: the marks and settings of a calibration, a recording, a measurement."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

from analyze.session.camera_place import CameraPlace
from analyze.session.folder import Session
from analyze.session.records import text_from_calibration
from analyze.session.store import ClipRecord
from calibrate.errors import MarksError


def calibration_sha256(session: Session) -> str:
    """SHA-256 of all that a calibration follows from: the marks, and the settings that place them."""
    try:
        marks = session.marks_path.read_bytes()
    except OSError as error:
        raise MarksError(
            f"{session.marks_path}: no marks have been clicked yet; "
            f"`railread calibrate {session.folder}{session.place_option} --frame CLIP` does that"
        ) from error
    placing = [asdict(part) for part in (session.table, session.ball, session.lane, session.scale)]
    # Two places with the same marks, copied by mistake, are two calibrations all the same.
    settings = json.dumps(placing, sort_keys=True) + session.place
    return hashlib.sha256(marks + settings.encode()).hexdigest()


def inputs_sha256(session: Session, places: Iterable[CameraPlace]) -> str:
    """SHA-256 of all that a measurement follows from, the clip apart: every camera place, rate and readout time.

    The picture of a place counts as much as its calibration: it tells whether the camera moved since, and what was
    recorded from there.
    """
    camera = [session.config.camera.capture_fps, asdict(session.config.readout)]
    there = [
        (place.name, text_from_calibration(place.calibration), hashlib.sha256(place.picture or b"").hexdigest())
        for place in places
    ]
    return hashlib.sha256(json.dumps([there, camera]).encode()).hexdigest()


def clip_record(path: Path, inputs: str) -> ClipRecord:
    """Give what identifies a recording and the inputs it is to be measured with."""
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return ClipRecord(sha256=digest, size_bytes=path.stat().st_size, inputs_sha256=inputs)
    except OSError as error:
        # The clip becomes a failed shot like any other unreadable one; no record ever equals this one.
        return ClipRecord(sha256=f"unreadable: {path}: {error.strerror}", size_bytes=0, inputs_sha256="")
