"""session.toml: every key has a default, and every wrong key or value one clear line."""

import tomllib
from pathlib import Path

import pytest

from analyze.session.config import (
    SessionConfig,
    ball_from,
    known_keys,
    lane_from,
    read_config,
    scale_from,
    table_from,
)
from analyze.session.template import config_text
from calibrate.errors import SessionError
from tracker.readout import ASSUMED_READOUT, Readout


def config_of(tmp_path: Path, text: str) -> SessionConfig:
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    return read_config(tmp_path)


def message_of(tmp_path: Path, text: str) -> str:
    with pytest.raises(SessionError) as caught:
        config_of(tmp_path, text)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(str(tmp_path / "session.toml"))
    return message.removeprefix(str(tmp_path / "session.toml")).removeprefix(": ")


def test_an_empty_file_is_a_nine_foot_table(tmp_path):
    config = config_of(tmp_path, "")
    table = table_from(config.table)
    lane = lane_from(config.lane, table)
    assert table.name == "9ft"
    assert lane.x_aim_m == pytest.approx(0.3175, abs=1e-12)  # 12.5 in between sights: WPA specification, 2001
    assert lane.spot_y_m == pytest.approx(0.762, abs=1e-12)
    assert config.readout == ASSUMED_READOUT
    assert config.camera.capture_fps is None


def test_the_template_holds_every_key_and_gives_the_defaults():
    text = config_text('a "quoted" \\ name')
    values = tomllib.loads(text)
    config = SessionConfig.model_validate(values)
    assert config.session.name == 'a "quoted" \\ name'
    for section, keys in known_keys().items():
        assert f"[{section}]" in text
        for key in keys:
            assert f"\n{key} = " in text or f"\n# {key} = " in text, f"{section}.{key} is not in the template"
    defaults = SessionConfig()
    for section in ("ball", "scale", "camera", "analysis"):
        assert getattr(config, section) == getattr(defaults, section)
    assert lane_from(config.lane, table_from(config.table)) == lane_from(defaults.lane, table_from(defaults.table))
    assert table_from(config.table) == table_from(defaults.table)


def test_every_commented_key_of_the_template_is_accepted(tmp_path):
    text = config_text("x").replace('size = "9ft"', "").replace("# capture", "capture")
    for key in (
        "width_mm",
        "length_mm",
        "rail_top_mm",
        "sight_setback_mm",
        "setback_mm",
        "readout_ms",
        "margin_mm",
    ):
        text = text.replace(f"# {key}", key)
    config = config_of(tmp_path, text.replace("# reference", "reference"))
    assert config.analysis.reference == "A"
    assert config.readout == Readout.stated(0.016)
    assert table_from(config.table).rail_top_m == pytest.approx(0.042, abs=1e-15)


def test_own_measurements_override_the_table_size(tmp_path):
    config = config_of(
        tmp_path,
        "[table]\nwidth_mm = 1120\nlength_mm = 2240\nsight_setback_mm = 80\n[scale]\nunit = 'cm'\nsetback_mm = 50\n"
        "[lane]\nsight = 3\nspot_mm = 500\n[ball]\ndiameter_mm = 52.5\nmass_g = 140",
    )
    table = table_from(config.table)
    lane = lane_from(config.lane, table)
    scale = scale_from(config.scale, table, lane)
    assert (table.width_m, table.length_m) == pytest.approx((1.12, 2.24), abs=1e-12)
    assert lane.x_aim_m == pytest.approx(0.84, abs=1e-12)
    assert (scale.line_y_m, scale.zero_m, scale.unit_m) == pytest.approx((2.29, 0.84, 0.01), abs=1e-12)
    assert ball_from(config.ball).radius_m == pytest.approx(0.02625, abs=1e-12)


@pytest.mark.parametrize("also", ["", "readout_ms = 0\n"])
def test_a_global_shutter_has_no_readout(tmp_path, also):
    stated = config_of(
        tmp_path, f'[camera]\n{also}global_shutter = true\nglobal_shutter_camera = "made up 1"'
    ).readout
    assert stated == Readout.stated(0.0)
    assert stated.value_s == 0.0
    assert stated.known


@pytest.mark.parametrize("named", ["", 'global_shutter_camera = " "\n'])
def test_a_global_shutter_of_a_camera_that_is_not_named_is_half_believed(tmp_path, named):
    """Right or not, the readout time lies within two standard uncertainties: nought, or a slow phone's 18 ms."""
    doubted = config_of(tmp_path, f"[camera]\nglobal_shutter = true\n{named}").readout
    assert not doubted.known
    for true_s in (0.0, 0.0115, 0.018):
        assert abs(doubted.value_s - true_s) <= 2 * doubted.sd_s


