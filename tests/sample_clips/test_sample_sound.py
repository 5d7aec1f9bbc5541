"""Rendered clips hold strike and cushion when they reach the phone, and no sound unless asked for."""

import math
from dataclasses import replace

import av  # noqa: TID251 - looked into by other means than the tracker's
import numpy as np
import pytest

from sample_clips.encode import Coding, write_clip
from sample_clips.shots import BEHIND_FOOT_RAIL_720P60, SLOW_MOTION_720P240
from sample_clips.sound import RATE_HZ, Room

QUIET = Room(noise=0.0, hum=0.0, delay_s=0.03)


def begins_s(samples, from_s):
    """When a sound without noise is first to be heard after a time."""
    first = round(from_s * RATE_HZ)
    return (first + int(np.argmax(np.abs(samples[first:]) > 1e-6))) / RATE_HZ


@pytest.mark.parametrize(("temperature_c", "sound_m_s"), [(0.0, 331.3), (20.0, 343.2), (25.0, 346.1)])
def test_strike_and_cushion_are_late_by_their_ways(temperature_c, sound_m_s):
    """Speed of sound: 331.3 m/s at 0, 343.2 at 20 (ISO 9613-1:1993), 346.1 at 25 degrees (handbooks)."""
    setup = replace(BEHIND_FOOT_RAIL_720P60, room=replace(QUIET, temperature_c=temperature_c))
    samples, rate = setup.sound()
    assert rate == RATE_HZ
    assert setup.room.sound_m_s == pytest.approx(sound_m_s, abs=0.1)
    contact_s = setup.strike_s + setup.motion.contact_s
    for event_s, centre_m in (
        (setup.strike_s, setup.start_m),
        (contact_s, setup.centre_at(np.array([contact_s]))[0]),
    ):
        expected_s = event_s + math.dist(centre_m, setup.lens.position_m) / sound_m_s + QUIET.delay_s
        assert begins_s(samples, expected_s - 0.1 if event_s > 1 else 0.0) == pytest.approx(expected_s, abs=1e-4)


@pytest.mark.parametrize(("along", "times"), [(True, 8), (False, 1)])
def test_slow_motion_holds_its_sound_slowed_along_or_as_it_was(along, times):
    room = replace(QUIET, slowed_along=along)
    samples, _ = replace(SLOW_MOTION_720P240, room=room).sound()
    life, _ = replace(SLOW_MOTION_720P240, room=room, coding=Coding()).sound()
    assert len(samples) == times * len(life)


def test_a_clip_holds_sound_only_where_there_is_a_room(tmp_path):
    assert BEHIND_FOOT_RAIL_720P60.sound() is None
    frames = [(k * 1500, np.full((72, 64), 100 + k, np.uint8)) for k in range(6)]
    sound = np.sin(np.arange(4800) / 10), RATE_HZ
    for name, given, streams in (("silent.mp4", None, 1), ("sound.mp4", sound, 2)):
        write_clip(tmp_path / name, frames, size_px=(64, 48), fps=60.0, coding=Coding(), sound=given)
        with av.open(str(tmp_path / name)) as file:
            assert len(file.streams) == streams
            assert sum(1 for _ in file.decode(video=0)) == 6
