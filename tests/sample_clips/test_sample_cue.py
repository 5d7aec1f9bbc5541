"""Cue and hand in rendered clips: where the cue is drawn, what its variants change, and what they leave alone."""

import numpy as np
import pytest

from sample_clips.cue_look import CARBON, EBONY, LINEN, MAPLE, RING_M, WHITE_SLEEVE, CueLook, MarkedCue
from sample_clips.figure import TIP_RADIUS_M, Figure, draw_figure
from sample_clips.physics import RigidBall
from sample_clips.shots import BEHIND_FOOT_RAIL_720P60
from sample_clips.strike import Strike, cue_axes, strike_ball

STRIKE = Strike(offset_m=-0.012, height_m=0.002, aim_rad=0.006, elevation_rad=0.07)
BALL_M = BEHIND_FOOT_RAIL_720P60.start_m
RADIUS_M = RigidBall().radius_m


def figure(**look):
    return Figure(STRIKE, strike_ball(STRIKE, RigidBall()), BALL_M, RADIUS_M, CueLook(**look))


@pytest.mark.parametrize("swerve_m_s", [0.0, 0.05])
def test_the_dome_touches_the_ball_at_the_strike_where_the_truth_says(swerve_m_s):
    """Two spheres touch: their centres lie both radii apart, on the line through the contact point."""
    cue = figure(swerve_m_s=swerve_m_s).rods(0.0)[0]
    apart = cue.start_m - BALL_M
    assert np.linalg.norm(apart) == pytest.approx(RADIUS_M + TIP_RADIUS_M, abs=1e-12)
    _, right, up = cue_axes(STRIKE)
    touched = apart * RADIUS_M / (RADIUS_M + TIP_RADIUS_M)
    assert [touched @ right, touched @ up] == pytest.approx([STRIKE.offset_m, STRIKE.height_m], abs=1e-12)


def test_a_stroke_that_swerves_goes_sideways_as_fast_as_stated():
    straight, swerving = figure(), figure(swerve_m_s=0.05)
    _, right, _ = cue_axes(STRIKE)

    def aside(time_s):
        """How far the axis where it meets the ball lies from the unswerving one."""
        cue = swerving.rods(time_s)[0]
        back = cue.end_m - cue.start_m
        back /= np.linalg.norm(back)
        at_ball = straight.rods(0.0)[0].start_m
        nearest = cue.start_m + back * (back @ (at_ball - cue.start_m))
        return (nearest - at_ball) @ right

    assert (aside(0.0) - aside(-0.02)) / 0.02 == pytest.approx(0.05, rel=0.02)
    assert aside(-0.1) == pytest.approx(-0.005, rel=0.02)


def test_variants_change_the_picture_where_they_should():
    scene, lens = BEHIND_FOOT_RAIL_720P60.scene, BEHIND_FOOT_RAIL_720P60.lens

    def drawn(**look):
        rods = figure(**look).rods(-0.05)
        layer = draw_figure(scene, lens, [rods])
        u, v = (lens.project((rods[0].start_m + 0.45 * (rods[0].end_m - rods[0].start_m))[None])[0]).round()
        return layer, int(v) - layer.window[1], int(u) - layer.window[0]

    light, v, u = drawn()
    dark, *_ = drawn(shaft=CARBON)
    assert dark.light[v, u].mean() < 0.3 * light.light[v, u].mean()
    assert np.array_equal(dark.cover, light.cover)
    sleeve, *_ = drawn(sleeve=WHITE_SLEEVE)
    assert sleeve.light.mean() > 1.5 * light.light.mean()
    more, *_ = drawn(stick=True)
    assert more.cover.sum() > light.cover.sum() + 50


def test_a_lacquered_shaft_mirrors_a_lamp_in_a_narrow_line():
    """Across a black shaft, 5 px wide: brighter by up to what is stated, and black on most of its width."""
    scene, lens = BEHIND_FOOT_RAIL_720P60.scene, BEHIND_FOOT_RAIL_720P60.lens
    rows = []
    for lacquer in (0.0, 0.5):
        figure = Figure(
            STRIKE, strike_ball(STRIKE, RigidBall()), BALL_M, RADIUS_M, MarkedCue(shaft=CARBON, lacquer=lacquer)
        )
        rods = figure.rods(-0.05)
        layer = draw_figure(scene, lens, [rods[:1]])
        u, v = (lens.project((rods[0].start_m + 0.3 * (rods[0].end_m - rods[0].start_m))[None])[0]).round()
        row, column = int(v) - layer.window[1], int(u) - layer.window[0]
        rows.append(layer.light[row, column - 6 : column + 7].mean(axis=-1))
    plain, lacquered = rows
    assert 0.1 < (lacquered - plain).max() < 0.5
    assert np.count_nonzero(lacquered > plain + 0.05) < 0.5 * np.count_nonzero(plain > 0)


def test_a_wrapped_butt_is_wound_where_it_is_gripped():
    parts = CueLook(wrapped=True).parts
    assert LINEN in [colour for _, colour in parts]
    ends = [end for end, _ in parts]
    assert ends == sorted(ends)
    assert LINEN not in [colour for _, colour in CueLook().parts]


def colour_at(parts, along_m):
    return next(colour for end_m, colour in parts if along_m <= end_m)


def test_rings_go_about_the_shaft_where_stated():
    parts = MarkedCue(rings_m=(0.16, 0.4), ring=EBONY).parts_at(0.23)
    ends = [end_m for end_m, _ in parts]
    assert ends == sorted(ends)
    for ring_m in (0.16, 0.4):
        assert colour_at(parts, ring_m + RING_M / 2) == EBONY
        assert colour_at(parts, ring_m - 0.001) == colour_at(parts, ring_m + RING_M + 0.001) == MAPLE
    plain = CueLook()
    assert [colour_at(MarkedCue().parts_at(0.2), x) for x in (0.003, 0.02, 0.5, 0.75, 1.0)] == [
        colour_at(plain.parts, x) for x in (0.003, 0.02, 0.5, 0.75, 1.0)
    ]


def test_the_shadow_of_the_hand_stays_at_the_hand_while_the_cue_moves():
    """So on the cue it moves from the tip backwards as the tip comes nearer to the ball."""
    look = MarkedCue(hand_shadow=0.5)
    strike = strike_ball(STRIKE, RigidBall())
    cue_figure = Figure(STRIKE, strike, BALL_M, RADIUS_M, look)
    edges_m = []
    for time_s in (-0.05, -0.02):
        cue = cue_figure.rods(time_s)[0]
        dark = [end_m for end_m, colour in cue.parts if colour == tuple(0.5 * part for part in MAPLE)]
        # `parts` count from the tip's end, a tip's radius before the rod's
        back = (cue.end_m - cue.start_m) / np.linalg.norm(cue.end_m - cue.start_m)
        edges_m.append(cue.start_m + back * (dark[-1] - TIP_RADIUS_M))
    assert edges_m[0] == pytest.approx(edges_m[1], abs=1e-9)
    assert colour_at(look.parts_at(0.23), 0.23) == tuple(0.5 * part for part in MAPLE)
