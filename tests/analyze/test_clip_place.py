"""Which camera place a clip shows, where two are alike; names of places; what is said of shots from several."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from clicked_sample import copy_clicked
from session_samples import made_up_session

from analyze.fit.reasons import NO_PLACE, PLACE_UNSURE
from analyze.measure import clip as clip_room
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.clip_place import clip_place
from analyze.session.calibration import calibrate_session
from analyze.session.camera_place import CameraPlace
from analyze.session.draft import Draft, read_draft, save_draft
from analyze.session.folder import open_session
from analyze.session.inputs import calibration_sha256
from analyze.session.picture import bytes_from_picture
from analyze.session.places import place_notes
from analyze.session.shots import label_of, session_shots
from analyze.session.shots_frame import shots_frame
from calibrate.errors import NotMeasured, SessionError
from tracker.clip import still_luma
from tracker.readout import Readout

CLIP = "A/S1/0001.mp4"


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """A clip of the sample session, the calibration made on it, and its still picture."""
    folder = tmp_path_factory.mktemp("seen") / "sample"
    copy_clicked(folder)
    session = open_session(folder)
    clip = session.clip_path(CLIP)
    return clip, calibrate_session(session, clip), still_luma(clip)


def place(name, calibration, luma):
    return CameraPlace(name=name, calibration=calibration, picture=bytes_from_picture(luma))


def shifted(luma, du_px, dv_px):
    matrix = np.array([[1.0, 0.0, du_px], [0.0, 1.0, dv_px]])
    return cv2.warpAffine(luma.astype(np.float32), matrix, luma.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def other_zero(calibration, zero_m):
    scale = replace(calibration.scale, zero_m=calibration.scale.zero_m + zero_m)
    return replace(calibration, scale=scale)


def moved(calibration, du_px, dv_px):
    camera = calibration.camera
    return replace(calibration, camera=replace(camera, centre_px=camera.centre_px + [du_px, dv_px]))


def test_a_place_moved_by_a_little_does_not_take_the_clips_of_the_other(seen):
    clip, calibration, luma = seen
    aside = place("knocked", moved(calibration, 9.0, -6.0), shifted(luma, 9.0, -6.0))
    for places in ([place("", calibration, luma), aside], [aside, place("", calibration, luma)]):
        found = clip_place(clip, places)
        assert found.place.name == ""
        assert found.camera.note == ""
        assert found.camera.doubt is None


def test_two_calibrations_of_one_view_that_contradict_each_other_make_the_clip_doubtful(seen):
    clip, calibration, luma = seen
    found = clip_place(clip, [place("", calibration, luma), place("2", other_zero(calibration, 0.0254), luma)])
    assert found.camera.doubt.reason is PLACE_UNSURE
    assert found.camera.doubt.detail.startswith("it shows first and 2, whose calibrations put spot and scale ")
    agreeing = clip_place(clip, [place("", calibration, luma), place("2", other_zero(calibration, 0.0005), luma)])
    assert agreeing.camera.doubt is None


def test_a_picture_that_shows_no_place_fits_none(seen):
    clip, calibration, luma = seen
    found = clip_place(clip, [place("", calibration, luma[::-1]), place("2", calibration, luma.max() - luma)])
    assert isinstance(found, NotMeasured)
    assert found.reason is NO_PLACE


def test_marks_hidden_at_first_are_looked_for_later(seen, monkeypatch):
    clip, calibration, luma = seen
    monkeypatch.setattr("analyze.measure.clip_place.still_luma", lambda _: np.full(luma.shape, 40.0))
    assert clip_place(clip, [place("2", calibration, luma)]).place.name == "2"
    assert clip_place(clip, [place("2", calibration, luma[::-1])]).reason is NO_PLACE


def test_the_doubt_about_the_place_stays_with_the_shots(seen, monkeypatch):
    clip, calibration, luma = seen
    monkeypatch.setattr(clip_room, "shot_camera", lambda path, first, *_, **__: replace(first, doubt=None))
    job = ClipJob(
        clip=CLIP,
        path=clip,
        capture_fps=None,
        readout=Readout.stated(0.012),
        places=(place("", calibration, luma), place("2", other_zero(calibration, 0.0254), luma)),
    )
    (shot,) = measure_clip(job)
    assert (shot.status, shot.reason, shot.place) == ("doubtful", PLACE_UNSURE, "")


def test_the_place_of_marks_csv_comes_first_unless_all_have_names(tmp_path):
    session = made_up_session(tmp_path / "s")
    assert session.places == ("",)
    for name in ("10", "9"):
        (session.folder / "places" / name).mkdir(parents=True)
        (session.folder / "places" / name / "marks.csv").write_text("mark,u_px,v_px\n")
    assert (session.places, open_session(session.folder).place) == (("9", "10"), "9")
    session.marks_path.write_text("mark,u_px,v_px\n")
    assert open_session(session.folder).place == ""
    assert session.places == ("", "9", "10")
    assert len({calibration_sha256(session.at(name)) for name in session.places}) == 3


@pytest.mark.parametrize("name", ["../elsewhere", "a b", "first", "-x", "x" * 41, "a/b"])
def test_a_name_that_is_no_place_is_refused(tmp_path, name):
    with pytest.raises(SessionError, match="a camera place cannot be called"):
        made_up_session(tmp_path / "s").at(name)


def test_clicks_of_a_new_place_are_kept_beside_its_marks(tmp_path):
    session = made_up_session(tmp_path / "s").at("head")
    save_draft(session, Draft(frame="A/S1/1.mp4"), seen_version=0)
    assert (session.folder / "places/head/marks-draft.json").exists()
    assert read_draft(session).frame == "A/S1/1.mp4"
    assert read_draft(session.at("")).frame == ""


def test_conditions_that_no_place_has_in_common_are_said(tmp_path):
    session = made_up_session(tmp_path / "s")
    shots = [(one, label_of(session, one)) for one in session_shots(session)]
    assert place_notes(shots) == ()
    apart = [
        (replace(one, shot=replace(one.shot, place="2" if label.condition == "B" else "")), label)
        for one, label in shots
    ]
    counted, said, zero = place_notes(apart)
    assert counted == "Shots were recorded from 2 camera places: 5 from first, 1 from 2."
    assert said.startswith("No camera place shows both A and B (nor B and control): what the calibrations err by")
    assert zero.startswith("No control shots of S1 were recorded from 2: squirt there is counted from those of")
    common = shots_frame(session, [one for one, _ in apart])["squirt_common_sd_deg"]
    elsewhere = [one.shot.place == "2" and one.shot.launch_rad is not None for one, _ in apart]
    assert common.notna().tolist() == elsewhere
