"""The shots of a session as a table: labels, squirt against the shooter's controls, and every measured number."""

from collections.abc import Callable, Sequence

import pandas as pd

from analyze.cue.squirt import ControlZero, Squirt, control_zero, squirt_of
from analyze.cue.squirt_cue import contact_of, cue_zero, own_squirt_cue_sd_rad, squirt_cue_of
from analyze.cue.tip_dome import USUAL_RADIUS_M, SeenAxis, Tip, tell_dome, tip_of
from analyze.fit.cue_place import CuePlace
from analyze.fit.shot import Shot
from analyze.session.camera_place import place_name
from analyze.session.folder import Label, Session
from analyze.session.shots import label_of
from analyze.session.store import StoredShot
from calibrate.units import deg_from_rad, m_from_mm, mm_from_m

NO_NAME = "(no name)"
# Columns of out/shots.csv with the decimals that they are written with: finer than any uncertainty here, and
# coarse enough to read. None is no number.
SHOT_COLUMNS: dict[str, int | None] = {
    "clip": None,
    "shot": None,
    "condition": None,
    "shooter": None,
    "role": None,
    "tip_offset_mm": 3,
    "order": 0,
    "status": None,
    "reason": None,
    "strike_s": 5,
    "launch_speed_m_s": 4,
    "launch_speed_sd_m_s": 4,
    "rail_speed_m_s": 4,
    "rail_speed_sd_m_s": 4,
    "reading_mm": 3,
    "reading_sd_mm": 3,
    "launch_deg": 4,
    "launch_sd_deg": 4,
    "squirt_deg": 4,
    "squirt_sd_deg": 4,
    "squirt_common_sd_deg": 4,
    "cue_deg": 4,
    "cue_sd_deg": 4,
    "cue_own_sd_deg": 4,
    "cue_slope_deg": 3,
    "cue_slope_sd_deg": 3,
    "tip_side_mm": 3,
    "tip_side_sd_mm": 3,
    "tip_side_own_sd_mm": 3,
    "tip_up_mm": 3,
    "tip_up_sd_mm": 3,
    "cue_speed_m_s": 3,
    "cue_speed_sd_m_s": 3,
    "cue_sideways_m_s": 4,
    "cue_sideways_sd_m_s": 4,
    "squirt_cue_deg": 4,
    "squirt_cue_sd_deg": 4,
    "squirt_cue_common_sd_deg": 4,
    "squirt_cue_own_sd_deg": 4,
    "cue_frames": 0,
    "cue_reason": None,
    "squirt_offset_mm": 3,
    "squirt_offset_sd_mm": 3,
    "swerve_offset_mm": 3,
    "swerve_offset_sd_mm": 3,
    "swerve_seen": None,
    "slide_end_mm": 1,
    "frames": None,
    "residual_px": 3,
    "camera": None,
    "place": None,
    "kept": None,
    "set_aside": None,
    "note": None,
    "detail": None,
}


def shots_frame(session: Session, stored: Sequence[StoredShot]) -> pd.DataFrame:
    """Return one row per shot with the columns of `out/shots.csv`.

    Parameters
    ----------
    session : Session
        Gives the labels.
    stored : sequence of StoredShot
        Shots and clips without one.

    Returns
    -------
    DataFrame
        Numbers that do not exist are NaN, texts empty.
    """
    labels = [label_of(session, one) for one in stored]
    zeros, cue_zeros = control_zeros(stored, labels), _zeros(stored, labels, cue_zero)
    tips = session_tips(session, stored)
    rows = [
        {
            **_row(one, label),
            **_squirt("squirt", squirt_of(one.shot, zeros.get((label.shooter, one.shot.place)))),
            **_cue(one.shot, tips[label.condition], session.ball.radius_m),
            **_squirt("squirt_cue", squirt_cue_of(one.shot, cue_zeros.get((label.shooter, one.shot.place)))),
            "squirt_cue_own_sd_deg": _deg(own_squirt_cue_sd_rad(one.shot)),
        }
        for one, label in zip(stored, labels, strict=True)
    ]
    return pd.DataFrame(rows, columns=list(SHOT_COLUMNS))


