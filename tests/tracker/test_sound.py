"""Knocks are heard when they were made, in whatever a file keeps them; slowed sound reaches less high."""

import subprocess
import sys
from fractions import Fraction

import av  # noqa: TID251 - recordings under test are written here
import numpy as np
import pytest
from room_sounds import RATE_HZ, click, room, sound_frame, table_sound, write_sound_clip
from scipy.signal import resample

from tracker.clip import clip_info
from tracker.listen import hear
from tracker.onsets import find_onsets
from tracker.slowed import slowed_less_than
from tracker.sound import Sound, read_sound

SEED = 20240611
STRIKE_S, CONTACT_S = 0.8313, 1.6971


def heard_in(samples, *, rate_hz=RATE_HZ, first_s=0.0):
    return find_onsets(Sound(first_s=first_s, rate_hz=rate_hz, samples=samples))


@pytest.mark.parametrize(("amplitude", "level"), [(0.3, 0.001), (0.05, 0.001), (0.3, 0.006)])
def test_a_strike_and_a_cushion_are_heard_when_they_were_made(amplitude, level):
    """Within four stated standard uncertainties in each of twenty rooms, and nothing else is heard."""
    rng = np.random.default_rng(SEED)
    for _ in range(20):
        at_s = STRIKE_S + rng.uniform(0, 0.01), CONTACT_S + rng.uniform(0, 0.01)
        onsets = heard_in(table_sound(2.4, *at_s, rng, amplitude=amplitude, level=level))
        assert len(onsets.times_s) == 2
        assert (np.abs(onsets.times_s - at_s) < 4 * onsets.sds_s).all()
        assert (onsets.sds_s < 0.002).all()


def test_a_room_and_a_voice_that_swells_are_no_knocks():
    rng = np.random.default_rng(SEED)
    times_s = np.arange(3 * RATE_HZ) / RATE_HZ
    swells = 0.1 * np.sin(np.pi * times_s / 0.4) ** 2
    voice = sum(swells / k * np.sin(2 * np.pi * 180 * k * times_s) for k in range(1, 20))
    assert len(heard_in(room(len(times_s), rng)).times_s) == 0
    assert len(heard_in(room(len(times_s), rng) + voice).times_s) == 0


def test_an_echo_is_no_knock_of_its_own_unless_it_is_as_loud():
    rng = np.random.default_rng(SEED)
    times_s = np.arange(2 * RATE_HZ) / RATE_HZ
    for share, heard in ((0.3, 1), (1.0, 2)):
        made = click(times_s, 0.9, 0.2, rng) + click(times_s, 0.921, 0.2 * share, rng)
        assert len(heard_in(made + room(len(times_s), rng)).times_s) == heard


# as phones, cameras and converters write sound
FILES = {
    "mp4": ("shot.mp4", {}),
    "mp4, 44.1 kHz": ("shot.mp4", {"rate_hz": 44_100}),
    "mov, sound that begins later": ("shot.mov", {"starts_s": 0.35}),
    "Matroska, Opus": ("shot.mkv", {"codec": "libopus"}),
    "mov, 16 bits": ("shot.mov", {"codec": "pcm_s16le"}),
    "AVI, 8 bits": ("shot.avi", {"codec": "pcm_u8"}),
}


@pytest.mark.parametrize("way", FILES)
def test_sound_lies_on_the_time_base_of_the_frames(tmp_path, way):
    """The delay of a coder (AAC 1024 samples, 21 ms; Opus 312, 6.5 ms) is not heard."""
    name, options = FILES[way]
    rng = np.random.default_rng(SEED)
    rate_hz, starts_s = options.get("rate_hz", RATE_HZ), options.get("starts_s", 0.0)
    level = 0.01 if "8 bits" in way else 0.001
    samples = table_sound(
        2.4 - starts_s, STRIKE_S - starts_s, CONTACT_S - starts_s, rng, level=level, amplitude=0.4, rate_hz=rate_hz
    )
    path = write_sound_clip(tmp_path / name, samples, n_frames=144, **options)
    for from_s, until_s in ((0.0, 2.4), (0.6, 2.0)):
        onsets = find_onsets(read_sound(path, from_s=from_s, until_s=until_s))
        # Matroska keeps whole milliseconds
        np.testing.assert_allclose(onsets.times_s, [STRIKE_S, CONTACT_S], rtol=0, atol=0.0012)


