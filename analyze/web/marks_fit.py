"""What the marks of now give: camera, residuals, predictions of other marks, precision, and lines to draw."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from analyze.session.draft import Answer, Draft
from analyze.session.folder import Session
from calibrate.arrays import Floats
from calibrate.asked import marks_to_ask
from calibrate.calibration import Calibration
from calibrate.errors import MarksError
from calibrate.marks import mark_point_m, same_mark
from calibrate.notices import notices, plus_side_sentence
from calibrate.place import camera_place
from calibrate.precision import expected_precision
from calibrate.predict import Prediction, predict_marks
from calibrate.solve import MIN_MARKS, solve_marks

_ROUNDS = 4  # each takes what fits, solves again, and so sees farther
_SCALE_REACH_M = 0.13


def take_all_that_fit(session: Session, draft: Draft, luma: Floats) -> Draft:
    """Return the draft with every further mark that the picture shows where it is expected.

    Parameters
    ----------
    session : Session
        Gives the set-up.
    draft : Draft
        At least four marks.
    luma : (H, W) array
        The picture.

    Raises
    ------
    MarksError
        If the marks give no camera.
    """
    for _ in range(_ROUNDS):
        calibration, _ = _solved(session, draft, luma)
        found = [one for one in _predicted(session, draft, calibration, luma) if one.found_px is not None]
        if not found:
            break
        for one in found:
            assert one.found_px is not None
            u_px, v_px = one.found_px
            draft = draft.with_answer(Answer(name=one.name, u_px=u_px, v_px=v_px, taken=True))
    return draft


def fit_of(session: Session, draft: Draft, luma: Floats) -> dict[str, Any]:
    """Return all that the marks give, for the page; places in px of the picture.

    Parameters
    ----------
    session : Session
        Gives the set-up.
    draft : Draft
        The marks.
    luma : (H, W) array
        The picture.
    """
    if len(draft.clicks) < MIN_MARKS:
        return {"refusal": "", "marks": [], "predictions": []}
    try:
        calibration, refusal = _solved(session, draft, luma)
    except MarksError as error:
        return {"refusal": str(error), "marks": [], "predictions": []}
    asked = marks_to_ask(session.table, session.lane, session.scale)
    place = camera_place(calibration, tuple(dict.fromkeys([*asked, *(click.name for click in draft.clicks)])))
    return {
        "refusal": refusal,
        "ready": not refusal,
        "marks": [
            {
                "name": mark.name,
                "used_px": mark.used_px,
                "residual_px": mark.residual_px,
                "snapped": mark.snapped,
                "used": mark.used,
                "cost": "" if mark.snapped or not mark.used else _cost(mark.sigma_px),
                "note": mark.note,
            }
            for mark in calibration.residuals
        ],
        "predictions": [
            {
                "name": one.name,
                "place_px": one.place_px,
                "sd_px": round(one.sd_px, 2),
                "found_px": one.found_px,
                "why": one.why,
            }
            for one in _predicted(session, draft, calibration, luma)
        ],
        "lines": _lines(calibration),
        "turns": _turns(calibration),
        "residual_px": calibration.residual_px,
        "precision": expected_precision(calibration).sentence,
        "expects": place.sentences,
        "advice": place.advice,
        "notices": notices(calibration),
        "side": f"{plus_side_sentence(calibration)} If not, the recording is mirrored and all signs are wrong.",
    }


def _cost(sigma_px: float) -> str:
    return f"not snapped: it counts as a click by hand, known to {sigma_px:.1f} px instead of about 0.2 px"


def _solved(session: Session, draft: Draft, luma: Floats) -> tuple[Calibration, str]:
    height, width = luma.shape
    return solve_marks(
        draft.clicks,
        luma=luma,
        size_px=(width, height),
        table=session.table,
        lane=session.lane,
        ball=session.ball,
        scale=session.scale,
    )


def _predicted(session: Session, draft: Draft, calibration: Calibration, luma: Floats) -> Sequence[Prediction]:
    answered = draft.answered
    asked = marks_to_ask(session.table, session.lane, session.scale)
    return predict_marks(calibration, [name for name in asked if same_mark(name) not in answered], luma)


def _lines(calibration: Calibration) -> dict[str, Any]:
    """Give noses, line of aim, scale and sights as the camera sees them."""
    table, lane, scale = calibration.table, calibration.lane, calibration.scale
    W, L, nose = table.width_m, table.length_m, table.nose_height_m
    corners = [(0.0, 0.0), (W, 0.0), (W, L), (0.0, L), (0.0, 0.0)]
    outline = np.concatenate(
        [
            np.column_stack([np.linspace(*pair, 25) for pair in zip(one, other, strict=True)])
            for one, other in zip(corners, corners[1:], strict=False)
        ]
    )
    along = np.linspace(lane.spot_y_m, L, 25)
    reach = _SCALE_REACH_M / scale.unit_m
    across = scale.ticks_xy_m(np.linspace(-reach, reach, 25))

    def seen(places_m: Floats, height_m: float) -> list[list[float] | None]:
        places = calibration.camera.project(np.column_stack([places_m, np.full(len(places_m), height_m)]))
        return [[round(float(u), 1), round(float(v), 1)] if np.isfinite([u, v]).all() else None for u, v in places]

    return {
        "outline": seen(outline, nose),
        "lane": seen(np.column_stack([np.full(25, lane.x_aim_m), along]), 0.0),
        "scale": seen(across, table.rail_top_m),
    }


def _turns(calibration: Calibration) -> int:
    """Quarter turns clockwise, from head rail at the bottom, that lay the drawing as the camera sees the table."""
    table = calibration.table
    middle = np.array([[table.width_m / 2, y * table.length_m, 0.0] for y in (0.4, 0.6)])
    ends = calibration.camera.project(middle)
    u, v = ends[1] - ends[0]
    if abs(v) >= abs(u):
        return 0 if v < 0 else 2
    return 1 if u > 0 else 3


def drawing(session: Session) -> dict[str, Any]:
    """Return the table from above for the small drawing: sizes and marks in mm, y towards the foot rail."""
    table, lane, scale = session.table, session.lane, session.scale
    asked = marks_to_ask(table, lane, scale)
    places = {name: mark_point_m(name, table, lane, scale) for name in asked}
    return {
        "width_mm": round(1000 * table.width_m),
        "length_mm": round(1000 * table.length_m),
        "lane_mm": [round(1000 * lane.x_aim_m), round(1000 * lane.spot_y_m)],
        "marks": {name: [round(1000 * float(x)), round(1000 * float(y))] for name, (x, y, _) in places.items()},
    }
