"""Shots of a session measured alone and together: errors, coverage, ratio. Monte Carlo without pixels.

Run by hand::

    python tests/benchmarks/joint_session.py [SESSIONS] [--shots N] [--bias PX] [--workers N]

Each session has one camera, known through marks clicked to 0.2 px and laid to half a millimetre, one readout time
and one cloth, about which the friction of single shots scatters. `--bias` adds a location error that changes slowly
down the picture and is the same in all shots, which no single fit knows.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))

from simulated_session import MeasuredSession, measure_together, play_session
from simulated_shots import PLACES, Setting

from analyze.fit.quantities import QUANTITIES

JUDGED = ("reading_m", "launch_rad", "swerve_offset_m", "launch_speed_m_s", "rail_speed_m_s")
GRID = tuple(product((1.7, 3.0, 5.5), PLACES, (True, False), (30.0, 60.0)))


def run_session(index: int, shots: int, bias_px: float) -> tuple[Setting, MeasuredSession | None]:
    """Play and measure one session."""
    speed, place, known, rate = GRID[7 * index % len(GRID)]  # 7: a few sessions already cover it
    setting = Setting(place=place, frame_rate=rate, speed_m_s=speed, readout_known=known, solved=True)
    rng = np.random.default_rng([20240611, 313, index])
    return setting, measure_together(*play_session(setting, rng, shots=shots, bias_px=bias_px))


def summarise(name: str, sessions: list[MeasuredSession]) -> str:
    """Return a line for each quantity judged."""
    if not sessions:
        return f"{name}: none"
    lines = []
    for quantity in JUDGED:
        i = QUANTITIES.index(quantity)
        truth, alone, alone_sd, together, together_sd = (
            np.concatenate([getattr(one, part)[:, i] for one in sessions])
            for part in ("truth", "alone", "alone_sd", "together", "together_sd")
        )
        scale = {"d": 180 / np.pi, "m": 1000.0}.get(quantity[-1], 1000.0)
        errors = [scale * np.abs(values - truth) for values in (alone, together)]
        covered = [
            100 * np.mean(np.abs(values - truth) < 1.959964 * sd)
            for values, sd in ((alone, alone_sd), (together, together_sd))
        ]
        lines.append(
            f"{name:18} {quantity:17} n {len(truth):5}"
            f"  median |error| {np.median(errors[0]):.4f} -> {np.median(errors[1]):.4f}"
            f"  rms {np.sqrt(np.mean(errors[0] ** 2)):.4f} -> {np.sqrt(np.mean(errors[1] ** 2)):.4f}"
            f"  stated {scale * np.median(alone_sd):.4f} -> {scale * np.median(together_sd):.4f}"
            f"  covered {covered[0]:.1f} % -> {covered[1]:.1f} %"
        )
    return "\n".join(lines)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sessions", nargs="?", type=int, default=72)
    parser.add_argument("--shots", type=int, default=12)
    parser.add_argument("--bias", type=float, default=0.0)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    n = arguments.sessions
    with ProcessPoolExecutor(arguments.workers) as pool:
        found = list(pool.map(run_session, range(n), [arguments.shots] * n, [arguments.bias] * n))
    print(f"{n} sessions of {arguments.shots} shots; mm, mm/s, degrees; alone -> together")
    kept = [(setting, one) for setting, one in found if one is not None]
    print(f"{len(kept)} have at least four shots that show the end of the slide, and were joined")
    print(
        f"predicted better by {np.median([one.joint.gain for _, one in kept]):.1f} a session (median of log ratios)"
    )
    print(summarise("all", [one for _, one in kept]))
    for place in PLACES:
        print(summarise(place, [one for s, one in kept if s.place == place]))
    for rate in (30.0, 60.0):
        print(summarise(f"{rate:.0f} frames/s", [one for s, one in kept if s.frame_rate == rate]))
    for speed in (1.7, 3.0, 5.5):
        print(summarise(f"{speed} m/s", [one for s, one in kept if s.speed_m_s == speed]))
    for known in (True, False):
        chosen = [one for s, one in kept if s.readout_known == known]
        print(summarise("readout " + ("known" if known else "unknown"), chosen))


if __name__ == "__main__":
    main()