def test_sound_whose_times_are_rounded_is_not_torn(tmp_path):
    """Matroska tells times in milliseconds (RFC 9559, section 11.1): a hum goes on as a sine does."""
    rng = np.random.default_rng(SEED)
    times_s = np.arange(round(2.4 * RATE_HZ)) / RATE_HZ
    hum = 0.2 * np.sin(2 * np.pi * 60 * times_s)
    path = write_sound_clip(tmp_path / "hum.mkv", hum, codec="pcm_s16le", n_frames=144)
    samples = read_sound(path, from_s=0.0, until_s=2.4).samples
    step = 2.0**-15
    assert np.abs(np.diff(samples, 2)).max() < 0.2 * (2 * np.pi * 60 / RATE_HZ) ** 2 + 4 * step
    room_s = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.1)
    path = write_sound_clip(tmp_path / "shot.mkv", room_s + hum, codec="pcm_s16le", n_frames=144)
    onsets = find_onsets(read_sound(path, from_s=0.3, until_s=2.2))
    np.testing.assert_allclose(onsets.times_s, [STRIKE_S, CONTACT_S], rtol=0, atol=0.0012)


def test_a_gap_in_the_sound_stays_one(tmp_path):
    """A tenth of a second that is missing: what follows lies where its times say."""
    rng = np.random.default_rng(SEED)
    samples = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3).astype(np.float32)
    path = tmp_path / "gap.mkv"
    with av.open(str(path), "w") as file:
        track = file.add_stream("pcm_s16le", rate=RATE_HZ)
        track.layout = "mono"
        for at in range(0, len(samples), 960):
            if not 1.2 <= at / RATE_HZ < 1.3:
                file.mux(track.encode(sound_frame(samples[at : at + 960], RATE_HZ, at)))
        file.mux(track.encode())
    read = read_sound(path, from_s=0.0, until_s=2.4)
    first, last = round(1.2 * RATE_HZ), round(1.3 * RATE_HZ)
    assert not read.samples[first:last].any()
    np.testing.assert_allclose(read.samples[last:], samples[last:], rtol=0, atol=1e-4)


def test_a_recording_trimmed_on_the_phone_is_heard_as_it_is_shown(tmp_path):
    """An edit list that begins later in both tracks: ISO/IEC 14496-12, 8.6.6."""
    rng = np.random.default_rng(SEED)
    path = write_sound_clip(tmp_path / "trimmed.mp4", table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3))
    data = bytearray(path.read_bytes())
    at, cut_s = -1, 0.3
    for ticks_s in (15_360, RATE_HZ):  # of the picture's track, as FFmpeg writes it, and of the sound's
        at = data.index(b"elst", at + 1)
        entry = at + 16  # version 0, one entry: duration, media time
        start = int.from_bytes(data[entry : entry + 4], "big")
        data[entry : entry + 4] = (start + round(cut_s * ticks_s)).to_bytes(4, "big")
    path.write_bytes(data)
    assert clip_info(path).n_frames == 126
    onsets = find_onsets(read_sound(path, from_s=0.0, until_s=2.4))
    np.testing.assert_allclose(onsets.times_s, [STRIKE_S - cut_s, CONTACT_S - cut_s], rtol=0, atol=0.0012)


