"""Recordings that several sessions hold: measured again with other marks, they tell what clicking adds."""

from collections.abc import Sequence

import pandas as pd

from analyze.session.store import StoredShot
from calibrate.units import mm_from_m

# (hash of the recording, number of the shot in it)
ShotKey = tuple[str, int]


def shot_key(stored: StoredShot) -> ShotKey:
    """Tell a shot by its recording's content, wherever the file lies."""
    return stored.clip_sha256, stored.shot.shot


def keys_before(sessions: Sequence[Sequence[StoredShot]], index: int) -> frozenset[ShotKey]:
    """Shots that count in a session before the one at `index`: there, and only there, they do.

    One that failed or was set aside there may still count in a later one.
    """
    return frozenset(
        shot_key(stored)
        for shots in sessions[:index]
        for stored in shots
        if stored.kept and stored.shot.reading_m is not None
    )


def readings_again(sessions: Sequence[tuple[str, Sequence[StoredShot]]]) -> pd.DataFrame:
    """Collect readings of the shots that several sessions hold, for a study of what measuring them again changes.

    Parameters
    ----------
    sessions : sequence of (str, sequence of StoredShot)
        Name and shots of each session.

    Returns
    -------
    DataFrame
        Columns `clip` (recording and shot), `session`, `reading_mm`: complete and balanced over the sessions that
        hold such shots. Empty where fewer than two shots were measured again.
    """
    readings = [
        (name, {shot_key(s): mm_from_m(s.shot.reading_m) for s in shots if s.shot.reading_m is not None})
        for name, shots in sessions
    ]
    counts: dict[ShotKey, int] = {}
    for _, found in readings:
        for key in found:
            counts[key] = counts.get(key, 0) + 1
    repeated = {key for key, count in counts.items() if count > 1}
    holding = [(name, found) for name, found in readings if repeated & found.keys()]
    common = [key for key in counts if key in repeated and all(key in found for _, found in holding)]
    columns = ["clip", "session", "reading_mm"]
    if len(common) < 2:
        return pd.DataFrame(columns=columns)
    rows = [(f"{sha} {shot}", name, found[sha, shot]) for name, found in holding for sha, shot in common]
    return pd.DataFrame(rows, columns=columns)
