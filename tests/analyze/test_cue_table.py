"""The cue from its shots: values worked out by hand from the rigid-impulse formulas, equal offsets, splitting."""

import numpy as np
import pandas as pd
import pytest

from analyze.cue.cue_table import Ball, Standard, cue_table, offset_groups, restated_deflection_mm
from analyze.cue.difference_split import split_difference
from analyze.statistics import Verdict
from calibrate.errors import SessionError

RADIUS_MM = 28.575


def shots(rows):
    return pd.DataFrame(rows, columns=["condition", "shooter", "tip_offset_mm", "squirt_deg"])


def around(condition, shooter, offset, squirt, sd=0.05, n=6, seed=1):
    noise = np.random.default_rng(seed).normal(0, sd, n)
    return [(condition, shooter, offset, squirt + e) for e in noise - noise.mean()]


def test_end_mass_and_pivot_lengths_of_a_worked_example():
    """b/R = 0.5, squirt 1.44633°: m/m_e = 40, pivot lengths 566.05, 565.87, 541.13 mm (2x2 impulse solve)."""
    table = cue_table(shots(around("A", "S1", 14.2875, -1.44633)), ball=Ball(mass_g=170.0))
    (row,) = table.rows
    assert row.end_mass_g.value == pytest.approx(170 / 40, rel=1e-5)
    assert row.end_mass_g.lo < row.end_mass_g.value < row.end_mass_g.hi
    lengths = {name: length.value for name, length in row.pivot_mm}
    assert list(lengths.values()) == pytest.approx([566.05, 565.87, 541.13], rel=0, abs=6e-3)
    assert "tan" in row.end_mass_g.formula
    assert all(length.formula for _, length in row.pivot_mm)


def test_standard_uncertainty_of_a_worked_example():
    """b/R 0.50 ± 0.02, squirt 1.50 ± 0.05°, m 170 g: m/m_e 38.465, u 1.797 (first-order propagation, by hand).

    Half the interval over 1.96 is 1.8023 by 4 million plain random draws: the formula is a little curved.
    """
    n = 200_000  # so many that the t factor is the normal one and the interval can be read back
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 1, n)
    noise = (noise - noise.mean()) / noise.std(ddof=1) * 0.05 * np.sqrt(n)
    table = pd.DataFrame(
        {"condition": "A", "shooter": "S1", "tip_offset_mm": RADIUS_MM / 2, "squirt_deg": -1.5 - noise}
    )
    (row,) = cue_table(table, ball=Ball(mass_g=170.0, offset_sd_mm=0.02 * RADIUS_MM)).rows
    assert row.shots_se_deg == pytest.approx(0.05, rel=1e-9)
    assert 170 / row.end_mass_g.value == pytest.approx(38.465, rel=0, abs=5e-4)
    half = (170 / row.end_mass_g.lo - 170 / row.end_mass_g.hi) / 2
    assert half / 1.959964 == pytest.approx(1.8023, rel=0, abs=0.01)


def with_controls(rows, squirts_of_controls):
    controls = shots([("control", "S1", 0.0, value) for value in squirts_of_controls])
    return pd.concat([shots(rows).assign(role="test"), controls.assign(role="control")], ignore_index=True)


def test_the_controls_zero_is_in_the_interval_and_does_not_shrink_with_the_shots():
    """Controls -0.3, 0, 0.3: sd 0.3, their mean is known to 0.3 / sqrt(3) = 0.1732, with 2 degrees of freedom."""
    few, many = (
        cue_table(
            with_controls(around("A", "S1", 14.3, -1.4, n=n), [-0.3, 0.0, 0.3]), ball=Ball(offset_sd_mm=0)
        ).rows
        for n in (6, 600)
    )
    assert few[0].zero_se_deg == many[0].zero_se_deg == pytest.approx(0.17320508, rel=1e-7)
    # t(0.975, 2) = 4.303 (any table), and nothing else is uncertain after 600 shots
    assert many[0].hi_deg - many[0].squirt_deg == pytest.approx(4.303 * 0.1732, rel=2e-3)
    assert many[0].deflection_mm.lo < many[0].deflection_mm.value < many[0].deflection_mm.hi


