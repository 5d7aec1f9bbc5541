"""Sounds of a table in a room, made with numpy, and clips that hold them."""

from fractions import Fraction

import av  # noqa: TID251 - the recordings under test are written here
import numpy as np

RATE_HZ = 48_000


def knock(times_s, at_s, amplitude, rng, *, tones, rise_s):
    """Decaying tones from a moment on: (frequency in Hz, time constant in s, share) each."""
    since_s = np.clip(times_s - at_s, 0, None)
    begun = (times_s >= at_s) * (1 - np.exp(-since_s / rise_s))
    return (
        amplitude
        * begun
        * sum(
            share * np.sin(2 * np.pi * hz * since_s + rng.uniform(0, 2 * np.pi)) * np.exp(-since_s / constant_s)
            for hz, constant_s, share in tones
        )
    )


CLICK = ((1900, 0.002, 1.0), (3300, 0.0015, 0.8), (5200, 0.001, 0.5), (8800, 0.0006, 0.3), (13_900, 0.0004, 0.15))
THUD = ((280, 0.020, 1.0), (420, 0.012, 0.8), (900, 0.006, 0.5), (1700, 0.003, 0.2))


def click(times_s, at_s, amplitude, rng):
    """A leather tip on a ball."""
    return knock(times_s, at_s, amplitude, rng, tones=CLICK, rise_s=0.0001)


def thud(times_s, at_s, amplitude, rng):
    """A ball on a cushion."""
    return knock(times_s, at_s, amplitude, rng, tones=THUD, rise_s=0.0007)


def room(n, rng, *, level=0.001):
    """Noise of a microphone, and a hum of eight times its size."""
    slow = np.cumsum(rng.normal(size=n + 998))
    slow = slow[499:-499] - np.convolve(slow, np.ones(999) / 999, "valid")
    return level * (rng.normal(size=n) + 8 * slow / slow.std())


def table_sound(duration_s, strike_s, contact_s, rng, *, amplitude=0.1, level=0.001, rate_hz=RATE_HZ):
    """A strike and a cushion, heard at these moments, in a room."""
    times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    made = click(times_s, strike_s, amplitude, rng) + thud(times_s, contact_s, amplitude, rng)
    return np.clip(made + room(len(times_s), rng, level=level), -1, 1)


def write_sound_clip(path, samples, *, rate_hz=RATE_HZ, codec="aac", fps=60, n_frames=None, starts_s=0.0):
    """Small grey pictures beside a sound, whose first sample is to be heard at `starts_s`."""
    with av.open(str(path), "w") as file:
        video = file.add_stream("libx264", rate=fps)
        video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
        track = file.add_stream(codec, rate=rate_hz)
        track.layout = "mono"
        if codec == "aac":
            track.bit_rate = 96_000
        for k in range(n_frames or int(len(samples) / rate_hz * fps)):
            frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), k % 200, np.uint8), format="rgb24")
            frame.pts, frame.time_base = k, Fraction(1, fps)
            file.mux(video.encode(frame))
        for at in range(0, len(samples), 1024):
            file.mux(track.encode(sound_frame(samples[at : at + 1024], rate_hz, at + round(starts_s * rate_hz))))
        file.mux(video.encode())
        file.mux(track.encode())
    return path


def beside_sound(silent, out, samples, *, slower=1):
    """Copy the pictures of a clip, to play so many times slower, beside a sound."""
    with av.open(str(silent)) as source, av.open(str(out), "w") as sink:
        pictures = source.streams.video[0]
        copied, track = sink.add_stream_from_template(pictures), sink.add_stream("aac", rate=RATE_HZ)
        track.layout, track.bit_rate = "mono", 96_000
        for packet in source.demux(pictures):
            if packet.dts is not None:
                packet.pts, packet.dts, packet.stream = packet.pts * slower, packet.dts * slower, copied
                sink.mux(packet)
        for at in range(0, len(samples), 1024):
            sink.mux(track.encode(sound_frame(samples[at : at + 1024], RATE_HZ, at)))
        sink.mux(track.encode())
    return out


def sound_frame(samples, rate_hz, at):
    """Return an audio frame of floats that begins with sample `at`."""
    frame = av.AudioFrame.from_ndarray(samples[None].astype(np.float32), format="fltp", layout="mono")
    frame.rate, frame.pts, frame.time_base = rate_hz, at, Fraction(1, rate_hz)
    return frame
