"""Calibrations, sightings and what shots were measured with as JSON, exact to the last bit of every number."""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from analyze.errors import REASONS as ALL_REASONS
from analyze.fit.cue_place import CuePlace
from analyze.fit.measured_with import MeasuredWith
from analyze.fit.priors import MotionPriors
from calibrate.calibration import Calibration, MarkResidual
from calibrate.camera import Camera
from calibrate.errors import NotMeasured, Reason
from calibrate.reasons import REASONS
from calibrate.scale import RailScale
from calibrate.table import Ball, Lane, Table
from tracker.heard import HeardSound
from tracker.path import BallPath, CueSight
from tracker.readout import Readout

_REASONS = {reason.slug: reason for reason in REASONS}


def text_from_calibration(calibration: Calibration) -> str:
    """Return a calibration as JSON; Python writes a float so that reading gives the same float."""
    camera = calibration.camera
    return json.dumps(
        {
            "camera": {
                "focal_px": camera.focal_px,
                "centre_px": camera.centre_px.tolist(),
                "k1": camera.k1,
                "k2": camera.k2,
                "rotation_rad": camera.rotation_rad.tolist(),
                "translation_m": camera.translation_m.tolist(),
                "size_px": camera.size_px.tolist(),
            },
            "table": asdict(calibration.table),
            "lane": asdict(calibration.lane),
            "ball": asdict(calibration.ball),
            "scale": asdict(calibration.scale),
            "cov": calibration.cov.tolist(),
            "residuals": [asdict(residual) for residual in calibration.residuals],
            "residual_px": calibration.residual_px,
            "doubts": [[doubt.reason.slug, doubt.detail] for doubt in calibration.doubts],
        }
    )


def calibration_from_text(text: str) -> Calibration:
    """Return the calibration that `text_from_calibration` wrote."""
    values = json.loads(text)
    camera: dict[str, Any] = {
        name: np.array(value) if isinstance(value, list) else value for name, value in values["camera"].items()
    }
    return Calibration(
        camera=Camera(**camera),
        table=Table(**values["table"]),
        lane=Lane(**values["lane"]),
        ball=Ball(**values["ball"]),
        scale=RailScale(**values["scale"]),
        cov=np.array(values["cov"]),
        residuals=tuple(_residual(residual) for residual in values["residuals"]),
        residual_px=values["residual_px"],
        doubts=tuple(NotMeasured(_REASONS[slug], detail) for slug, detail in values.get("doubts", ())),
    )


def text_from_sightings(path: BallPath) -> str:
    """Return the sightings of a shot as JSON, all but the name of the clip, which may change."""
    names = [item.name for item in fields(BallPath) if item.name not in ("clip", "shot", "cue", "heard")]
    heard = {} if path.heard is None else {"heard": _plain_heard(path.heard)}
    return json.dumps({**_plain(path, names), "cue": _plain_or_reason(path.cue), **heard})


def sightings_from_text(text: str, clip: Path, shot: int) -> BallPath:
    """Return the sightings that `text_from_sightings` wrote, as those of a clip and a shot in it."""
    values = json.loads(text)
    cue, notes = values.pop("cue", None), tuple(values.pop("notes"))
    heard = values.pop("heard", None)
    sight = cue if cue is None or "reason" not in cue else _not_measured(cue)
    if isinstance(sight, dict):
        sight = CueSight(**_with_arrays(sight))
    listened = None if heard is None else _heard(heard)
    return BallPath(clip=clip, shot=shot, cue=sight, notes=notes, heard=listened, **_with_arrays(values))


def text_from_cue(cue: CuePlace | NotMeasured | None) -> str:
    """Return the cue of a shot as JSON; empty where nobody looked for it."""
    return "" if cue is None else json.dumps(_plain_or_reason(cue))


def cue_from_text(text: str) -> CuePlace | NotMeasured | None:
    """Return the cue that `text_from_cue` wrote."""
    if not text:
        return None
    values = json.loads(text)
    return _not_measured(values) if "reason" in values else CuePlace(**_with_arrays(values))


def reason_from_slug(slug: str) -> Reason:
    """Return the reason of a slug; one that this version does not know keeps its name, better than nothing."""
    return ALL_REASONS.get(slug, Reason(slug, slug.replace("-", " ") + ".", "Measure the clip again."))


def _plain(record: object, names: Sequence[str]) -> dict[str, Any]:
    values = {name: getattr(record, name) for name in names}
    return {name: v.tolist() if isinstance(v, np.ndarray) else v for name, v in values.items()}


def _plain_or_reason(cue: CueSight | CuePlace | NotMeasured | None) -> dict[str, Any] | None:
    if cue is None:
        return None
    if isinstance(cue, NotMeasured):
        return {"reason": cue.reason.slug, "detail": cue.detail}
    return _plain(cue, [item.name for item in fields(cue)])


def _plain_heard(heard: HeardSound) -> dict[str, Any]:
    """Values of a sound; JSON has no infinity (RFC 8259, section 6), so null stands for it."""
    values = _plain(heard, [item.name for item in fields(HeardSound)])
    return values if math.isfinite(heard.slowed_less_than) else {**values, "slowed_less_than": None}


def _heard(values: dict[str, Any]) -> HeardSound:
    slowed = values["slowed_less_than"]
    return HeardSound(**_with_arrays({**values, "slowed_less_than": math.inf if slowed is None else slowed}))


def _with_arrays(values: dict[str, Any]) -> dict[str, Any]:
    return {name: np.array(v, dtype=np.float64) if isinstance(v, list) else v for name, v in values.items()}


def _not_measured(values: dict[str, Any]) -> NotMeasured:
    return NotMeasured(reason_from_slug(values["reason"]), values["detail"])


def text_from_measured_with(measured_with: MeasuredWith) -> str:
    """Return what a shot was measured with as JSON."""
    priors = measured_with.priors
    return json.dumps(
        {
            "calibration": json.loads(text_from_calibration(measured_with.calibration)),
            "readout": asdict(measured_with.readout),
            "priors": None if priors is None else asdict(priors),
            "tellers_sha256": measured_with.tellers_sha256,
        }
    )


def measured_with_from_text(text: str) -> MeasuredWith:
    """Return what `text_from_measured_with` wrote."""
    values = json.loads(text)
    priors = values["priors"]
    if priors is not None and set(priors) != {item.name for item in fields(MotionPriors)}:
        priors = None  # written by a version that had others
    return MeasuredWith(
        calibration=calibration_from_text(json.dumps(values["calibration"])),
        readout=Readout(**values["readout"]),
        priors=None if priors is None else MotionPriors(**priors),
        tellers_sha256=values["tellers_sha256"],
    )


def _residual(values: dict[str, Any]) -> MarkResidual:
    fields: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in values.items()
    }
    return MarkResidual(**fields)