def test_an_interval_without_an_end_says_so():
    """Squirt -0.5 ± 0.5: none at all is not excluded, so no pivot length is too long and no end mass too small."""
    (row,) = cue_table(with_controls(around("A", "S1", 14.3, -0.5, n=30), [-0.6, 0.1, 0.5])).rows
    assert row.end_mass_g.lo == 0.0
    lengths = dict(row.pivot_mm)
    assert lengths["ball centre"].hi is None
    assert lengths["ball centre"].lo < lengths["ball centre"].value
    assert row.deflection_mm.lo < 0 < row.deflection_mm.hi


def test_a_single_control_shot_is_said_to_show_no_scatter():
    table = cue_table(with_controls(around("A", "S1", 14.3, -1.4), [0.1]))
    assert "One control shot a shooter shows no scatter: 0.2° was taken" in table.notes[0]
    assert table.rows[0].zero_se_deg == pytest.approx(0.2)


def test_an_unknown_zero_is_said_to_be_left_out():
    none = cue_table(shots(around("A", "S1", 14.3, -1.4)))
    assert none.rows[0].zero_se_deg == 0
    assert none.notes == (
        "There are no control shots here: intervals leave out how well the zero of squirt is known.",
    )
    other = around("A", "S1", 14.3, -1.4) + around("A", "S2", 14.3, -1.4, seed=2)
    assert cue_table(with_controls(other, [0.1, -0.1])).rows[0].notes == (
        "No control shots of S2 here: the interval leaves out the uncertainty of that zero.",
    )


def test_the_tip_offset_s_part_is_the_slope_of_the_tabulated_squirt():
    """m/m_e = 40: 1.2182° at 0.40 R, 1.5389° at 0.55 R; 1.09 mm either way of 0.475 R is 0.0764 ball radii."""
    (row,) = cue_table(shots(around("A", "S1", 0.475 * RADIUS_MM, -1.3926)), ball=Ball(offset_sd_mm=1.0)).rows
    slope_deg_per_mm = (1.5389 - 1.2182) / (0.15 * RADIUS_MM)
    assert row.offset_se_deg == pytest.approx(slope_deg_per_mm, rel=0.01)


@pytest.mark.parametrize(
    ("offset_ratio", "squirt_deg"),
    # The column m/m_e = 40 of the tan form, tabulated to 4 decimals.
    [(0.10, 0.3278), (0.25, 0.7999), (0.40, 1.2182), (0.55, 1.5389)],
)
def test_deflection_restated_from_any_offset_is_the_same(offset_ratio, squirt_deg):
    """m/m_e = 40 at b/R = 0.5 leaves 25.2486 mm to the side after 1 m."""
    found = restated_deflection_mm(
        -squirt_deg, offset_ratio * RADIUS_MM, ball_radius_mm=RADIUS_MM, standard=Standard()
    )
    assert found == pytest.approx(-25.2486, rel=2e-4)
    mirrored = restated_deflection_mm(
        squirt_deg, -offset_ratio * RADIUS_MM, ball_radius_mm=RADIUS_MM, standard=Standard()
    )
    assert mirrored == pytest.approx(-found, rel=1e-12)


