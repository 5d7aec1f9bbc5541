"""Sizes against the published specifications."""

import pytest

from calibrate.table import TABLES, custom_table, sight_places_m


@pytest.mark.parametrize(
    ("name", "length_mm", "width_mm", "tolerance_mm"),
    [
        # World Pool-Billiard Association, Tournament Table & Equipment Specifications (November 2001): 100 x 50 and
        # 92 x 46 in, each +- 1/8 in.
        ("9ft", 2540.0, 1270.0, 3.2),
        ("8ft", 2336.8, 1168.4, 3.2),
        ("7ft", 1981.2, 990.6, 3.2),  # 78 x 39 in, trade pages; no governing body sets it
        ("carom", 2840.0, 1420.0, 5.0),  # Union Mondiale de Billard, rules, article 2.1
        ("snooker", 3569.0, 1778.0, 13.0),  # WPBSA, official rules of snooker, section 1
    ],
)
def test_playing_surface_is_the_published_one(name, length_mm, width_mm, tolerance_mm):
    table = TABLES[name]
    assert 1000 * table.length_m == pytest.approx(length_mm, rel=0, abs=tolerance_mm / 10)
    assert 1000 * table.width_m == pytest.approx(width_mm, rel=0, abs=tolerance_mm / 10)


def test_sights_of_a_nine_foot_table_stand_where_the_specification_puts_them():
    """WPA 2001: every 12 1/2 in (317.5 mm), centres 3 11/16 in (93.66 mm) behind the noses."""
    sights = sight_places_m(TABLES["9ft"])
    assert len(sights) == 20
    assert sights["foot-1"] == pytest.approx((0.3175, 2.54 + 0.0936625), rel=0, abs=1e-9)
    assert sights["head-3"] == pytest.approx((0.9525, -0.0936625), rel=0, abs=1e-9)
    assert sights["left-2"] == pytest.approx((-0.0936625, 0.635), rel=0, abs=1e-9)
    assert sights["right-7"] == pytest.approx((1.27 + 0.0936625, 2.2225), rel=0, abs=1e-9)


def test_sights_of_an_eight_foot_table_are_eleven_and_a_half_inches_apart():
    sights = sight_places_m(TABLES["8ft"])  # WPA 2001: 292.1 mm
    assert sights["foot-2"][0] - sights["foot-1"][0] == pytest.approx(0.2921, rel=0, abs=1e-9)
    assert sights["left-6"][1] - sights["left-5"][1] == pytest.approx(0.2921, rel=0, abs=1e-9)


def test_carom_marks_are_every_eighth_of_the_length():
    sights = sight_places_m(TABLES["carom"])  # UMB 2.1
    assert sights["right-4"][1] - sights["right-3"][1] == pytest.approx(0.355, rel=0, abs=1e-12)


def test_pool_nose_height_is_within_the_published_range():
    """WPA: 62.5 to 64.5 % of the ball's diameter, 35.72 to 36.86 mm."""
    assert 0.03572 < TABLES["9ft"].nose_height_m < 0.03686
    assert TABLES["carom"].nose_height_m == pytest.approx(0.037, rel=0, abs=0.001)  # UMB: 37 +- 1 mm


def test_rail_tops_stand_above_the_noses():
    for table in TABLES.values():
        assert table.rail_top_m > table.nose_height_m
        assert 0 < table.rail_top_sd_m < 0.01


def test_a_snooker_table_has_no_sights():
    assert sight_places_m(TABLES["snooker"]) == {}


def test_custom_table_keeps_its_size_and_refuses_what_is_no_table():
    table = custom_table(1.1176, 2.2352)
    assert (table.width_m, table.length_m) == (1.1176, 2.2352)
    with pytest.raises(ValueError, match="no wider than long"):
        custom_table(2.2352, 1.1176)
    with pytest.raises(ValueError, match=r"0\.5 to 5 m"):
        custom_table(1.27, 254.0)
