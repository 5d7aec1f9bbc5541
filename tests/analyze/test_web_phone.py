"""A phone: paired by a code that works once, good for sending alone; recordings resumed, checked, filed safely."""

import hashlib
import shutil
from importlib.resources import files
from pathlib import Path

import pytest
from web_client import ADDRESS, PORT, PageClient

from analyze.web.app import page_app
from analyze.web.desk import Desk
from analyze.web.guard import CHUNK_LIMIT, Keys, local_hosts
from analyze.web.pairing import MOST_TRIES, Pairing
from analyze.web.uploads import MOST_AT_ONCE, Incoming, next_in_order

SAMPLE = Path(str(files("sample_clips") / "session"))
CLIP = (SAMPLE / "clips/A/S1/0001.mp4").read_bytes()
HASH = hashlib.sha256(CLIP).hexdigest()


@pytest.fixture
def desk(tmp_path):
    folder = tmp_path / "session"
    folder.mkdir()
    shutil.copy(SAMPLE / "session.toml", folder)
    return Desk(folder=folder, keys=Keys(port=PORT, hosts=local_hosts(PORT)), address=ADDRESS)


@pytest.fixture
def phone(desk):
    client = PageClient(page_app(desk), machine="192.0.2.7")
    assert client.post("/pair", json={"code": desk.pairing.code()}).status_code == 200
    return client


def begin(client, **changes):
    wish = {"name": "IMG 0001.MP4", "size_bytes": len(CLIP), "condition": "A", "shooter": "S9"} | changes
    return client.post("/api/phone/uploads", json=wish)


def send(client, upload_id, at, piece):
    return client.put(f"/api/phone/uploads/{upload_id}?at={at}", content=piece)


def test_a_code_works_once_and_gives_a_phone_its_own_paths_alone(desk, phone):
    assert phone.get("/phone").status_code == 200
    for path in (
        "/",
        "/api/rows",
        "/setup",
        "/results",
        "/api/marks",
        "/out/report.html",
        "/phone-help",
        "/pair-picture",
    ):
        assert phone.get(path).status_code == 401, path
    assert phone.post("/api/setup", json={}).status_code == 401
    other = PageClient(page_app(desk), machine="192.0.2.8")
    assert other.get("/phone").status_code == 401
    assert other.post("/pair", json={"code": "AAAAAAAA"}).status_code == 403


def test_a_code_is_void_after_ten_wrong_tries():
    pairing = Pairing(Keys(port=PORT), ADDRESS)
    code = pairing.code()
    for _ in range(MOST_TRIES):
        assert pairing.let_in("WRONGONE") is None
    assert pairing.let_in(code) is None
    assert pairing.code() != code


def test_without_lan_no_phone_is_let_in(desk):
    desk.pairing.address = ""
    client = PageClient(page_app(desk), machine="192.0.2.7")
    assert client.post("/pair", json={"code": desk.pairing.code()}).status_code == 403


def test_an_upload_that_broke_off_goes_on_where_it_was(desk, phone):
    upload = begin(phone).json()
    half = len(CLIP) // 2
    assert send(phone, upload["id"], 0, CLIP[:half]).json() == {"have": half}
    late = send(phone, upload["id"], 0, CLIP[:half])  # the answer was lost and the piece comes again
    assert late.json() == {"have": half}
    ahead = send(phone, upload["id"], half + 5, CLIP[half + 5 :])  # a piece was skipped
    assert (ahead.status_code, ahead.json()) == (409, {"have": half})
    again = begin(phone).json()  # the phone was restarted
    assert again == {"id": upload["id"], "have": half}
    assert phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH}).status_code == 422
    assert send(phone, upload["id"], half, CLIP[half:]).status_code == 200
    done = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH})
    assert done.json() == {"clip": "A/S9/IMG-0001.mp4"}
    assert (desk.folder / "clips/A/S9/IMG-0001.mp4").read_bytes() == CLIP
    assert list((desk.folder / "incoming").iterdir()) == []
    assert phone.get("/api/phone/now").json()["last"]["clip"] == "A/S9/IMG-0001.mp4"


def test_an_upload_whose_record_was_damaged_is_begun_again(desk, phone):
    upload = begin(phone).json()
    (record,) = (desk.folder / "incoming").glob("*.json")
    record.write_text('{"name": 3}')
    refused = send(phone, upload["id"], 0, CLIP[:100])
    assert (refused.status_code, "send the recording again" in refused.json()["error"]) == (422, True)
    assert begin(phone).json() == {"id": upload["id"], "have": 0}
    assert send(phone, upload["id"], 0, CLIP[:100]).json() == {"have": 100}


def test_the_same_name_again_overwrites_nothing(desk, phone):
    for expected in ("IMG-0001.mp4", "IMG-0001-2.mp4"):
        upload = begin(phone).json()
        send(phone, upload["id"], 0, CLIP)
        done = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH})
        assert done.json() == {"clip": f"A/S9/{expected}"}


def test_a_recording_that_changed_on_its_way_is_not_filed(desk, phone):
    upload = begin(phone).json()
    send(phone, upload["id"], 0, CLIP[:-1] + bytes([CLIP[-1] ^ 1]))
    answer = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH})
    assert answer.status_code == 422
    assert "hashes differ" in answer.json()["error"]
    assert not (desk.folder / "clips").exists()