def test_the_louder_of_two_microphones_is_heard(tmp_path):
    rng = np.random.default_rng(SEED)
    loud = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3).astype(np.float32)
    path = tmp_path / "two.mov"
    with av.open(str(path), "w") as file:
        track = file.add_stream("pcm_s16le", rate=RATE_HZ)
        track.layout = "stereo"
        frame = sound_frame(loud, RATE_HZ, 0)
        both = np.stack([0.001 * loud, loud], axis=1).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(both, format="flt", layout="stereo")
        frame.rate, frame.pts = RATE_HZ, 0
        file.mux(track.encode(frame))
        file.mux(track.encode())
    sound = read_sound(path, from_s=0.0, until_s=3.0)
    np.testing.assert_allclose(sound.samples, loud, rtol=0, atol=1e-4)


def test_no_sound_and_a_damaged_one_are_none(tmp_path):
    rng = np.random.default_rng(SEED)
    path = write_sound_clip(tmp_path / "shot.mp4", table_sound(1.0, 0.5, 0.8, rng))
    assert read_sound(path, from_s=5.0, until_s=6.0) is None
    assert read_sound(tmp_path / "missing.mp4", from_s=0.0, until_s=1.0) is None
    (tmp_path / "list.mp4").write_text("ffconcat version 1.0\nfile shot.mp4\n")
    assert read_sound(tmp_path / "list.mp4", from_s=0.0, until_s=1.0) is None
    path.write_bytes(path.read_bytes()[:-4000])  # its index is at the end
    assert read_sound(path, from_s=0.0, until_s=1.0) is None


def read_apart(path):
    """Number of samples read of a recording's first two seconds, in a process of its own; nought of none."""
    script = (
        "import sys\nfrom pathlib import Path\nfrom tracker.sound import read_sound\n"
        "found = read_sound(Path(sys.argv[1]), from_s=0.0, until_s=2.0)\n"
        "print(0 if found is None else len(found.samples))"
    )
    done = subprocess.run([sys.executable, "-c", script, path], check=True, capture_output=True, text=True)
    return int(done.stdout)


def test_a_sound_that_is_damaged_to_more_channels_than_it_holds_does_not_end_the_process(tmp_path):
    """ISO/IEC 14496-3, 1.6.2.1: the channel configuration of one channel becomes that of eight."""
    rng = np.random.default_rng(SEED)
    path = write_sound_clip(tmp_path / "shot.mp4", table_sound(2.4, STRIKE_S, CONTACT_S, rng))
    assert read_apart(path) > RATE_HZ
    data = bytearray(path.read_bytes())
    at = data.index(b"\x11\x88", data.index(b"esds"))  # AAC-LC, 48 kHz, configuration 1
    data[at + 1] = 0xB8  # 7
    path.write_bytes(data)
    assert read_apart(path) == 0


@pytest.mark.parametrize(("codec", "layout", "read"), [("aac", "7.1", False), ("aac", "5.1", True)])
def test_more_planes_than_are_read_are_no_sound(tmp_path, codec, layout, read):
    rng = np.random.default_rng(SEED)
    path = tmp_path / "many.mkv"
    with av.open(str(path), "w") as file:
        track = file.add_stream(codec, rate=RATE_HZ)
        track.layout = layout
        many = len(track.layout.channels)
        samples = table_sound(2.4, STRIKE_S, CONTACT_S, rng).astype(np.float32)
        for at in range(0, len(samples), 1024):
            piece = np.repeat(samples[at : at + 1024], many)[None]
            frame = av.AudioFrame.from_ndarray(piece, format="flt", layout=layout)
            frame.rate, frame.pts, frame.time_base = RATE_HZ, at, Fraction(1, RATE_HZ)
            for planar in av.AudioResampler(format="fltp", layout=layout, rate=RATE_HZ).resample(frame):
                file.mux(track.encode(planar))
        file.mux(track.encode())
    assert (read_apart(path) > RATE_HZ) is read


