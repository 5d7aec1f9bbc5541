"""The database: what goes in comes out to the last bit, and decisions are never lost."""

import json
import math
import sqlite3
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from analyze.fit.budget import BudgetShare
from analyze.fit.cue_place import CuePlace
from analyze.fit.measured_with import MeasuredWith
from analyze.fit.priors import MotionPriors
from analyze.fit.reasons import KINK
from analyze.fit.shot import Shot, Status, failed_shot
from analyze.session.decision_log import Decision, DecisionKind
from analyze.session.records import sightings_from_text, text_from_sightings
from analyze.session.store import QUANTITIES, SCHEMA_VERSION, ClipRecord, Store, StoredShot
from calibrate.calibration import Calibration, MarkResidual
from calibrate.camera import Camera
from calibrate.errors import NotMeasured, Reason, StoreError
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane
from tracker.heard import HeardSound
from tracker.path import BallPath, CueSight
from tracker.readout import Readout
from tracker.reasons import CUE_NOT_SEEN, NO_BALL

CLIPS = Path("clips")
RECORD = ClipRecord(sha256="ab" * 32, size_bytes=12345, inputs_sha256="cd" * 32)


def a_calibration() -> Calibration:
    rng = np.random.default_rng(20240611)
    root = rng.normal(size=(15, 15)) * 1e-4
    return Calibration(
        camera=Camera(
            focal_px=1500 / 7,
            centre_px=np.array([639.1, 359.7]),
            k1=-0.013,
            k2=1e-17,
            rotation_rad=rng.normal(size=3),
            translation_m=rng.normal(size=3),
            size_px=np.array([1280.0, 720.0]),
        ),
        table=TABLES["8ft"],
        lane=Lane(x_aim_m=0.1 + 0.2, spot_y_m=0.7),
        ball=Ball(diameter_m=0.05715, mass_kg=0.165),
        scale=RailScale(line_y_m=2.4, zero_m=0.3, skew_rad=0.001, stretch=-0.002),
        cov=root @ root.T,
        residuals=(
            MarkResidual(
                name="foot-1",
                click_px=(1 / 3, 2.5),
                used_px=(0.4, 2.6),
                residual_px=(-0.1, 0.2),
                sigma_px=0.2,
                snapped=True,
                influence=0.3,
                used=True,
                note="",
            ),
        ),
        residual_px=0.31,
    )


def some_sightings(number: int) -> BallPath:
    rng = np.random.default_rng(number + 100)
    return BallPath(
        clip=CLIPS / "A/S1/1.mp4",
        shot=number,
        rest_px=rng.normal(size=2),
        rest_cov_px2=np.eye(2) / 3,
        times_s=np.arange(4) / 60,
        centre_px=rng.normal(size=(4, 2)),
        centre_cov_px2=np.tile(np.eye(2) / 7, (4, 1, 1)),
        last_rest_s=-1 / 60,
        first_moved_s=0.0,
        turned_s=None,
        frame_period_s=1 / 60,
        exposure_s=0.01,
        size_px=np.array([1280.0, 720.0]),
        frames=5,
        cue=CueSight(
            near_px=rng.normal(size=2),
            far_px=rng.normal(size=2),
            across_cov_px2=np.eye(2) / 7,
            frames=6,
            scatter_px=1 / 3,
        ),
        notes=("a note",),
        heard=HeardSound(
            times_s=rng.uniform(1, 2, 3),
            sds_s=np.array([1 / 3, 1 / 7, 1 / 9]) / 1000,
            strengths_db=np.array([40 / 3, 30.0, 20.0]),
            from_s=0.7,
            until_s=2.1,
            slowed_less_than=math.inf,
            clock_s_per_s=1 / 3,
            begins_s=0.0,
        ),
    )


def a_shot(number: int = 1, **changes: object) -> Shot:
    path_m = np.random.default_rng(number).normal(size=(5, 2))
    shot = failed_shot(CLIPS / "A/S1/1.mp4", number, NO_BALL, "")
    values = {name: (k + 1) / 7 for k, name in enumerate(QUANTITIES)}
    return replace(
        shot,
        status=Status.MEASURED,
        reason=None,
        frames=40,
        swerve_seen=True,
        note="the camera had moved",
        camera="moved",
        sightings=some_sightings(number),
        measured_with=MeasuredWith(
            calibration=a_calibration(),
            readout=Readout(0.0157, 0.0002),
            priors=MotionPriors(mu_s=1 / 7),
            tellers_sha256="ab",
        ),
        cue=CuePlace(
            values=path_m[0, 0] * np.arange(4), cov=np.eye(4) / 3, own_cov=np.eye(4) / 7, seen=np.ones(4), frames=6
        ),
        budget=(BudgetShare(source="lens", quantity="reading_m", sd=1e-4 / 3),),
        path_xy_m=path_m,
        path_times_s=np.arange(5) / 60,
        **{**values, **changes},
    )


