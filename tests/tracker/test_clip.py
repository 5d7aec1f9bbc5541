"""Recordings: true times, luma as it was written, and one clear line for what cannot be read."""

from fractions import Fraction

import av  # noqa: TID251 - the recordings under test are written here
import cv2
import numpy as np
import pytest

from calibrate.errors import ClipError
from tracker.clip import clip_info, first_mean, read_frames, still_luma, still_luma_between

TICKS_PER_S = 90000


def write_clip(path, pictures, ticks, *, codec="libx264", pix_fmt="yuv420p", options=None):
    """Write grey pictures at given times; quality high enough to compare brightness."""
    height, width = pictures[0].shape
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=60, options=options or {"crf": "4"})
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        stream.time_base = stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
        for picture, tick in zip(pictures, ticks, strict=True):
            frame = av.VideoFrame.from_ndarray(np.stack([picture] * 3, axis=-1), format="rgb24")
            frame.pts, frame.time_base = int(tick), Fraction(1, TICKS_PER_S)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def turn_file(path, matrix):
    """Write the matrix of the track header, 9 numbers in 16.16 fixed point: ISO/IEC 14496-12, 8.3.2."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 44  # version 0: ten 32-bit words before it, and the name
    scale = np.array([1, 1, 1 << 14] * 3) * 65536
    data[at : at + 36] = (np.array(matrix) * scale).astype(">i4").tobytes()
    path.write_bytes(data)
    return path


def pictures(n=40, height=96, width=160):
    """Smooth pictures that grow brighter; wider than high, and no two columns alike."""
    ramp = np.linspace(30, 150, width)[None, :] + np.linspace(0, 40, height)[:, None]
    return [(ramp + i).astype(np.uint8) for i in range(n)]


def phone_ticks(rng, n=40):
    """60 frames a second with jitter of 0.5 ms, the 11th and 12th frame dropped."""
    ticks = np.arange(n + 2) * 1500 + np.round(rng.normal(0, 0.0005, n + 2) * TICKS_PER_S)
    return np.delete(ticks - ticks[0], [10, 11])


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    ticks = phone_ticks(np.random.default_rng(20240611))
    return write_clip(tmp_path_factory.mktemp("clips") / "shot.mp4", pictures(), ticks), ticks


def test_times_are_those_of_the_file(clip):
    path, ticks = clip
    times = [frame.time_s for frame in read_frames(path)]
    np.testing.assert_allclose(
        times, ticks / TICKS_PER_S, rtol=0, atol=1e-4
    )  # the container rounds to its own ticks


def test_frame_rate_bridges_dropped_frames(clip):
    """59.9 and 60.1 are 0.2 % of a speed; counting frames over time would say 57.1."""
    info = clip_info(clip[0])
    assert info.frame_rate == pytest.approx(60, rel=0.002)
    assert info.n_frames == 40
    assert info.size_px == (160, 96)
    assert info.readout_way == (0, 1)


def test_slow_motion_runs_on_the_camera_s_clock(clip):
    path, ticks = clip
    times = np.array([frame.time_s for frame in read_frames(path, capture_fps=240)])
    np.testing.assert_allclose(times[-1] - times[0], (ticks[-1] - ticks[0]) / TICKS_PER_S / 4, rtol=0.003)


def test_luma_is_that_of_the_picture(clip):
    """BT.601 limited range: Y = 16 + 219/255 grey (ITU-R BT.601); an 8-bit codec at high quality errs by 2."""
    for frame, picture in zip(read_frames(clip[0]), pictures(), strict=True):
        np.testing.assert_allclose(frame.luma, 16 + picture.astype(float) * 219 / 255, rtol=0, atol=4)


def test_full_range_is_told_from_the_usual_range(tmp_path, clip):
    """Grey level 0 or 16 is black: ITU-R BT.709 has 16 to 235, JPEG-style video 0 to 255."""
    full = write_clip(tmp_path / "full.mp4", pictures(3), [0, 1500, 3000], pix_fmt="yuvj420p")
    assert clip_info(full).full_range
    assert not clip_info(clip[0]).full_range


@pytest.mark.parametrize(
    ("matrix", "turns", "way"),
    [
        ((-1, 0, 0, 0, -1, 0, 160, 96, 1), 2, (0, -1)),  # a phone held upside down
        ((0, 1, 0, -1, 0, 0, 96, 0, 1), 3, (-1, 0)),  # upright: x' = 96 - y, y' = x
    ],
)
def test_turned_recordings_are_shown_upright_and_read_out_as_recorded(tmp_path, matrix, turns, way):
    path = turn_file(write_clip(tmp_path / "turned.mp4", pictures(3), [0, 1500, 3000]), matrix)
    for frame, picture in zip(read_frames(path), pictures(3), strict=True):
        shown = np.rot90(16 + picture.astype(float) * 219 / 255, turns)
        np.testing.assert_allclose(frame.luma, shown, rtol=0, atol=4)
    assert clip_info(path).readout_way == way
    assert clip_info(path).size_px == shown.shape[::-1]


def test_ten_bit_recordings_give_the_same_luma(tmp_path, clip):
    path = write_clip(
        tmp_path / "ten.mkv", pictures(3), [0, 1500, 3000], codec="ffv1", pix_fmt="yuv420p10le", options={}
    )
    for frame, picture in zip(read_frames(path), pictures(3), strict=True):
        assert frame.luma.dtype == np.uint8
        np.testing.assert_allclose(frame.luma, 16 + picture.astype(float) * 219 / 255, rtol=0, atol=2)


def test_a_recording_shown_mirrored_is_refused(tmp_path):
    """x' = 160 - x: as a front camera may store it."""
    path = turn_file(
        write_clip(tmp_path / "mirrored.mp4", pictures(3), [0, 1500, 3000]), (-1, 0, 0, 0, 1, 0, 160, 0, 1)
    )
    for read in (clip_info, still_luma):
        with pytest.raises(ClipError, match="asks to be shown mirrored"):
            read(path)


