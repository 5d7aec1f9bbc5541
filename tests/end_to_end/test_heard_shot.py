"""A sample clip with its sound: one shot is enough to refuse a wrong clock, or to trust a right one."""

from dataclasses import replace

import pytest
from clicked_sample import copy_clicked
from room_sounds import beside_sound

from analyze.fit.heard_clock import hear_shot
from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import quantities
from analyze.fit.reasons import WRONG_CLOCK
from analyze.fit.shot import Status
from analyze.measure.clip import ClipJob, measure_clip
from analyze.session.calibration import calibrate_session
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import open_session
from sample_clips.make_session import CELLS, session_setup
from sample_clips.shots import shot_truth
from sample_clips.sound import Room

CLIP = "A/S1/0001.mp4"
SETUP = session_setup(CELLS[0], 1)


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    """The session, its calibration, and the shot measured without sound."""
    folder = tmp_path_factory.mktemp("heard") / "sample"
    copy_clicked(folder)
    session = open_session(folder)
    calibration = calibrate_session(session, session.clip_path(CLIP))
    job = ClipJob(
        clip=CLIP,
        path=session.clip_path(CLIP),
        places=(CameraPlace(calibration=calibration),),
        capture_fps=None,
        readout=session.config.readout,
    )
    (silent,) = measure_clip(job)
    return job, silent


def measured(job, path, *, capture_fps=None):
    (shot,) = measure_clip(replace(job, path=path, capture_fps=capture_fps))
    return shot


def test_a_right_clock_is_heard_to_be_right_and_a_knock_beside_it_changes_nothing(sample, tmp_path):
    """A chair, louder than the strike, in the middle of the shot; the time apart is that of the rendered truth."""
    job, silent = sample
    truth = shot_truth(SETUP)
    middle_s = (truth.strike_s + truth.contact_s) / 2
    samples, _ = replace(SETUP, room=Room(knocks=((middle_s, 0.5),))).sound()
    shot = measured(job, beside_sound(job.path, tmp_path / "life.mp4", samples))
    assert (shot.status, shot.reason, shot.note) == (Status.MEASURED, None, silent.note)
    heard = shot.sightings.heard
    assert len(heard.times_s) == 3
    fit = fit_path(shot.sightings, job.places[0].calibration, readout=job.readout)
    found = hear_shot(heard, fit, quantities(fit, job.places[0].calibration), job.places[0].calibration)
    assert abs(found.apart_s - (truth.contact_s - truth.strike_s)) < 4 * found.apart_sd_s
    assert found.settles(4)


def test_a_wrong_capture_rate_is_refused_by_the_sound_of_one_shot(sample, tmp_path):
    job, _ = sample
    samples, _ = replace(SETUP, room=Room()).sound()
    shot = measured(job, beside_sound(job.path, tmp_path / "life.mp4", samples), capture_fps=120)
    assert (shot.status, shot.reason) == (Status.FAILED, WRONG_CLOCK)
    assert shot.detail.startswith("strike and cushion are heard ")
    assert shot.detail.endswith("try capture_fps = 60")


@pytest.mark.parametrize("stated_fps", [None, 60.0])
def test_a_file_that_plays_slower_than_its_sound_is_found_out(sample, tmp_path, stated_fps):
    """It plays at 15 frames a second what was recorded at 60; its sound is as it was."""
    job, silent = sample
    samples, _ = replace(SETUP, room=Room()).sound()
    path = beside_sound(job.path, tmp_path / "slow.mp4", samples, slower=4)
    shot = measured(job, path, capture_fps=stated_fps)
    if stated_fps is None:
        assert (shot.status, shot.reason) == (Status.FAILED, WRONG_CLOCK)
        assert shot.detail.startswith("strike and cushion are heard ")
        assert shot.detail.endswith("try capture_fps = 60")
    else:
        assert shot.status is Status.MEASURED
        assert shot.launch_speed_m_s == pytest.approx(silent.launch_speed_m_s, rel=1e-3)
        assert shot.sightings.heard is not None