def test_an_offset_of_the_tip_s_axis_is_brought_to_the_point_of_contact():
    """R 28.575, dome 10 mm: 14.3 mm of the axis touch at 14.3 * 28.575 / 38.575 = 10.593 mm (similar triangles)."""
    axis = cue_table(shots(around("A", "S1", 14.3, -1.4)), ball=Ball(tip_radius_mm=10.0))
    contact = cue_table(shots(around("A", "S1", 10.59293, -1.4)))
    (by_axis,), (by_contact,) = axis.rows, contact.rows
    assert by_axis.end_mass_g.value == pytest.approx(by_contact.end_mass_g.value, rel=1e-5)
    # (5ab/2R^2)/tan(squirt) - 1 - 5a^2/2R^2 at b = 10.593 mm: m/m_e = 32.063, by hand
    assert 165 / by_axis.end_mass_g.value == pytest.approx(32.063, rel=0, abs=2e-3)
    assert by_axis.deflection_mm.value == pytest.approx(by_contact.deflection_mm.value, rel=1e-5)
    assert dict(by_axis.pivot_mm)["ball centre"].value == pytest.approx(10.593 / np.sin(np.radians(1.4)), rel=1e-4)
    assert by_axis.tip_offset_mm == pytest.approx(14.3, rel=1e-12)
    assert "10 mm radius the tip touches the ball at 0.741 of that" in axis.notes[-1]
    assert len(contact.notes) == len(axis.notes) - 1
    other = cue_table(
        shots(around("A", "S1", 14.3, -1.4)), ball=Ball(tip_radius_mm=8.0, own_tip_radii_mm={"A": 10.0})
    )
    assert other.rows[0].end_mass_g == by_axis.end_mass_g
    assert "0.781 of that (A: 10 mm, 0.741)" in other.notes[-1]


def test_conditions_are_compared_at_equal_offset_only():
    rows = (
        around("A", "S1", 14.3, -1.4) + around("B", "S1", 14.2, -2.4, seed=2) + around("B", "S1", 7.0, -1.2, seed=3)
    )
    rows += around("C", "S1", 10.0, -1.3, seed=4)
    table = cue_table(shots(rows))
    assert [(row.condition, round(row.tip_offset_mm, 1)) for row in table.rows] == [
        ("A", 14.3),
        ("B", 7.0),
        ("B", 14.2),
        ("C", 10.0),
    ]
    ((offset, comparisons),) = table.comparisons
    assert offset == pytest.approx(14.25)
    assert comparisons.these.pair("A", "B").verdict is Verdict.DIFFERS
    assert "tip offset of C" in table.notes[-1]
    assert {"end_mass_g", "deflection_mm", "pivot_to_tip_contact_lo_mm"} <= set(table.frame().columns)


def test_shooters_weigh_alike():
    rows = around("A", "S1", 14.0, -1.0, n=9) + around("A", "S2", 14.0, -2.0, n=3)
    (row,) = cue_table(shots(rows)).rows
    assert row.squirt_deg == pytest.approx(-1.5)
    assert (row.n, row.shooters) == (12, 2)


def test_offsets_close_to_each_other_are_one():
    groups = offset_groups(pd.Series([14.3, 7.0, 14.0, 10.0, 7.4]))
    assert groups.tolist() == [2, 0, 2, 1, 0]


def test_what_the_shots_cannot_tell_is_said():
    rows = [("A", "S1", 14.0, 1.0), ("B", "S1", np.nan, -1.0), ("C", "S1", 18.5, -1.0), ("D", "S1", 30.0, -1.0)]
    table = cue_table(shots(rows))
    by_name = {row.condition: row for row in table.rows}
    assert "1 shots have no tip offset" in table.notes[1]
    assert by_name["A"].end_mass_g is None
    assert "does not point away" in by_name["A"].notes[0]
    assert "miscue limit" in by_name["C"].notes[0]
    assert by_name["C"].se_deg is None
    assert "beside the ball" in by_name["D"].notes[0]
    with pytest.raises(SessionError, match="no column tip_offset_mm"):
        cue_table(shots(rows).drop(columns="tip_offset_mm"))