def session_tips(session: Session, stored: Sequence[StoredShot]) -> dict[str, Tip]:
    """Return the dome of the tip of every condition that has shots, by its name.

    Parameters
    ----------
    session : Session
        States the radius, for all or for a condition, or not: then it is as usual, and where offsets are those of
        the contact, as axes and offsets tell it together.
    stored : sequence of StoredShot
        All shots of the session, whichever are wanted.
    """
    config, lane = session.config, session.config.lane
    usual = tip_of(USUAL_RADIUS_M, stated=False)
    labels = [label_of(session, one) for one in stored]
    stated_mm = {label.condition: config.stated_tip_radius_mm(label.condition) for label in labels}
    tips = {
        condition: usual if radius_mm is None else tip_of(m_from_mm(radius_mm), stated=True)
        for condition, radius_mm in stated_mm.items()
    }
    if lane.tip_offset_of != "contact":
        return tips
    tests: dict[str, list[SeenAxis]] = {}
    controls: dict[str, list[float]] = {}
    for one, label in zip(stored, labels, strict=True):
        cue = one.shot.cue
        if not one.kept or not isinstance(cue, CuePlace) or not cue.is_seen("side_m"):
            continue
        axis_m = cue.value("side_m")
        if label.control:
            controls.setdefault(label.shooter, []).append(axis_m)
        elif label.tip_offset_m is not None and stated_mm[label.condition] is None:
            seen = SeenAxis(shooter=label.shooter, axis_m=axis_m, stated_m=label.tip_offset_m)
            tests.setdefault(label.condition, []).append(seen)
    told = {
        condition: tell_dome(
            usual,
            shots,
            controls,
            ball_radius_m=session.ball.radius_m,
            offset_sd_m=m_from_mm(lane.tip_offset_sd_mm),
        )
        for condition, shots in tests.items()
    }
    return {**tips, **told}


def control_zeros(stored: Sequence[StoredShot], labels: Sequence[Label]) -> dict[tuple[str, str], ControlZero]:
    """Return the zero of each shooter at each camera place from the control shots that are kept.

    Parameters
    ----------
    stored : sequence of StoredShot
        Shots of one session.
    labels : sequence of Label
        Theirs.

    Returns
    -------
    dict of (str, str) to ControlZero
        By shooter and place. At a place from which no control shot of a shooter was recorded, that of his controls
        from elsewhere; shooters without any are not in it.
    """
    return _zeros(stored, labels, control_zero)


def _zeros(
    stored: Sequence[StoredShot],
    labels: Sequence[Label],
    zero_of: Callable[[Sequence[Shot]], ControlZero | None],
) -> dict[tuple[str, str], ControlZero]:
    controls: dict[str, list[Shot]] = {}
    for one, label in zip(stored, labels, strict=True):
        if label.control and one.kept:
            controls.setdefault(label.shooter, []).append(one.shot)
    zeros = {}
    for place in dict.fromkeys(one.shot.place for one in stored):
        for shooter, shots in controls.items():
            zero = zero_of([shot for shot in shots if shot.place == place]) or zero_of(shots)
            if zero is not None:
                zeros[shooter, place] = zero
    return zeros


