"""Work, results and set-up on the page: what is told, what is written, and what never gets out or in."""

import io
import re
import time
import tomllib
import zipfile

import pytest
from session_samples import made_up_session
from web_client import page_client

from analyze.session.config import read_config
from analyze.session.edit_config import ConditionLine, with_conditions, with_values
from analyze.session.template import config_text


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("results") / "session"
    made_up_session(folder)
    return folder


@pytest.fixture(scope="module")
def reported(folder):
    client = page_client(folder)
    answer = client.post("/api/report")
    assert answer.status_code == 200, answer.text
    return client, answer.json()["html"]


def test_the_answer_comes_with_plots_and_files(reported):
    client, html = reported
    assert 'class="lead"' in html
    assert "/out/shots.csv" in html
    picture = client.get("/out/readings.png")
    assert picture.headers["content-type"] == "image/png"
    table = client.get("/out/shots.csv")
    assert table.headers["content-disposition"] == 'attachment; filename="shots.csv"'
    packed = zipfile.ZipFile(io.BytesIO(client.get("/everything.zip").content))
    assert {"report.html", "shots.csv", "summary.csv"} <= set(packed.namelist())


def test_the_report_is_read_with_its_own_styles_and_no_script(reported):
    client, _ = reported
    policy = client.get("/report").headers["content-security-policy"]
    assert "script-src 'none'" in policy
    assert "style-src 'sha256-" in policy
    assert "unsafe" not in policy


def test_the_answer_follows_a_decision(folder):
    client = page_client(folder)
    row = next(row for row in client.get("/api/rows").json() if row["clip"] == "A/S2/1.mp4")
    before = client.get("/results").text
    wish = {
        "shots": [{"clip_id": row["clip_id"], "shot": 1, "stamp": row["stamp"]}],
        "kind": "set_aside",
        "text": "x",
    }
    client.post("/api/decisions", json=wish)
    assert "6 of 7 shots count" in before
    assert "5 of 7 shots count" in client.get("/results").text


@pytest.mark.parametrize(
    "name", ["../session.toml", "..%2fsession.toml", "%2e%2e/railread.sqlite", "/etc/passwd", "nothing.csv", "."]
)
def test_only_results_can_be_taken_away(reported, name):
    client, _ = reported
    answer = client.get(f"/out/{name}")
    assert 400 <= answer.status_code < 500
    assert "session" not in answer.headers.get("content-disposition", "")


def test_work_that_cannot_be_done_says_why(folder):
    client = page_client(folder)
    assert client.post("/api/work", json={"job": "burn"}).status_code == 422
    assert client.post("/api/work", json={"job": "measure"}).json()["running"]
    assert client.post("/api/work", json={"job": "measure"}).status_code == 422  # one at a time
    end = time.monotonic() + 60
    while (work := client.get("/api/work").json())["running"] and time.monotonic() < end:
        time.sleep(0.1)
    assert not work["running"]
    assert "clips" in work["error"]  # there are none in this session


def test_work_ends_when_it_is_stopped(folder):
    client = page_client(folder)
    client.post("/api/work", json={"job": "measure"})
    client.post("/api/work/stop")
    end = time.monotonic() + 60
    while client.get("/api/work").json()["running"] and time.monotonic() < end:
        time.sleep(0.1)
    assert not client.get("/api/work").json()["running"]


def set_up(**changes):
    wish = {"name": "Two shafts", "units": "mm", "size": "8ft", "sight": 1, "spot_mm": 700.5, "unit": "cm"}
    wish["conditions"] = [
        {"name": "control", "role": "control", "tip_offset_mm": 0},
        {"name": "N", "role": "test", "tip_offset_mm": 12.5},
    ]
    return wish | changes


def test_a_new_session_is_made_on_the_page(tmp_path):
    folder = tmp_path / "new one"
    client = page_client(folder)
    assert client.get("/").headers["location"] == "/setup"
    assert "A new session" in client.get("/setup").text
    assert client.post("/api/setup", json=set_up()).json()["new"]
    config = read_config(folder)
    assert (config.session.name, config.session.units, config.table.size) == ("Two shafts", "mm", "8ft")
    assert (config.lane.spot_mm, config.scale.unit) == (700.5, "cm")
    assert config.condition_names == ("control", "N")
    assert "No recordings yet" in client.get("/").text


