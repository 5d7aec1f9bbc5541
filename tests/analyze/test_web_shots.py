"""The list of shots on the page: what it shows first, what is decided on it, two tabs at a time."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from session_samples import made_up_session, made_up_shot, record_of
from web_client import page_client

from analyze.fit.cue_place import CuePlace
from analyze.session.folder import open_session
from analyze.session.store import Store


@pytest.fixture
def folder(tmp_path):
    made_up_session(tmp_path / "session", units="inch")
    return tmp_path / "session"


def seen(row):
    return {"clip_id": row["clip_id"], "shot": row["shot"], "stamp": row["stamp"]}


def rows_by_clip(client):
    return {row["clip"]: row for row in client.get("/api/rows").json()}


def test_shots_that_want_a_look_come_first_and_say_why(folder):
    text = page_client(folder).get("/").text
    clips = re.findall(r'class="open"[^>]*>([^<]+)<', text)
    assert clips[:2] == ["B/S1/2.mp4", "B/S1/1.mp4"]  # doubtful, then not measured
    assert len(clips) == 7
    assert "at 1.2 m" in text


def test_readings_are_in_sixteenths_with_their_interval(folder):
    # reading of A/S1/1: 1.87 tan(-0.018) + 0.010 m = -23.66 mm = -0.9316 in, nearest sixteenth -15/16
    text = page_client(folder).get("/").text.replace("\N{NO-BREAK SPACE}", " ")
    assert "\N{MINUS SIGN}15/16 in (\N{MINUS SIGN}23.7 mm)" in text
    assert "± 0.031 in" in text  # 1.96 * 0.4 mm


def test_a_shot_is_set_aside_with_its_reason_and_the_table_follows(folder):
    client = page_client(folder)
    row = rows_by_clip(client)["A/S1/1.mp4"]
    wish = {"shots": [seen(row)], "kind": "set_aside", "text": "miscue"}
    answer = client.post("/api/decisions", json=wish)
    assert answer.status_code == 200
    assert "miscue" in answer.json()[row["key"]]
    after = rows_by_clip(client)["A/S1/1.mp4"]
    assert (after["state"], after["kept"], after["why"]) == ("aside", False, "miscue")
    table = pd.read_csv(folder / "out" / "shots.csv").set_index("clip")
    assert table.loc["A/S1/1.mp4", "kept"] == "no"
    assert table.loc["A/S1/1.mp4", "set_aside"] == "miscue"


def test_many_at_once_all_or_nothing(folder):
    client = page_client(folder)
    rows = [row for row in client.get("/api/rows").json() if row["condition"] == "A"]
    client.post("/api/decisions", json={"shots": [seen(rows[0])], "kind": "note", "text": "seen first"})
    answer = client.post("/api/decisions", json={"shots": [seen(row) for row in rows], "kind": "accept"})
    assert answer.status_code == 409  # the first has been decided about since
    assert "look again" in answer.json()["error"]
    fresh = [row for row in client.get("/api/rows").json() if row["condition"] == "A"]
    assert (
        client.post("/api/decisions", json={"shots": [seen(r) for r in fresh], "kind": "accept"}).status_code == 200
    )


def test_two_tabs_do_not_overwrite_each_other(folder):
    one, other = page_client(folder), page_client(folder)
    row = rows_by_clip(one)["B/S1/2.mp4"]
    assert rows_by_clip(other)["B/S1/2.mp4"] == row
    aside = {"shots": [seen(row)], "kind": "set_aside", "text": "the hand moved it"}
    assert one.post("/api/decisions", json=aside).status_code == 200
    late = other.post("/api/decisions", json={"shots": [seen(row)], "kind": "accept"})
    assert late.status_code == 409
    assert "the hand moved it" in late.json()["error"]
    assert rows_by_clip(other)["B/S1/2.mp4"]["why"] == "the hand moved it"


def test_what_cannot_be_decided_is_said(folder):
    client = page_client(folder)
    rows = rows_by_clip(client)
    failed, good = rows["B/S1/1.mp4"], rows["A/S1/1.mp4"]
    for wish, said in [
        ({"shots": [seen(failed)], "kind": "accept"}, "nothing was measured"),
        ({"shots": [seen(good)], "kind": "set_aside", "text": "  "}, "for a reason"),
        ({"shots": [seen(good)], "kind": "label", "condition": "C"}, "condition"),
        ({"shots": [seen(good)], "kind": "label"}, "right condition"),
        ({"shots": [seen(good) | {"clip_id": "0" * 12}], "kind": "accept"}, "no longer"),
        ({"shots": [], "kind": "accept"}, "cannot be understood"),
    ]:
        answer = client.post("/api/decisions", json=wish)
        assert answer.status_code == 422
        assert said in answer.json()["error"]


def test_a_mended_label_is_shown_and_taken_back(folder):
    client = page_client(folder)
    row = rows_by_clip(client)["A/S1/1.mp4"]
    client.post("/api/decisions", json={"shots": [seen(row)], "kind": "label", "condition": "B"})
    mended = rows_by_clip(client)["A/S1/1.mp4"]
    assert (mended["condition"], mended["shooter"]) == ("B", "S1")
    client.post("/api/decisions", json={"shots": [seen(mended)], "kind": "label_as_filed"})
    assert rows_by_clip(client)["A/S1/1.mp4"]["condition"] == "A"


def test_a_script_in_a_note_is_text(folder):
    client = page_client(folder)
    row = rows_by_clip(client)["A/S1/1.mp4"]
    evil = '<script>alert(1)</script>"><img src=x onerror=alert(2)>'
    answer = client.post("/api/decisions", json={"shots": [seen(row)], "kind": "note", "text": evil})
    for text in (answer.json()[row["key"]], client.get("/").text, client.get(f"/shot/{row['clip_id']}/1").text):
        assert "<script>alert" not in text
        assert "<img src=x" not in text
        assert "&lt;script&gt;alert(1)" in text


def test_an_empty_session_says_what_to_do_next(tmp_path):
    (tmp_path / "session.toml").write_text("", encoding="utf-8")
    text = page_client(tmp_path).get("/").text
    assert "No recordings yet" in text
    assert "/calibrate" in text


def test_one_shot_shows_its_numbers_and_its_history(folder):
    client = page_client(folder)
    row = rows_by_clip(client)["B/S1/2.mp4"]
    client.post("/api/decisions", json={"shots": [seen(row)], "kind": "set_aside", "text": "kicked"})
    text = client.get(f"/shot/{row['clip_id']}/1").text
    assert "Decided so far" in text
    assert "set aside: kicked" in text


def test_the_squirt_shown_is_the_one_compared_and_says_which(folder):
    before = page_client(folder).get("/").text
    assert 'Squirt<span class="of">from the lane</span>' in before
    assert "the cue was seen in none" in before
    session = open_session(folder)
    cue = CuePlace(
        values=np.array([0.010, 0.05, 0.012, 0.0]),
        cov=1e-8 * np.eye(4),
        own_cov=1e-8 * np.eye(4),
        seen=np.array([1.0, 0.0, 0.0, 0.0]),
        frames=5,
    )
    shot = made_up_shot(session.clip_path("A/S1/1.mp4"), launch_rad=-0.018, swerve_m=0.010)
    with Store(session.store_path) as store:
        store.save_clip("A/S1/1.mp4", record_of("A/S1/1.mp4"), [replace(shot, cue=cue)])
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write('[analysis]\nsquirt = "cue"\n')
    client = page_client(folder)
    rows = rows_by_clip(client)
    # Launch -0.018 rad less cue 0.010 rad; no control shot has a cue that would set another zero.
    assert rows["A/S1/1.mp4"]["squirt_deg"] == pytest.approx(np.degrees(-0.028), abs=5e-5)
    assert rows["A/S1/2.mp4"]["squirt_deg"] is None
    text = client.get("/").text
    assert 'Squirt<span class="of">from the cue</span>' in text
    assert "its line was seen in 1 of" in text
    one = client.get(f"/shot/{rows['A/S1/1.mp4']['clip_id']}/1").text
    assert "Squirt from the cue" in one


def test_a_recording_that_cannot_be_read_has_a_picture_that_says_so(folder):
    client = page_client(folder)
    (folder / "clips/B/S1").mkdir(parents=True)
    (folder / "clips/B/S1/1.mp4").write_bytes(b"no video")
    row = rows_by_clip(client)["B/S1/1.mp4"]
    answer = client.get(f"/picture/{row['clip_id']}/1")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/svg+xml")
    assert client.get(f"/frame/{row['clip_id']}/1/0").status_code == 422


def test_recordings_without_marks_can_be_measured_or_calibrated_first(tmp_path):
    """Printed markers need no click: measuring finds them."""
    (tmp_path / "session.toml").write_text("", encoding="utf-8")
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips" / "1.mp4").write_bytes(b"")
    text = page_client(tmp_path).get("/").text
    assert 'data-work="measure"' in text
    assert "printed markers are looked for" in text
    assert 'href="/calibrate"' in text