def same(one: object, other: object) -> bool:
    if isinstance(one, BallPath | CueSight | HeardSound | CuePlace | MeasuredWith | Calibration | Camera):
        return all(same(getattr(one, item.name), getattr(other, item.name)) for item in fields(one))
    return np.array_equal(one, other) if isinstance(one, np.ndarray) else one == other


def test_why_a_cue_was_not_seen_is_kept(store):
    why = NotMeasured(CUE_NOT_SEEN, "nobody there")
    path = replace(some_sightings(1), cue=why)
    store.save_clip("A/S1/1.mp4", RECORD, [replace(a_shot(), cue=why, sightings=path)])
    (read,) = store.shots(CLIPS)
    assert read.shot.cue == why
    assert read.shot.sightings.cue == why


def test_sightings_without_sound_are_kept_as_before():
    """Databases of silent clips stay the same to the byte."""
    assert "heard" not in text_from_sightings(replace(some_sightings(1), heard=None))


def test_sightings_are_json_as_others_read_it(tmp_path):
    """RFC 8259, section 6: no infinity. What an earlier version wrote is read as well."""

    def refuse(constant):
        raise AssertionError(constant)

    text = text_from_sightings(some_sightings(1))
    assert json.loads(text, parse_constant=refuse)["heard"]["slowed_less_than"] is None
    for one in (text, text.replace('"slowed_less_than": null', '"slowed_less_than": Infinity')):
        assert sightings_from_text(one, CLIPS, 1).heard.slowed_less_than == math.inf
    finite = replace(some_sightings(1), heard=replace(some_sightings(1).heard, slowed_less_than=4.0))
    assert sightings_from_text(text_from_sightings(finite), CLIPS, 1).heard.slowed_less_than == 4


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "railread.sqlite") as opened:
        yield opened


def only(store: Store) -> StoredShot:
    (shot,) = store.shots(CLIPS)
    return shot


def test_a_calibration_comes_back_to_the_last_bit(store):
    calibration = a_calibration()
    store.save_calibration(calibration, inputs_sha256="x", frame="1.mp4")
    back = store.calibration("x")
    assert back is not None
    np.testing.assert_array_equal(back.parameters, calibration.parameters)
    np.testing.assert_array_equal(back.cov, calibration.cov)
    np.testing.assert_array_equal(back.camera.size_px, calibration.camera.size_px)
    assert (back.table, back.lane, back.ball, back.scale) == (
        calibration.table,
        calibration.lane,
        calibration.ball,
        calibration.scale,
    )
    assert back.residuals == calibration.residuals
    assert back.residual_px == calibration.residual_px
    assert store.calibration("other marks") is None


def test_the_calibrated_picture_is_kept_with_the_newest_calibration(store):
    assert store.picture("x") is None
    store.save_calibration(a_calibration(), inputs_sha256="x", frame="1.mp4", picture=b"old")
    store.save_calibration(a_calibration(), inputs_sha256="x", frame="2.mp4", picture=b"new\x00")
    assert store.picture("x") == b"new\x00"
    store.save_calibration(a_calibration(), inputs_sha256="y", frame="2.mp4")
    assert store.picture("y") is None


def test_every_field_of_a_shot_comes_back(store):
    shot = a_shot()
    store.save_clip("A/S1/1.mp4", RECORD, [shot])
    back = only(store)
    assert (back.clip, back.clip_sha256) == ("A/S1/1.mp4", RECORD.sha256)
    for field in fields(Shot):
        assert same(getattr(back.shot, field.name), getattr(shot, field.name)), field.name


def test_new_results_take_the_place_of_the_same_shot_only(store):
    store.save_clip("A/S1/1.mp4", RECORD, [a_shot(1), a_shot(2)])
    assert store.together_inputs() == ""
    store.save_together("ef", [("A/S1/1.mp4", replace(a_shot(2), reading_m=0.5, camera="session"))])
    assert store.together_inputs() == "ef"
    found = [(one.shot.shot, one.shot.reading_m, one.shot.camera) for one in store.shots(CLIPS)]
    assert found == [(1, a_shot(1).reading_m, "moved"), (2, 0.5, "session")]