@pytest.mark.parametrize(
    ("name", "codec", "level"),
    [("c.mov", "pcm_s16le", -1 / 32768), ("c.avi", "pcm_u8", -1 / 128), ("c.mov", "pcm_s16le", 0.5)],
)
def test_a_sound_that_does_not_move_says_nothing(tmp_path, name, codec, level):
    """A microphone that is muted beside an offset; in 8 bits without sign 127 is the step below the middle."""
    path = write_sound_clip(tmp_path / name, np.full(round(2.4 * RATE_HZ), level), codec=codec, n_frames=144)
    assert np.ptp(read_sound(path, from_s=0.0, until_s=2.4).samples) == 0
    heard = hear(clip_info(path), strike_s=STRIKE_S, contact_s=CONTACT_S, slowdown=1.0)
    assert len(heard.times_s) == 0
    assert heard.slowed_less_than == np.inf


def test_numbers_that_are_no_sound_are_left_out(tmp_path):
    """Floating point can hold infinity, what is no number, and what no microphone gives."""
    rng = np.random.default_rng(SEED)
    samples = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3)
    hurt = samples.copy()
    hurt[200::4801], hurt[300::4801], hurt[400::4801] = np.nan, np.inf, 1e30
    path = write_sound_clip(tmp_path / "hurt.mov", hurt, codec="pcm_f32le", n_frames=144)
    read = read_sound(path, from_s=0.0, until_s=2.4).samples
    np.testing.assert_allclose(read, np.where(np.abs(hurt) < 1, samples, 0.0), rtol=0, atol=1e-6)
    heard = hear(clip_info(path), strike_s=STRIKE_S, contact_s=CONTACT_S, slowdown=1.0)
    assert np.isfinite(heard.times_s).all()


def test_the_louder_microphone_is_not_that_with_the_larger_offset(tmp_path):
    rng = np.random.default_rng(SEED)
    loud = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3).astype(np.float32)
    path = tmp_path / "two.mov"
    with av.open(str(path), "w") as file:
        track = file.add_stream("pcm_s16le", rate=RATE_HZ)
        track.layout = "stereo"
        both = np.stack([0.001 * loud + 0.3, loud], axis=1).astype(np.float32).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(both, format="flt", layout="stereo")
        frame.rate, frame.pts = RATE_HZ, 0
        file.mux(track.encode(frame))
        file.mux(track.encode())
    sound = read_sound(path, from_s=0.0, until_s=3.0)
    np.testing.assert_allclose(sound.samples, loud, rtol=0, atol=1e-4)


def slowed(path, out, chain):
    """Send a sound through a chain of FFmpeg's filters."""
    with av.open(str(path)) as source:
        track = source.streams.audio[0]
        graph = av.filter.Graph()
        nodes = [graph.add_abuffer(template=track)]
        nodes += [graph.add(name, options) for name, options in chain]
        nodes += [graph.add("aformat", "sample_fmts=fltp"), graph.add("abuffersink")]
        graph.link_nodes(*nodes).configure()
        pieces = []
        for frame in [*source.decode(track), None]:
            graph.push(frame)
            while True:
                try:
                    pieces.append(graph.pull().to_ndarray()[0])
                except (av.error.BlockingIOError, av.error.EOFError):
                    break
    return write_sound_clip(out, np.concatenate(pieces).astype(float))