def counted_frame(shots: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that have a reading, as the statistics take them: with a name in every cell.

    Parameters
    ----------
    shots : DataFrame
        From `shots_frame`.
    """
    table = shots[shots["reading_mm"].notna()].copy()
    for name in ("condition", "shooter"):
        table[name] = table[name].replace("", NO_NAME)
    return table


def _squirt(name: str, squirt: Squirt | None) -> dict[str, object]:
    return {
        f"{name}_deg": _deg(None if squirt is None else squirt.squirt_rad),
        f"{name}_sd_deg": _deg(None if squirt is None else squirt.sd_rad),
        f"{name}_common_sd_deg": _deg(None if squirt is None else squirt.common_sd_rad),
    }


def _cue(shot: Shot, tip: Tip, ball_radius_m: float) -> dict[str, object]:
    """Give what was seen of the cue; empty what the picture did not tell, with the reason why."""
    cue = shot.cue
    if not isinstance(cue, CuePlace):
        return {"cue_reason": "" if cue is None else cue.reason.slug}
    contact = contact_of(cue, tip=tip, ball_radius_m=ball_radius_m)
    angles = {"cue": "cue_rad", "cue_slope": "slope_rad"}
    return {
        **{f"{name}_deg": _deg(cue.value(q) if cue.is_seen(q) else None) for name, q in angles.items()},
        **{f"{name}_sd_deg": _deg(cue.sd(q) if cue.is_seen(q) else None) for name, q in angles.items()},
        "tip_side_mm": _mm(contact.side_m),
        "tip_side_sd_mm": _mm(contact.side_sd_m),
        "tip_side_own_sd_mm": _mm(contact.side_own_sd_m),
        "cue_own_sd_deg": _deg(cue.own_sd("cue_rad") if cue.is_seen("cue_rad") else None),
        "tip_up_mm": _mm(contact.up_m),
        "tip_up_sd_mm": _mm(contact.up_sd_m),
        "cue_speed_m_s": _plain(cue.speed_m_s),
        "cue_speed_sd_m_s": _plain(cue.speed_sd_m_s),
        "cue_sideways_m_s": _plain(cue.sideways_m_s),
        "cue_sideways_sd_m_s": _plain(cue.sideways_sd_m_s),
        "cue_frames": cue.frames,
        "cue_reason": "",
    }


def _row(stored: StoredShot, label: Label) -> dict[str, object]:
    shot = stored.shot
    notes = dict.fromkeys(text for text in (label.note, stored.decision.note, shot.note) if text)
    return {
        "clip": stored.clip,
        "shot": shot.shot,
        "condition": label.condition,
        "shooter": label.shooter,
        "role": "control" if label.control else "test",
        "tip_offset_mm": _mm(label.tip_offset_m),
        "order": _plain(label.order),
        "status": str(shot.status),
        "reason": "" if shot.reason is None else shot.reason.slug,
        **_quantities(shot),
        "camera": shot.camera if shot.frames else "",
        "place": place_name(shot.place) if shot.frames else "",
        "kept": stored.kept,
        "set_aside": stored.decision.set_aside_reason or stored.problem,
        "note": "; ".join(notes),
        "detail": shot.detail,
    }


def _quantities(shot: Shot) -> dict[str, object]:
    return {
        "strike_s": _plain(shot.strike_s),
        "launch_speed_m_s": _plain(shot.launch_speed_m_s),
        "launch_speed_sd_m_s": _plain(shot.launch_speed_sd_m_s),
        "rail_speed_m_s": _plain(shot.rail_speed_m_s),
        "rail_speed_sd_m_s": _plain(shot.rail_speed_sd_m_s),
        "reading_mm": _mm(shot.reading_m),
        "reading_sd_mm": _mm(shot.reading_sd_m),
        "launch_deg": _deg(shot.launch_rad),
        "launch_sd_deg": _deg(shot.launch_sd_rad),
        "squirt_offset_mm": _mm(shot.squirt_offset_m),
        "squirt_offset_sd_mm": _mm(shot.squirt_offset_sd_m),
        "swerve_offset_mm": _mm(shot.swerve_offset_m),
        "swerve_offset_sd_mm": _mm(shot.swerve_offset_sd_m),
        "swerve_seen": shot.swerve_seen,
        "slide_end_mm": _mm(shot.slide_end_m),
        "frames": shot.frames,
        "residual_px": _plain(shot.residual_px if shot.frames else None),
    }


def _plain(value: float | None) -> float:
    return float("nan") if value is None else value


def _mm(value_m: float | None) -> float:
    return float("nan") if value_m is None else mm_from_m(value_m)


def _deg(value_rad: float | None) -> float:
    return float("nan") if value_rad is None else deg_from_rad(value_rad)