def test_every_number_of_a_shot_has_its_column():
    kept_otherwise = {"clip", "shot", "status", "reason", "detail", "swerve_seen", "frames", "budget"}
    kept_otherwise |= {"path_xy_m", "path_times_s", "note", "camera", "sightings", "measured_with", "cue", "place"}
    assert {field.name for field in fields(Shot)} == set(QUANTITIES) | kept_otherwise


def test_a_failed_shot_keeps_its_reason_and_no_numbers(store):
    store.save_clip("1.mp4", RECORD, [failed_shot(CLIPS / "1.mp4", 1, NO_BALL, "no ball within 40 px")])
    back = only(store).shot
    assert (back.status, back.reason, back.detail) == (Status.FAILED, NO_BALL, "no ball within 40 px")
    assert back.reading_m is None
    assert len(back.path_xy_m) == 0


def test_a_reason_of_another_version_keeps_its_name(store):
    store.save_clip("1.mp4", RECORD, [replace(a_shot(), reason=Reason("moon-light", "…", "…"))])
    reason = only(store).shot.reason
    assert reason is not None
    assert reason.slug == "moon-light"


def test_measuring_again_replaces_the_shots_and_keeps_the_decisions(store):
    store.save_clip("1.mp4", RECORD, [a_shot(1), a_shot(2)])
    first, second = store.shots(CLIPS)
    store.decide(first, DecisionKind.SET_ASIDE, "miscue")
    store.decide(second, DecisionKind.NOTE, "sun")
    store.save_clip("1.mp4", RECORD, [a_shot(1, reading_m=0.5)])
    back = only(store)
    assert back.shot.reading_m == 0.5
    assert back.decision == Decision(kept=False, set_aside_reason="miscue")
    assert not back.kept


def test_a_decision_follows_a_renamed_clip_and_not_a_new_recording_of_the_same_name(store):
    store.save_clip("1.mp4", RECORD, [a_shot()])
    store.decide(only(store), DecisionKind.SET_ASIDE, "miscue")
    store.save_clip("1.mp4", replace(RECORD, sha256="ef" * 32), [a_shot()])
    store.save_clip("2.mp4", RECORD, [a_shot()])
    new, renamed = store.shots(CLIPS)
    assert (new.clip, new.kept) == ("1.mp4", True)
    assert (renamed.clip, renamed.kept) == ("2.mp4", False)


def test_the_newest_decision_of_a_kind_counts(store):
    store.save_clip("1.mp4", RECORD, [a_shot()])
    for kind, value in (
        (DecisionKind.SET_ASIDE, "miscue"),
        (DecisionKind.NOTE, "first"),
        (DecisionKind.RELABEL, "B/S2"),
        (DecisionKind.KEEP, ""),
        (DecisionKind.NOTE, "second"),
    ):
        store.decide(only(store), kind, value)
    assert only(store).decision == Decision(kept=True, note="second", condition="B", shooter="S2")


def test_a_shot_is_set_aside_with_a_reason_or_not_at_all(store):
    store.save_clip("1.mp4", RECORD, [a_shot()])
    with pytest.raises(ValueError, match="must give the reason"):
        store.decide(only(store), DecisionKind.SET_ASIDE, " ")
    with pytest.raises(ValueError, match="must be condition/shooter"):
        store.decide(only(store), DecisionKind.RELABEL, "B")


@pytest.mark.parametrize("statement", ["DELETE FROM decisions", "UPDATE decisions SET value = ''"])
def test_the_database_itself_refuses_to_lose_a_decision(store, tmp_path, statement):
    store.save_clip("1.mp4", RECORD, [a_shot()])
    store.decide(only(store), DecisionKind.SET_ASIDE, "miscue")
    with sqlite3.connect(tmp_path / "railread.sqlite") as other, pytest.raises(sqlite3.IntegrityError):
        other.execute(statement)
    other.close()
    assert only(store).decision.set_aside_reason == "miscue"


def test_who_needs_a_person(store):
    doubtful = replace(a_shot(2), status=Status.DOUBTFUL, reason=KINK)
    store.save_clip("1.mp4", RECORD, [a_shot(1), doubtful, failed_shot(CLIPS / "1.mp4", 3, NO_BALL, "")])
    shots = store.shots(CLIPS)
    assert [shot.needs_a_person for shot in shots] == [False, True, True]
    assert [shot.kept for shot in shots] == [True, True, False]
    store.decide(shots[1], DecisionKind.KEEP)
    store.decide(shots[2], DecisionKind.KEEP)
    shots = store.shots(CLIPS)
    assert [shot.needs_a_person for shot in shots] == [False, False, False]
    assert [shot.kept for shot in shots] == [True, True, False]