def test_a_zero_from_another_camera_place_holds_both_calibrations():
    """Controls at each place set the zero there; where there are none, more shots do not make the rest smaller."""
    rows = [*around("A", "S1", 12.0, -1.5), *around("c", "S1", 0.0, 0.0, n=3), *around("c", "S1", 0.0, 0.2, n=3)]
    frame = shots(rows).assign(role=["test"] * 6 + ["control"] * 6, place=["first"] * 9 + ["head"] * 3)
    (own,) = cue_table(frame).rows
    (borrowed,) = cue_table(
        frame.assign(
            place=["end"] * 6 + ["first"] * 3 + ["head"] * 3, squirt_common_sd_deg=[0.3] * 6 + [np.nan] * 6
        )
    ).rows
    scatter = frame["squirt_deg"][6:9].std()  # at both places, about its own mean
    assert own.zero_se_deg == pytest.approx(scatter / np.sqrt(3), rel=1e-9)
    assert borrowed.zero_se_deg == pytest.approx(np.hypot(scatter / np.sqrt(6), 0.3), rel=1e-9)
    assert borrowed.hi_deg - borrowed.lo_deg > 2 * 1.9 * 0.3


def test_the_parts_add_up_to_the_net_difference():
    """B squirts 20 mm more and is shot 0.4 m/s faster; swerve shrinks by 30 mm per m/s of speed, in both alike."""
    rng = np.random.default_rng(5)
    rows = []
    for condition, squirt, speed in (("A", -60.0, 2.8), ("B", -80.0, 3.2)):
        for shooter in ("S1", "S2"):
            for v in rng.normal(speed, 0.15, 12):
                squirt_mm, swerve_mm = squirt + rng.normal(0, 2), 50 - 30 * (v - 3) + rng.normal(0, 1)
                rows.append((condition, shooter, v, squirt_mm + swerve_mm, squirt_mm, swerve_mm))
    names = ["condition", "shooter", "launch_speed_m_s", "reading_mm", "squirt_offset_mm", "swerve_offset_mm"]
    split = split_difference(pd.DataFrame(rows, columns=names), "A", "B")
    parts = {part.part: part for part in split.parts}
    assert sum(part.difference_mm for part in split.parts[1:]) == pytest.approx(
        parts["net"].difference_mm, rel=1e-9
    )
    table = pd.DataFrame(rows, columns=names)
    speeds = table.groupby("condition")["launch_speed_m_s"].mean()
    for name, truth in (("squirt", -20.0), ("swerve", 0.0), ("speed", -30 * (speeds["B"] - speeds["A"]))):
        assert abs(parts[name].difference_mm - truth) < 4 * parts[name].se_mm
        assert parts[name].se_mm < 3.0
    squirt = parts["squirt"]
    assert f"{squirt.difference_mm:+.0f} mm ({squirt.lo_mm:+.0f} to {squirt.hi_mm:+.0f}) squirt" in split.sentence
    few = table.groupby(["condition", "shooter"]).head(2)
    unresolved = split_difference(few.assign(squirt_offset_mm=-60.0 + 30 * (few.index % 2)), "A", "B")
    if not any(part.lo_mm > 0 or part.hi_mm < 0 for part in unresolved.parts[1:]):
        assert unresolved.sentence == ""
    without = split_difference(pd.DataFrame(rows, columns=names).drop(columns="launch_speed_m_s"), "A", "B")
    assert [part.part for part in without.parts] == ["net", "squirt", "swerve"]
    # A table that pulls B, which is slower, 0.9 mm further than A.
    pulled = table.assign(reading_mm=table["reading_mm"] + np.where(table["condition"] == "A", 1.0, 1.9))
    apart = {part.part: part.difference_mm for part in split_difference(pulled, "A", "B").parts}
    assert apart["pull of the table"] == pytest.approx(0.9, abs=1e-9)
    assert sum(apart.values()) == pytest.approx(2 * apart["net"], rel=1e-9)
    assert split_difference(pd.DataFrame(rows, columns=names), "A", "X") is None
    assert split_difference(pd.DataFrame(rows, columns=names).drop(columns="swerve_offset_mm"), "A", "B") is None