def test_a_picture_larger_than_any_camera_s_is_refused_before_it_is_decoded(tmp_path, monkeypatch):
    path = write_clip(tmp_path / "large.mp4", pictures(3), [0, 1500, 3000])
    monkeypatch.setattr("tracker.clip.MOST_PIXELS", 160 * 96 - 1)
    monkeypatch.setattr("av.video.frame.VideoFrame.to_ndarray", None)
    for read in (clip_info, still_luma, lambda path: next(read_frames(path))):
        with pytest.raises(ClipError, match="says that its picture has 160 x 96 px, more than any camera's"):
            read(path)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("index-first.mp4", {"movflags": "faststart"}),
        ("fragments.mp4", {"movflags": "frag_keyframe+empty_moov"}),
        ("clip.mkv", {}),
        ("clip.avi", {}),
    ],
)
@pytest.mark.parametrize("share", [0.6, 0.95])
def test_a_recording_cut_short_says_so(tmp_path, name, options, share):
    """Whole, nothing is missing; cut, either the file cannot be opened or the missing bytes are counted."""
    whole = tmp_path / name
    with av.open(str(whole), "w", options=options) as container:
        stream = container.add_stream("libx264", rate=60, options={"g": "10", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        for picture in pictures():
            frame = av.VideoFrame.from_ndarray(np.stack([picture] * 3, axis=-1), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    assert clip_info(whole).missing_bytes == 0
    data = whole.read_bytes()
    whole.write_bytes(data[: int(share * len(data))])
    try:
        assert clip_info(whole).missing_bytes > 0
    except ClipError as error:
        assert "cut short" in str(error)  # noqa: PT017 - either is right


def test_a_picture_larger_than_any_camera_s_is_refused_unread(tmp_path):
    """The header of the stream says 16384 x 8192 (RIFF: BITMAPINFOHEADER), and the file holds nothing like it."""
    path = write_clip(tmp_path / "giant.avi", pictures(3), [0, 1500, 3000], codec="ffv1", options={"level": "3"})
    data = bytearray(path.read_bytes())
    at = data.index(b"strf") + 12
    data[at : at + 8] = np.array([16384, 8192], dtype="<i4").tobytes()
    path.write_bytes(data)
    with pytest.raises(ClipError, match="16384 x 8192 px, more than any camera's"):
        clip_info(path)


def test_a_damaged_frame_ends_the_recording_there(tmp_path):
    """Unasked, a decoder paints over what it cannot read, and the ball with it."""
    path = write_clip(
        tmp_path / "hurt.mp4", pictures(), [i * 1500 for i in range(40)], options={"crf": "4", "g": "5"}
    )
    data = bytearray(path.read_bytes())
    start = data.index(b"mdat")
    for at in range(start + (len(data) - start) // 2, start + (len(data) - start) // 2 + 400):
        data[at] ^= 0x5A
    path.write_bytes(data)
    seen = []
    with pytest.raises(ClipError, match="damaged after"):
        seen.extend(frame.time_s for frame in read_frames(path))
    assert 5 <= len(seen) < 40


def test_a_thumbnail_is_not_the_recording(tmp_path):
    path = tmp_path / "two.mkv"
    with av.open(str(path), "w") as container:
        small, large = (container.add_stream("libx264", rate=60) for _ in range(2))
        small.width, small.height, small.pix_fmt = 64, 48, "yuv420p"
        large.width, large.height, large.pix_fmt = 160, 96, "yuv420p"
        for stream in (small, large):
            for _ in range(10):
                container.mux(stream.encode(av.VideoFrame(stream.width, stream.height, "yuv420p")))
            container.mux(stream.encode())
    assert clip_info(path).size_px == (160, 96)


def test_still_luma_is_the_mean_of_the_first_frames(clip):
    mean = still_luma(clip[0], count=5)
    np.testing.assert_allclose(mean, 16 + np.mean(pictures()[:5], axis=0) * 219 / 255, rtol=0, atol=2)


def test_still_luma_between_two_times_is_the_mean_of_the_frames_there(clip):
    times_s = [frame.time_s for frame in read_frames(clip[0])]
    mean = still_luma_between(clip[0], times_s[20], times_s[24] + 1e-4)
    np.testing.assert_allclose(mean, 16 + np.mean(pictures()[20:25], axis=0) * 219 / 255, rtol=0, atol=2)
    slow_s = [frame.time_s for frame in read_frames(clip[0], capture_fps=240)]
    again = still_luma_between(clip[0], slow_s[20] - 1e-4, slow_s[24] + 1e-4, capture_fps=240)
    np.testing.assert_array_equal(again, mean)
    assert still_luma_between(clip[0], times_s[-1] + 1, times_s[-1] + 2) is None


def test_the_mean_of_more_bright_pictures_than_two_bytes_hold_the_sum_of_is_their_mean(tmp_path):
    """A whole sum of 256 at a time, and what is left: 513 of 255 and 87 of 0, pixel for pixel."""
    pictures = [np.full((2, 3), 255, np.uint8)] * 513 + [np.zeros((2, 3), np.uint8)] * 87
    for count in (257, 258, 512, 513, 600):
        mean = first_mean(tmp_path, pictures, count)
        np.testing.assert_allclose(mean, 255 * min(count, 513) / count * np.ones((2, 3)), rtol=1e-12)


def test_still_luma_reads_images(tmp_path):
    picture = pictures(1)[0]
    cv2.imwrite(str(tmp_path / "table.png"), picture)
    np.testing.assert_array_equal(still_luma(tmp_path / "table.png"), picture)
    with pytest.raises(ClipError, match="not an image that can be read"):
        still_luma(tmp_path / "missing.png")


def test_what_cannot_be_read_is_said_in_one_line(tmp_path, clip):
    text, empty, cut = tmp_path / "notes.mp4", tmp_path / "empty.mp4", tmp_path / "cut.mp4"
    text.write_text("this is no video\n" * 50)
    empty.touch()
    cut.write_bytes(clip[0].read_bytes()[:900])
    for path, words in (
        (tmp_path / "none.mp4", "no such file"),
        (empty, "the file is empty"),
        (text, "not a video that can be read"),
        (cut, "copy it from the phone again"),
    ):
        with pytest.raises(ClipError, match=words) as caught:
            clip_info(path)
        assert "\n" not in str(caught.value)
        assert path.name in str(caught.value)