def test_a_readout_of_zero_alone_is_not_believed(tmp_path):
    """Of a phone it is a default that nobody changed, or a misunderstanding."""
    assert config_of(tmp_path, "[camera]\nreadout_ms = 0").readout == config_of(tmp_path, "").readout
    assert not config_of(tmp_path, "").readout.known


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[table]\nwidth_mm = -5\nlength_mm = 2540", "table.width_mm = -5, but it must be between 500 and 3000 mm"),
        ("[ball]\ndiameter_mm = 5715", "ball.diameter_mm = 5715, but it must be between 40 and 80 mm"),
        ("[ball]\nmass_g = nan", "ball.mass_g = nan, but it must be a finite number"),
        ("[ball]\nmass_g = '165'", 'ball.mass_g = "165", but it must be a number'),
        ("[ball]\nmass_g = true", "ball.mass_g = true, but it must be a number"),
        ("[lane]\nsight = 4", "lane.sight = 4, but it must be between 1 and 3"),
        ("[lane]\nsight = 1.5", "lane.sight = 1.5, but it must be a whole number"),
        ("[lane]\nspot_mm = 2500", "lane.spot_mm = 2500 must lie at least 300 mm before the foot-rail nose"),
        ("[camera]\ncapture_fps = -240", "camera.capture_fps = -240, but it must be between 10 and 10000 frames"),
        ("[camera]\nreadout_ms = 4000", "camera.readout_ms = 4000, but it must be between 0 and 100 ms"),
        (
            '[camera]\nglobal_shutter_camera = "made up 1"',
            "global_shutter_camera names a camera, but global_shutter",
        ),
        (
            "[camera]\nreadout_ms = 12\nglobal_shutter = true",
            "global_shutter = true says that all rows are taken at once",
        ),
        ("[session]\nunits = 'feet'", 'session.units = "feet", but it must be one of "inch" or "mm"'),
        ("[table]\nsize = '10ft'", 'table.size = "10ft", but it must be one of 7ft, 8ft, 9ft, carom, snooker'),
        ("[table]\nwidth_mm = 1270", "width_mm and length_mm go together"),
        (
            "[table]\nsize = '9ft'\nwidth_mm = 1270\nlength_mm = 2540",
            "size and width_mm with length_mm say the same",
        ),
        ("[balls]\nmass_g = 165", "[balls] is no section or key of this file; did you mean ball?"),
        ("[ball]\nmass = 165", "ball.mass is no key of this file; did you mean mass_g?"),
        ("[ball]\nspot_mm = 165", "ball.spot_mm is no key of this file; spot_mm belongs into [lane]"),
        ("[ball]\ncolour = 1", "ball.colour is no key of this file; known here: diameter_mm, mass_g"),
        ("ball = 3", "ball = 3, but it must be a section of its own, with [brackets]"),
        (
            "[condition]\nname = 'A'",
            "condition = {'name': 'A'}, but it must be a section of its own, with [[double",
        ),
        ("[[condition]]\nrole = 'test'", "condition 1: name is missing"),
        ("[[condition]]\nname = 'A/B'", 'condition 1: name = "A/B", but it must be a plain name'),
        ("[[condition]]\nname = 'A'\n[[condition]]\nname = 'A'", "condition.name = 'A' stands there twice"),
        (
            "[[condition]]\nname = 'A'\ntip_ofset_mm = 3",
            "condition 1: tip_ofset_mm is no key of this file; did you",
        ),
        ("a = " + "[" * 3000, "brackets within brackets"),
        ("[[condition]]\nname = 'A'\n[analysis]\nreference = 'C'", "analysis.reference = 'C' is none of the"),
        ("[analysis]\nconfidence = 95", "analysis.confidence = 95, but it must be between 0.5 and 0.999"),
        (
            "[analysis]\nkeep = 'best'",
            'analysis.keep = "best", but it must be one of "all", "drop_failed" or "closest"',
        ),
        ("[ball]\nmass_g = = 4", "not written as TOML: Invalid value (at line 2, column 10)"),
    ],
)
def test_a_wrong_key_or_value_gives_one_clear_line(tmp_path, text, message):
    assert message_of(tmp_path, text).startswith(message)


def test_a_missing_file_says_how_to_make_one(tmp_path):
    with pytest.raises(SessionError, match=r"there is no session\.toml in this folder; `railread new"):
        read_config(tmp_path)


def test_a_file_that_is_not_text_is_said_to_be_so(tmp_path):
    (tmp_path / "session.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(SessionError, match="cannot be read as text"):
        read_config(tmp_path)