@pytest.mark.parametrize("times", [2, 4, 8])
def test_sound_that_was_slowed_with_the_picture_reaches_less_high(tmp_path, times):
    """FFmpeg plays 48,000 samples a second as 48,000 / `times` of them, and makes 48,000 of these again."""
    rng = np.random.default_rng(SEED)
    path = write_sound_clip(tmp_path / "life.mp4", table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3))
    chain = [("asetrate", str(RATE_HZ // times)), ("aresample", str(RATE_HZ))]
    slow = slowed(path, tmp_path / "slow.mp4", chain)
    span = {"from_s": 0.0, "until_s": 2.4 * times}
    assert slowed_less_than(read_sound(path, **span)) == 2
    assert slowed_less_than(read_sound(slow, **span)) == 2 * times
    onsets = find_onsets(read_sound(slow, **span))
    for at_s in (STRIKE_S * times, CONTACT_S * times):
        assert np.min(np.abs(onsets.times_s - at_s)) < 0.001 * times


@pytest.mark.parametrize("times", [2, 4, 8])
def test_sound_slowed_by_a_straight_line_from_sample_to_sample_is_known_too(tmp_path, times):
    """The poorest way to do it, which leaves mirror images of the sound above its end."""
    rng = np.random.default_rng(SEED)
    life = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3)
    longer = np.interp(np.arange(len(life) * times) / times, np.arange(len(life)), life)
    path = write_sound_clip(tmp_path / "slow.mp4", longer)
    assert slowed_less_than(read_sound(path, from_s=0.0, until_s=2.4 * times)) > times


@pytest.mark.parametrize("times", [2, 4, 8])
def test_what_rounding_adds_after_a_sound_was_slowed_is_no_room(times):
    """Triangular dither of two steps, as editors add it (Vanderkooy and Lipshitz 1984; from memory)."""
    rng = np.random.default_rng(SEED)
    life = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3, level=0.0)
    steps = 2**15 * resample(life, times * len(life))
    rounded = np.round(steps + rng.uniform(-0.5, 0.5, len(steps)) + rng.uniform(-0.5, 0.5, len(steps))) / 2**15
    assert slowed_less_than(Sound(first_s=0.0, rate_hz=RATE_HZ, samples=rounded)) > times


@pytest.mark.parametrize("level", [0.0001, 0.001, 0.01])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_sound_in_real_time_is_known_in_quiet_and_noisy_rooms(tmp_path, level, rate_hz):
    rng = np.random.default_rng(SEED)
    life = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3, level=level, rate_hz=rate_hz)
    path = write_sound_clip(tmp_path / "life.mp4", life, rate_hz=rate_hz)
    assert slowed_less_than(read_sound(path, from_s=0.5, until_s=2.0)) <= 4


def test_only_what_is_round_a_shot_is_listened_to_on_its_own_clock(tmp_path):
    """A clip that plays at 60 and says 240 frames a second, sound and all: its clock counts a quarter."""
    rng = np.random.default_rng(SEED)
    path = write_sound_clip(tmp_path / "shot.mp4", table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3))
    heard = hear(clip_info(path), strike_s=STRIKE_S / 4, contact_s=CONTACT_S / 4, slowdown=0.25)
    assert heard.clock_s_per_s == 0.25
    assert heard.from_s == pytest.approx(STRIKE_S - 0.3, abs=1e-3)
    assert heard.sound_s(STRIKE_S / 4) == pytest.approx(STRIKE_S)
    np.testing.assert_allclose(heard.times_s, [STRIKE_S, CONTACT_S], rtol=0, atol=0.001)


def test_sound_that_was_not_slowed_with_the_picture_is_found_where_it_is(tmp_path):
    """240 frames a second that play at 30, beside sound as it was: 1/8 as long as the picture."""
    rng = np.random.default_rng(SEED)
    samples = table_sound(2.4, STRIKE_S, CONTACT_S, rng, amplitude=0.3)
    path = write_sound_clip(tmp_path / "shot.mp4", samples, fps=30, n_frames=round(2.4 * 240))
    heard = hear(clip_info(path), strike_s=STRIKE_S * 8, contact_s=CONTACT_S * 8, slowdown=1.0)
    assert heard.clock_s_per_s == 8
    assert heard.sound_s(STRIKE_S * 8) == pytest.approx(STRIKE_S)
    np.testing.assert_allclose(heard.times_s, [STRIKE_S, CONTACT_S], rtol=0, atol=0.001)
