"""Whether the intervals of the cue's numbers hold the truth: few controls, few shots, a tip set inexactly.

Simulated sessions: every shooter aims beside the lane by an error of his own, which the controls' mean takes
off; the tip sits beside where it was set by one error a session, of the size that is stated. Truth is the
squirt that the cue's end gives at the offset as stated, by the tan form of the rigid impulse, and what follows
from its end mass; a pivot length is that of the contact as it was, which is what its formula speaks of.
"""

import itertools
import math

import numpy as np
import pandas as pd

from analyze.cue.cue_table import Ball, CueRow, Standard, cue_table
from analyze.cue.end_mass import squirt_rad

CONTROLS, SHOTS, SHOOTERS = (3, 5, 10), (3, 7, 20), (1, 3)
SESSIONS = 1000
MASS_RATIO, OFFSET_MM, OFFSET_SD_MM, AIM_SD_DEG, SHOT_SD_DEG = 40.0, 14.3, 1.0, 1.0, 0.25
RADIUS_MM, MASS_G = 28.575, 165.0


def session(rng: np.random.Generator, tip_mm: float, *, controls: int, shots: int, shooters: int) -> pd.DataFrame:
    """Draw one session, squirt counted from each shooter's controls; the tip touches at `tip_mm`."""
    squirt_deg = -math.degrees(squirt_rad(tip_mm / RADIUS_MM, MASS_RATIO))
    tables = []
    for number in range(shooters):
        aim = rng.normal(0, AIM_SD_DEG)
        zero = aim + rng.normal(0, SHOT_SD_DEG, controls)
        launch = aim + squirt_deg + rng.normal(0, SHOT_SD_DEG, shots)
        tables.append(
            pd.DataFrame(
                {
                    "condition": ["control"] * controls + ["A"] * shots,
                    "role": ["control"] * controls + ["test"] * shots,
                    "shooter": f"S{number + 1}",
                    "tip_offset_mm": [0.0] * controls + [OFFSET_MM] * shots,
                    "squirt_deg": np.concatenate([zero, launch]) - zero.mean(),
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def truths(tip_mm: float) -> dict[str, float]:
    """Return what is true of the cue."""
    angle = squirt_rad(OFFSET_MM / RADIUS_MM, MASS_RATIO)
    standard = Standard()
    return {
        "squirt": -math.degrees(angle),
        "end mass": MASS_G / MASS_RATIO,
        "pivot": tip_mm / math.sin(squirt_rad(tip_mm / RADIUS_MM, MASS_RATIO)),
        "deflection": -standard.distance_mm * math.tan(squirt_rad(standard.offset_ratio, MASS_RATIO)),
    }


def intervals(row: CueRow) -> dict[str, tuple[float | None, float | None]]:
    """Return the intervals of a row by the names of `truths`."""
    nothing = (None, None)
    return {
        "squirt": (row.lo_deg, row.hi_deg),
        "end mass": nothing if row.end_mass_g is None else (row.end_mass_g.lo, row.end_mass_g.hi),
        "pivot": nothing if not row.pivot_mm else (row.pivot_mm[0][1].lo, row.pivot_mm[0][1].hi),
        "deflection": nothing if row.deflection_mm is None else (row.deflection_mm.lo, row.deflection_mm.hi),
    }


def coverage(rng: np.random.Generator, *, controls: int, shots: int, shooters: int, n: int) -> dict[str, float]:
    """Return the share of `n` sessions whose intervals hold the truth; a missing end excludes nothing."""
    held = dict.fromkeys(truths(OFFSET_MM), 0)
    for _ in range(n):
        tip_mm = OFFSET_MM + rng.normal(0, OFFSET_SD_MM)
        true = truths(tip_mm)
        table = session(rng, tip_mm, controls=controls, shots=shots, shooters=shooters)
        (row,) = cue_table(table, ball=Ball(mass_g=MASS_G, offset_sd_mm=OFFSET_SD_MM)).rows
        for name, (low, high) in intervals(row).items():
            held[name] += (low is None or low <= true[name]) and (high is None or true[name] <= high)
    return {name: count / n for name, count in held.items()}


def report() -> None:
    """Print the coverage of each number for each size of test."""
    rng = np.random.default_rng(20240611)
    print(f"Coverage of 95 % intervals of the cue's numbers, {SESSIONS} simulated sessions each")
    print(
        f"{'shooters':>8} {'controls':>8} {'shots':>6} " + " ".join(f"{name:>10}" for name in truths(OFFSET_MM)),
        flush=True,
    )
    for shooters, controls, shots in itertools.product(SHOOTERS, CONTROLS, SHOTS):
        found = coverage(rng, controls=controls, shots=shots, shooters=shooters, n=SESSIONS)
        print(
            f"{shooters:8d} {controls:8d} {shots:6d} " + " ".join(f"{share:10.3f}" for share in found.values()),
            flush=True,
        )


if __name__ == "__main__":
    report()
