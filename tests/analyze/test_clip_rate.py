"""A rate that the file itself contradicts is refused before anything is measured, with the rate to set."""

from fractions import Fraction

import av  # noqa: TID251 - the recording under test is written here
import numpy as np
import pytest
from simulated_shots import as_measured, true_calibration

from analyze.fit.reasons import WRONG_CLOCK
from analyze.fit.shot import Status
from analyze.measure.clip import ClipJob, measure_clip
from analyze.session.camera_place import CameraPlace
from tracker.clip import clip_info
from tracker.readout import ASSUMED_READOUT
from tracker.reasons import PICTURE_SIZE


def write_clip(path, *, plays_fps, tag=None):
    """A grey recording, with the rate of the camera in the metadata as phones write it."""
    with av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as container:
        if tag is not None:
            container.metadata["org.example.capture.fps"] = tag
        stream = container.add_stream("libx264", rate=plays_fps)
        stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv420p"
        for k in range(8):
            frame = av.VideoFrame.from_ndarray(np.full((64, 96, 3), 80 + k, np.uint8), format="rgb24")
            frame.pts, frame.time_base = k, Fraction(1, plays_fps)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


@pytest.mark.parametrize(
    ("plays_fps", "tag", "stated_fps", "advice"),
    [
        (30, "240.000000", None, "set capture_fps = 240"),
        (30, "240.000000", 120, "set capture_fps = 240"),
        (60, None, 30, "take capture_fps out"),
        (30, "240.000000", 240, None),
        (60, "59.94", None, None),
        (60, "?", 60, None),
        (30, None, 240, None),
    ],
)
def test_a_rate_that_the_file_contradicts_is_refused(tmp_path, plays_fps, tag, stated_fps, advice):
    path = write_clip(tmp_path / "shot.mp4", plays_fps=plays_fps, tag=tag)
    rng = np.random.default_rng(20240611)
    job = ClipJob(
        clip="shot.mp4",
        path=path,
        places=(CameraPlace(calibration=as_measured(true_calibration("side", rng), rng)),),
        capture_fps=stated_fps,
        readout=ASSUMED_READOUT,
    )
    (shot,) = measure_clip(job)
    assert shot.status is Status.FAILED
    # where the rate can be right, the next thing that is wrong with so small a picture is said
    assert shot.reason is (PICTURE_SIZE if advice is None else WRONG_CLOCK)
    assert advice is None or advice in shot.detail


def test_the_rate_of_the_camera_is_read_from_the_file(tmp_path):
    assert clip_info(write_clip(tmp_path / "slow.mov", plays_fps=30, tag="239.76")).capture_fps == 239.76
    assert clip_info(write_clip(tmp_path / "plain.mp4", plays_fps=30)).capture_fps is None