def test_what_is_no_video_is_refused_whatever_it_is_called(desk, phone):
    text = b"#!/bin/sh\necho no video\n"
    upload = begin(phone, name="shot.mp4", size_bytes=len(text)).json()
    send(phone, upload["id"], 0, text)
    end = {"sha256": hashlib.sha256(text).hexdigest()}
    answer = phone.post(f"/api/phone/uploads/{upload['id']}/end", json=end)
    assert answer.status_code == 422
    assert "not a video" in answer.json()["error"]
    assert not (desk.folder / "clips").exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": "shot.exe"}, "not a recording"),
        ({"name": "../../session.toml"}, "not a recording"),
        ({"shooter": "../.."}, "plain name"),
        ({"shooter": ".."}, "plain name"),
        ({"shooter": ".hidden"}, "plain name"),
        ({"shooter": "a/b"}, "plain name"),
        ({"shooter": ""}, "plain name"),
        ({"condition": "C"}, "C"),
        ({"size_bytes": 10**15}, "size_bytes"),
        ({"size_bytes": 16 * 1024**3}, "disk has"),
        ({"by_order": True}, "order is at its end"),
    ],
)
def test_what_cannot_be_filed_is_said_before_anything_is_sent(desk, phone, changes, said, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**10, 0, 10**9))
    answer = begin(phone, **changes)
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    assert not (desk.folder / "clips").exists()


def test_a_path_in_a_name_is_only_a_name(desk, phone):
    upload = begin(phone, name="../../../etc/cron.d/<b>x\u202egpj.mp4").json()
    send(phone, upload["id"], 0, CLIP)
    done = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH}).json()
    assert done["clip"] == "A/S9/b-x-gpj.mp4"


def test_pieces_are_limited_and_unknown_uploads_refused(desk, phone):
    upload = begin(phone).json()
    assert send(phone, upload["id"], 0, b"x" * (CHUNK_LIMIT + 1)).status_code == 413
    assert send(phone, upload["id"], 0, CLIP + b"more").status_code == 422
    for unknown in ("0" * 24, "..%2f..%2fsession", "x"):
        assert 400 <= send(phone, unknown, 0, b"x").status_code < 500


def test_recordings_by_the_order_take_its_next_line(desk, phone):
    order = "order,condition,shooter\n1,control,S1\n2,A,S2\n"
    (desk.folder / "order.csv").write_text(order, encoding="utf-8")
    upload = begin(phone, by_order=True).json()
    send(phone, upload["id"], 0, CLIP)
    done = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": HASH}).json()
    assert done["clip"] == "control/S1/order-0001-IMG-0001.mp4"
    row = next_in_order(desk.session())
    assert (row.order, row.condition, row.shooter) == (2, "A", "S2")


def test_two_phones_at_once_take_two_lines_of_the_order_and_one_that_broke_off_keeps_its_own(desk, phone):
    order = "order,condition,shooter\n1,control,S1\n2,A,S2\n"
    (desk.folder / "order.csv").write_text(order, encoding="utf-8")
    first = begin(phone, by_order=True, name="one.mp4").json()
    send(phone, first["id"], 0, CLIP[:5])
    second = begin(phone, by_order=True, name="two.mp4").json()
    again = begin(phone, by_order=True, name="one.mp4").json()
    assert again == {"id": first["id"], "have": 5}
    send(phone, second["id"], 0, CLIP)
    done = phone.post(f"/api/phone/uploads/{second['id']}/end", json={"sha256": HASH}).json()
    assert done["clip"] == "A/S2/order-0002-two.mp4"
    assert begin(phone, by_order=True, name="three.mp4").status_code == 422  # the order is at its end


def test_an_upload_is_found_again_by_what_it_is():
    one = Incoming(name="a.mp4", size_bytes=5, condition="A", shooter="S1")
    other = Incoming(name="a.mp4", size_bytes=6, condition="A", shooter="S1")
    assert one.upload_id != other.upload_id


def test_what_a_disk_does_not_hold_is_said_with_each_piece(phone, monkeypatch):
    """Two phones that begin at the same time find the same room."""
    upload = begin(phone).json()
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**10, 0, 3 * 10**8))
    answer = send(phone, upload["id"], 0, CLIP)
    assert answer.status_code == 422
    assert "make room" in answer.json()["error"]


def test_uploads_that_are_only_begun_are_limited(desk, phone):
    for number in range(MOST_AT_ONCE):
        assert begin(phone, name=f"{number}.mp4").status_code == 200
    answer = begin(phone, name="more.mp4")
    assert answer.status_code == 422
    assert "half sent" in answer.json()["error"]
    assert begin(phone, name="7.mp4").status_code == 200  # those that are there go on


@pytest.mark.parametrize("text", ["ffconcat version 1.0\nfile other.mp4\n", "#EXTM3U\n#EXTINF:2.0,\nother.mp4\n"])
def test_a_list_of_other_files_is_no_recording(desk, phone, text):
    folder = desk.folder / "incoming"
    folder.mkdir()
    (folder / "other.mp4").write_bytes(CLIP)
    data = text.encode()
    upload = begin(phone, size_bytes=len(data)).json()
    send(phone, upload["id"], 0, data)
    answer = phone.post(f"/api/phone/uploads/{upload['id']}/end", json={"sha256": hashlib.sha256(data).hexdigest()})
    assert answer.status_code == 422
    assert "not a video" in answer.json()["error"]
    assert not (desk.folder / "clips").exists()
