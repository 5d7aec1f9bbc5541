"""The foot cushion: sightings before contact, and the way back."""

import numpy as np

from tracker.contact import before_contact, turn_back_s

END_Y_M = 2.512


def run(speed_m_s=3.0, period_s=1 / 60):
    """Times and true places of a ball that meets the cushion at t = 0.5 s and comes back at 0.7 of its speed."""
    times = np.arange(0.02, 0.8, period_s)
    y = np.where(times < 0.5, END_Y_M - speed_m_s * (0.5 - times), END_Y_M - 0.7 * speed_m_s * (times - 0.5))
    return times, np.stack([0.3 + 0.02 * times, y], axis=1)


def test_sightings_whose_exposure_ends_before_contact_are_kept():
    times, xy_m = run()
    keep = times < 0.52
    contact_s, usable = before_contact(times[keep], xy_m[keep], end_y_m=END_Y_M, exposure_s=1 / 120)
    assert abs(contact_s - 0.5) < 1e-3
    assert times[keep][usable].max() < 0.5 - 1 / 240
    assert usable.sum() >= np.sum(times < 0.5 - 1 / 240 - 0.001)


def test_sightings_on_the_way_back_do_not_count_as_before_contact():
    times, xy_m = run(period_s=1 / 240)
    keep = times < 0.53
    contact_s, usable = before_contact(times[keep], xy_m[keep], end_y_m=END_Y_M, exposure_s=1 / 1000)
    assert abs(contact_s - 0.5) < 1e-3
    assert times[keep][usable].max() < 0.5


def test_ball_coming_back_is_seen():
    times, xy_m = run()
    spots = [np.array([[x, y, 50.0], [x + 0.3, 2.4, 80.0]]) for x, y in xy_m]  # a brighter one stands aside
    turned = turn_back_s(spots, times, xy_m[28], contact_s=0.5, end_y_m=END_Y_M)
    assert turned == times[times > 0.5][0]


def test_recording_that_ends_at_the_cushion_shows_no_way_back():
    times, xy_m = run()
    short = times < 0.5
    spots = [np.array([[x, y, 50.0]]) for x, y in xy_m[short]]
    assert turn_back_s(spots, times[short], xy_m[28], contact_s=0.5, end_y_m=END_Y_M) is None