def test_a_change_keeps_the_notes_and_the_file_before(tmp_path):
    client = page_client(tmp_path)
    client.post("/api/setup", json=set_up())
    path = tmp_path / "session.toml"
    mine = path.read_text(encoding="utf-8").replace("[ball]", "# measured by me\n[ball]")
    path.write_text(mine, encoding="utf-8")
    client.post("/api/setup", json=set_up(spot_mm=None, rail_top_mm=41))
    text = path.read_text(encoding="utf-8")
    assert "# measured by me" in text
    assert "of the cue ball on its spot" in text  # the note behind the value
    assert read_config(tmp_path).lane.spot_mm is None
    assert read_config(tmp_path).table.rail_top_mm == 41
    assert (tmp_path / "session-1.toml").read_text(encoding="utf-8") == mine


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"spot_mm": 9000}, "spot_mm"),
        ({"size": "custom"}, "needs its width"),
        ({"size": "../x"}, "size"),
        ({"rail_top_mm": 500}, "rail_top_mm"),
        ({"conditions": [{"name": "a/b"}]}, "plain name"),
        ({"conditions": [{"name": "A"}, {"name": "A"}]}, "twice"),
    ],
)
def test_a_wrong_number_changes_nothing(tmp_path, changes, said):
    client = page_client(tmp_path)
    client.post("/api/setup", json=set_up())
    before = (tmp_path / "session.toml").read_bytes()
    answer = client.post("/api/setup", json=set_up(**changes))
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    assert (tmp_path / "session.toml").read_bytes() == before


def test_names_with_quotes_and_backslashes_are_written_so_that_they_can_be_read():
    name = 'a "b" \\ c = 1 # d\n[x]'
    text = with_values(config_text("s"), {("session", "name"): name})
    assert tomllib.loads(text)["session"]["name"] == name.replace("\n", " ")


def test_a_condition_keeps_what_else_stands_in_it():
    text = (
        '[[condition]]\nname = "A"  # mine\nrole = "test"\nfactors = { shaft = "N" }\n\n[analysis]\nkeep = "all"\n'
    )
    changed = tomllib.loads(
        with_conditions(
            text,
            [
                ConditionLine(name="A", role="control", tip_offset_mm=0.0),
                ConditionLine(name="B", role="test", tip_offset_mm=-3.5),
            ],
        )
    )
    assert changed["condition"] == [
        {"name": "A", "role": "control", "tip_offset_mm": 0, "factors": {"shaft": "N"}},
        {"name": "B", "role": "test", "tip_offset_mm": -3.5},
    ]
    assert changed["analysis"] == {"keep": "all"}
    assert "condition" not in tomllib.loads(with_conditions(text, []))


def test_what_a_condition_is_made_of_stays_with_it():
    text = (
        '[[condition]]\nname = "A"\n\n[[condition]]\nname = "B"\n[condition.factors]\nshaft = "N"\n'
        "[condition.values]\ntip_offset_mm = 7\n\n[analysis]\nkeep = 'all'\n"
    )
    a, b, c = (ConditionLine(name=name, role="test", tip_offset_mm=1.0) for name in "ABC")
    made_of = {"factors": {"shaft": "N"}, "values": {"tip_offset_mm": 7}}
    plain = {"role": "test", "tip_offset_mm": 1}
    for wanted in ([a, b, c], [b], [a]):
        changed = tomllib.loads(with_conditions(text, wanted))
        assert changed["condition"] == [
            {"name": one.name, **plain, **(made_of if one is b else {})} for one in wanted
        ]
        assert changed["analysis"] == {"keep": "all"}


def test_two_windows_setting_up_do_not_overwrite_each_other(tmp_path):
    one, other = page_client(tmp_path / "s"), page_client(tmp_path / "s")
    first = one.post("/api/setup", json=set_up(seen=""))
    assert first.json()["new"]
    late = other.post("/api/setup", json=set_up(seen="", spot_mm=650))  # its page was loaded before
    assert late.status_code == 409
    assert "changed meanwhile" in late.json()["error"]
    assert read_config(tmp_path / "s").lane.spot_mm == 700.5
    seen = re.search(r'data-seen="(\w+)"', other.get("/setup").text)[1]
    assert seen == first.json()["seen"]
    assert other.post("/api/setup", json=set_up(seen=seen, spot_mm=650)).status_code == 200
    assert read_config(tmp_path / "s").lane.spot_mm == 650