def test_a_half_written_clip_is_not_there_at_all(store):
    store.save_clip("1.mp4", RECORD, [a_shot(1)])
    with pytest.raises(StoreError):
        store.save_clip("1.mp4", RECORD, [a_shot(2), a_shot(2)])
    assert only(store).shot.shot == 1
    assert store.clip_records() == {"1.mp4": RECORD}


def test_a_damaged_file_is_said_to_be_so(tmp_path):
    path = tmp_path / "railread.sqlite"
    path.write_bytes(b"not a database " * 100)
    with pytest.raises(StoreError, match=r"railread\.sqlite: the database is damaged .* move the file away"):
        Store(path)
    with Store(tmp_path / "good.sqlite") as good:
        good.save_clip("1.mp4", RECORD, [a_shot(n) for n in range(1, 40)])
    whole = (tmp_path / "good.sqlite").read_bytes()
    (tmp_path / "good.sqlite").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError, match="damaged"), Store(tmp_path / "good.sqlite") as cut:
        cut.shots(CLIPS)


def test_a_file_of_a_newer_layout_is_left_alone(tmp_path):
    path = tmp_path / "railread.sqlite"
    with sqlite3.connect(path) as newer:
        newer.execute("PRAGMA user_version = 99")
    newer.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match=f"written in layout 99, and this railread knows layout {SCHEMA_VERSION}"):
        Store(path)
    assert path.read_bytes() == before


FIRST_LAYOUT = f"""
CREATE TABLE calibrations (id INTEGER PRIMARY KEY, inputs_sha256 TEXT NOT NULL, made_utc TEXT NOT NULL,
    frame TEXT NOT NULL, version TEXT NOT NULL, body TEXT NOT NULL);
CREATE TABLE clips (clip TEXT PRIMARY KEY, sha256 TEXT NOT NULL, size_bytes INTEGER NOT NULL,
    inputs_sha256 TEXT NOT NULL, measured_utc TEXT NOT NULL, version TEXT NOT NULL);
CREATE TABLE shots (clip TEXT NOT NULL REFERENCES clips (clip) ON DELETE CASCADE, shot INTEGER NOT NULL,
    status TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL, frames INTEGER NOT NULL,
    swerve_seen INTEGER NOT NULL, {", ".join(f"{name} REAL" for name in QUANTITIES)}, budget TEXT NOT NULL,
    path TEXT NOT NULL, PRIMARY KEY (clip, shot));
CREATE TABLE decisions (id INTEGER PRIMARY KEY, clip TEXT NOT NULL, clip_sha256 TEXT NOT NULL,
    shot INTEGER NOT NULL, kind TEXT NOT NULL, value TEXT NOT NULL, made_utc TEXT NOT NULL);
PRAGMA user_version = 1;
"""


def test_a_file_of_the_first_layout_is_brought_up_and_keeps_what_it_holds(tmp_path):
    newest, first = tmp_path / "newest.sqlite", tmp_path / "railread.sqlite"
    with Store(newest) as store:
        store.save_calibration(a_calibration(), inputs_sha256="x", frame="1.mp4")
        store.save_clip("1.mp4", RECORD, [a_shot()])
        store.decide(only(store), DecisionKind.SET_ASIDE, "miscue")
    with sqlite3.connect(first) as db:
        db.executescript(FIRST_LAYOUT)
        db.execute("ATTACH ? AS newest", (str(newest),))
        for table in ("calibrations", "clips", "shots", "decisions"):
            columns = ", ".join(name for _, name, *_ in db.execute(f"PRAGMA main.table_info({table})"))
            db.execute(f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM newest.{table}")
    db.close()
    for _ in range(2):
        with Store(first) as store:
            assert store.calibration("x") is not None
            assert store.picture("x") is None
            stored = only(store)
            assert (stored.shot.reading_m, stored.shot.note) == (a_shot().reading_m, "")
            assert stored.decision.set_aside_reason == "miscue"
            store.save_calibration(a_calibration(), inputs_sha256="y", frame="1.mp4", picture=b"png")
            assert store.picture("y") == b"png"


def test_another_program_s_database_is_not_taken_over(tmp_path):
    path = tmp_path / "railread.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    with pytest.raises(StoreError, match="layout 0"):
        Store(path)


def test_a_folder_that_cannot_be_written_is_said_to_be_so(tmp_path):
    with pytest.raises(StoreError, match="cannot be read or written"):
        Store(tmp_path / "nowhere" / "railread.sqlite")
