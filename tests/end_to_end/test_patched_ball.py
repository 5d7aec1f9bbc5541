"""A ball with one large dark patch, smeared: where its place is pulled, no number passes without a word."""

from dataclasses import replace

import numpy as np
import pytest

from analyze.fit.reasons import DARK_PATCH
from analyze.fit.shot import Status, measure_shot
from calibrate.calibration import Calibration
from calibrate.marks import Click
from calibrate.scale import RailScale
from calibrate.solve import calibrate
from calibrate.table import TABLES, Ball, Lane
from calibrate.units import m_from_inch
from sample_clips.ball_render import Look, Pattern
from sample_clips.make_session import CLICKED
from sample_clips.marks import hand_clicks
from sample_clips.render import render_clip
from sample_clips.shots import BLURRED_720P30, ShotSetup
from sample_clips.strike import Strike
from tracker.clip import still_luma
from tracker.follow import track_clip
from tracker.readout import Readout

TURN = (0.68, -1.19, -1.12)


def shot_with(look: Look) -> ShotSetup:
    """1/60 s at 4.7 m/s: the ball moves by 2.7 radii while a frame is exposed."""
    return replace(
        BLURRED_720P30,
        strike=Strike(speed_m_s=4.7, offset_m=0.01, elevation_rad=0.04),
        look=look,
        recording=replace(BLURRED_720P30.recording, rest_s=0.5, after_s=0.1),
    )


def calibrated(setup: ShotSetup, luma: np.ndarray) -> Calibration:
    table, scene = TABLES["9ft"], setup.scene
    height, width = luma.shape
    return calibrate(
        [Click(name, u, v) for name, (u, v) in hand_clicks(setup, CLICKED, seed=setup.seed).items()],
        luma=luma,
        size_px=(width, height),
        table=table,
        lane=Lane(x_aim_m=scene.aim_x_m, spot_y_m=scene.spot_y_m),
        ball=Ball(diameter_m=2 * setup.ball.radius_m, mass_kg=setup.ball.mass_kg),
        scale=RailScale(
            line_y_m=table.length_m + table.sight_setback_m, zero_m=scene.scale.zero_x_m, unit_m=m_from_inch(1.0)
        ),
    )


@pytest.mark.slow
def test_a_smeared_ball_with_a_large_dark_patch_is_doubtful(tmp_path):
    """Seen 2 to 8 px from where it is, and its exposure 7 to 9 ms short: a person is told."""
    # the patch takes the left and near part of the face
    setup = shot_with(Look(pattern=Pattern.PATCH, patch_rad=1.0, turn=TURN))
    truth = render_clip(setup, tmp_path / "shot.mp4")
    calibration = calibrated(setup, still_luma(tmp_path / "shot.mp4"))
    readout = Readout.stated(setup.recording.readout_s)
    (path,) = track_clip(tmp_path / "shot.mp4", calibration, readout=readout)
    shot = measure_shot(path, calibration, readout=readout)
    assert shot.status is Status.DOUBTFUL
    assert shot.reason is DARK_PATCH
    assert "of its face is one dark patch" in shot.detail
    seen_at = np.array([frame.time_s for frame in truth.frames])
    true_px = np.array([(frame.u_px, frame.v_px) for frame in truth.frames])
    nearest = np.abs(seen_at[None] - path.times_s[:, None]).argmin(axis=1)
    off_px = np.hypot(*(path.centre_px - true_px[nearest]).T)
    # were this ball followed well, there would be nothing to doubt
    assert np.median(off_px) > 2
