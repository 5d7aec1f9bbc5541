"""The first frames of a recording, looked at twice and decoded once."""

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from calibrate.errors import ClipError
from tracker import first_frames
from tracker.clip import clip_info, read_frames, still_luma
from tracker.first_frames import FirstFrames

CLIP = Path(str(files("sample_clips"))) / "session/clips/A/S1/0001.mp4"


@pytest.mark.parametrize("most_bytes", [first_frames.MOST_BYTES, 1000])
def test_the_still_picture_and_every_frame_are_those_of_the_recording(monkeypatch, most_bytes):
    """Whether they are kept or, of a larger picture, decoded twice."""
    monkeypatch.setattr(first_frames, "MOST_BYTES", most_bytes)
    first = FirstFrames(clip_info(CLIP))
    np.testing.assert_array_equal(first.luma, still_luma(CLIP))
    seen = [(frame.index, frame.time_s, int(frame.luma.sum())) for frame in first.frames()]
    assert seen == [(frame.index, frame.time_s, int(frame.luma.sum())) for frame in read_frames(CLIP)]


def test_a_recording_that_is_gone_is_said_at_once(tmp_path):
    gone = replace(clip_info(CLIP), path=tmp_path / "gone.mp4")
    with pytest.raises(ClipError, match="no such file"):
        FirstFrames(gone)
