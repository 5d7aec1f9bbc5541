"""What phones write: whatever the container and codec, frames and times are those that were recorded."""

from fractions import Fraction

import av  # noqa: TID251 - the recordings under test are written here
import numpy as np
import pytest

from tracker.clip import clip_info, frame_times_s, read_frames, read_keyframes

N = 48
TICKS = Fraction(1, 90000)
HEVC = {
    "codec": "libx265",
    "options": {"crf": "4", "x265-params": "keyint=12:bframes=3:log-level=none"},
}


def brightness(n=N):
    """Each picture is brighter than the one before, so that none can be taken for another."""
    ramp = np.linspace(30, 120, 160)[None] + np.linspace(0, 30, 96)[:, None]
    return [(ramp + 2 * i).astype(np.uint8) for i in range(n)]


def write(path, *, video=None, muxer=None, form=None, rate=60, audio=False, pictures=N):
    """Write pictures with B-frames and a keyframe in twelve, beside sound where asked."""
    with av.open(str(path), "w", format=form, options=muxer or {}) as sink:
        coded = {"codec": "libx264", "options": {"crf": "4", "g": "12", "bf": "3"}} | (video or {})
        stream = sink.add_stream(coded["codec"], rate=rate, options=coded["options"])
        stream.width, stream.height, stream.pix_fmt = 160, 96, coded.get("pix_fmt", "yuv420p")
        stream.time_base = stream.codec_context.time_base = TICKS
        stream.codec_context.color_trc = coded.get("transfer", 2)
        sound = sink.add_stream("aac", rate=48000) if audio else None
        for i, picture in enumerate(brightness(pictures)):
            frame = av.VideoFrame.from_ndarray(np.stack([picture] * 3, axis=-1), format="rgb24")
            frame.pts, frame.time_base = i * 90000 // rate, TICKS
            sink.mux(stream.encode(frame))
            if sound is not None:
                hum = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.float32), format="fltp", layout="mono")
                hum.rate, hum.pts = 48000, 800 * i
                sink.mux(sound.encode(hum))
        for one in (stream, sound):
            if one is not None:
                sink.mux(one.encode())
    return path


WAYS = {
    "B-frames and an edit list": ("shot.mp4", {}),
    "other brand of container": ("shot.mov", {}),
    "negative offsets": ("shot.mp4", {"muxer": {"movflags": "negative_cts_offsets"}}),
    "HEVC": ("shot.mp4", {"video": HEVC}),
    "HEVC, 10 bits": ("shot.mov", {"video": HEVC | {"pix_fmt": "yuv420p10le"}}),
    "10 bits, 4:2:2": ("shot.mov", {"video": {"pix_fmt": "yuv422p10le"}}),
    "full range": ("shot.mp4", {"video": {"pix_fmt": "yuvj420p"}}),
    "with sound": ("shot.mp4", {"audio": True}),
    "in fragments, no index": ("shot.mp4", {"muxer": {"movflags": "frag_keyframe+empty_moov"}}),
    "live, no index and no duration": ("shot.mkv", {"form": "matroska", "muxer": {"live": "1"}}),
    "transport stream, no index": ("shot.mts", {"form": "mpegts"}),
    "240 a second stored at 30": ("shot.mp4", {"rate": 30}),
}


@pytest.mark.parametrize("way", WAYS)
def test_frames_and_times_are_those_recorded(tmp_path, way):
    name, options = WAYS[way]
    path = write(tmp_path / name, **options)
    rate, capture_fps = options.get("rate", 60), 240 if "240" in way else None
    info = clip_info(path)
    frames = [(frame.time_s, float(frame.luma.mean())) for frame in read_frames(path, capture_fps=capture_fps)]
    times_s, light = np.array(frames).T
    assert info.n_frames == len(frames) == N
    assert info.frame_rate == pytest.approx(rate, rel=1e-3)
    # Matroska keeps whole milliseconds.
    np.testing.assert_allclose(times_s - times_s[0], np.arange(N) / (capture_fps or rate), rtol=0, atol=6e-4)
    # grey levels 0 to 255 lie within 16 to 235, in full range they are kept: ITU-R BT.709
    shown = np.mean(brightness(), axis=(1, 2)) * (1 if info.full_range else 219 / 255)
    np.testing.assert_allclose(light, shown + (0 if info.full_range else 16), rtol=0, atol=2)
    np.testing.assert_allclose(frame_times_s(path, capture_fps=capture_fps), times_s, rtol=0, atol=1e-9)


@pytest.mark.parametrize("way", WAYS)
def test_a_part_is_the_same_as_in_the_whole(tmp_path, way):
    name, options = WAYS[way]
    path = write(tmp_path / name, **options)
    whole = [(frame.time_s, float(frame.luma.mean())) for frame in read_frames(path)]
    for first, last in ((0, 5), (13, 20), (20, 30), (47, 47)):
        span = {"from_s": whole[first][0] - 1e-4, "until_s": whole[last][0] + 1e-4}
        part = [(frame.time_s, float(frame.luma.mean())) for frame in read_frames(path, **span)]
        assert part == whole[first : last + 1]
    keys = [(frame.time_s, float(frame.luma.mean())) for frame in read_keyframes(path)]
    assert 4 <= len(keys) <= 6
    assert set(keys) <= set(whole)


def test_a_recording_trimmed_on_the_phone_begins_where_its_edit_list_says(tmp_path):
    """Trimming keeps the frames before and has players leave them out: ISO/IEC 14496-12, 8.6.6."""
    path = write(tmp_path / "trimmed.mp4")
    data = bytearray(path.read_bytes())
    at = data.index(b"elst") + 16  # version 0, one entry: duration, media time
    start = int.from_bytes(data[at : at + 4], "big")
    data[at : at + 4] = (start + 18 * 1500).to_bytes(4, "big")
    path.write_bytes(data)
    frames = [(frame.time_s, float(frame.luma.mean())) for frame in read_frames(path)]
    info = clip_info(path)
    assert info.n_frames == len(frames) == N - 18
    assert info.first_s == frames[0][0] == 0.0
    assert frames[0][1] == pytest.approx(16 + brightness()[18].mean() * 219 / 255, abs=2)
    np.testing.assert_allclose(frame_times_s(path), [time_s for time_s, _ in frames], rtol=0, atol=1e-9)
