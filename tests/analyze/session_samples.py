"""Sessions with made-up results in their database, for tests of what is made of them."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from analyze.fit.budget import BudgetShare
from analyze.fit.reasons import KINK
from analyze.fit.shot import Shot, Status, failed_shot
from analyze.session.folder import Session, open_session
from analyze.session.store import ClipRecord, Store
from tracker.reasons import NO_BALL

CONFIG = """
[session]
units = "{units}"
[[condition]]
name = "control"
role = "control"
[[condition]]
name = "A"
tip_offset_mm = 14.3
[[condition]]
name = "B"
tip_offset_mm = 14.3
"""


def made_up_shot(clip: Path, *, launch_rad: float, swerve_m: float, number: int = 1) -> Shot:
    """Return a shot that leaves at an angle and bends by a known offset at a scale 1.87 m away."""
    along_m = np.linspace(0.0, 1.75, 40)
    x_m = 0.3175 + along_m * np.tan(launch_rad) + swerve_m * (along_m / 1.87) ** 2
    squirt_offset_m = 1.87 * float(np.tan(launch_rad))
    return replace(
        failed_shot(clip, number, NO_BALL, ""),
        status=Status.MEASURED,
        reason=None,
        strike_s=0.5,
        launch_speed_m_s=4.0,
        launch_speed_sd_m_s=0.01,
        rail_speed_m_s=3.0,
        rail_speed_sd_m_s=0.01,
        reading_m=squirt_offset_m + swerve_m,
        reading_sd_m=0.0004,
        launch_rad=launch_rad,
        launch_sd_rad=0.0005,
        squirt_offset_m=squirt_offset_m,
        squirt_offset_sd_m=0.001,
        swerve_offset_m=swerve_m,
        swerve_offset_sd_m=0.001,
        swerve_seen=True,
        slide_end_m=1.1,
        frames=40,
        residual_px=0.12,
        budget=(
            BudgetShare(source="marks", quantity="launch_rad", sd=0.0004),
            BudgetShare(source="ball", quantity="launch_rad", sd=0.0003),
        ),
        path_xy_m=np.column_stack([x_m, 0.762 + along_m]),
        path_times_s=0.5 + along_m / 4,
    )


def made_up_session(folder: Path, *, units: str = "mm") -> Session:
    """Make a session: control shots and A by S1, A by S2 without controls, a failed and a doubtful shot of B."""
    folder.mkdir(exist_ok=True)
    (folder / "session.toml").write_text(CONFIG.format(units=units), encoding="utf-8")
    session = open_session(folder)
    shots = {
        "control/S1/1.mp4": (0.001, 0.0),
        "control/S1/2.mp4": (0.003, 0.0),
        "A/S1/1.mp4": (-0.018, 0.010),
        "A/S1/2.mp4": (-0.020, 0.012),
        "A/S2/1.mp4": (-0.010, 0.011),
    }
    with Store(session.store_path) as store:
        for clip, (launch_rad, swerve_m) in shots.items():
            shot = made_up_shot(session.clip_path(clip), launch_rad=launch_rad, swerve_m=swerve_m)
            store.save_clip(clip, record_of(clip), [shot])
        failed = failed_shot(session.clip_path("B/S1/1.mp4"), 1, NO_BALL, "nothing within 40 px")
        store.save_clip("B/S1/1.mp4", record_of("B/S1/1.mp4"), [failed])
        doubtful = made_up_shot(session.clip_path("B/S1/2.mp4"), launch_rad=-0.03, swerve_m=0.02)
        doubtful = replace(doubtful, status=Status.DOUBTFUL, reason=KINK, detail="at 1.2 m")
        store.save_clip("B/S1/2.mp4", record_of("B/S1/2.mp4"), [doubtful])
    return session


def record_of(clip: str) -> ClipRecord:
    """Return a record that no other clip has."""
    return ClipRecord(sha256=f"hash of {clip}", size_bytes=1, inputs_sha256="")
