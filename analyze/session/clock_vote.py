"""All recordings of a session run on one kind of clock: where it is wrong for some shots, it is for the others too.

A clock four times too slow makes a ball that slides all the way look like one that rolls all the way, so a shot by
itself may pass, or leave it open; the others of its session tell.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

from analyze.fit.reasons import CLOCK_UNSURE, WRONG_CLOCK
from analyze.fit.shot import Status
from analyze.session.store import StoredShot
from calibrate.errors import NotMeasured

# Of 40 shots with the right clock none was refused and two came near it (friction drawn at 0.54); of 20 with a
# clock 2 or 4 times wrong all or two thirds were: two shots and a quarter of all tell the two apart.
LEAST_SHOTS = 2
LEAST_SHARE = 0.25
SAME_RATE = 0.1  # phones keep a rate to a few per cent in dim light; the next one they offer is 20 % off


def with_clock_vote(stored: Sequence[StoredShot]) -> tuple[StoredShot, ...]:
    """Doubt the clock of every shot of a session in which enough shots refuse it, or settle it where others can.

    A shot that leaves open whether its ball rolled or slid counts as measured where two others are seen to slide,
    with the friction of a cloth, and then to roll, in recordings of the same frame rate.

    Parameters
    ----------
    stored : sequence of StoredShot
        All shots of a session.

    Returns
    -------
    tuple of StoredShot
        The same; measured ones are doubtful where the others say that the clock is wrong, and those that left it
        open are measured where the others say that it is right.
    """
    stored = tuple(stored)
    refused = [one for one in stored if one.shot.reason is WRONG_CLOCK]
    judged = [one for one in stored if one.shot.reading_m is not None or one.shot.reason is WRONG_CLOCK]
    if len(refused) < LEAST_SHOTS or len(refused) < LEAST_SHARE * len(judged):
        return stored if refused else _settled(stored)
    detail = f"so say {len(refused)} of {len(judged)} shots of this session ({refused[0].shot.detail})"
    return tuple(one.doubted(NotMeasured(WRONG_CLOCK, detail)) for one in stored)


def _settled(stored: tuple[StoredShot, ...]) -> tuple[StoredShot, ...]:
    """Take those for measured that only left the clock open, where enough others show that it is right."""
    shown = [one for one in stored if one.shot.status is Status.MEASURED and one.shot.slide_end_m is not None]

    def shown_right(one: StoredShot) -> bool:
        return sum(_same_rate(one, other) for other in shown) >= LEAST_SHOTS

    return tuple(
        replace(one, shot=replace(one.shot, status=Status.MEASURED, reason=None, detail=""))
        if one.shot.status is Status.DOUBTFUL and one.shot.reason is CLOCK_UNSURE and shown_right(one)
        else one
        for one in stored
    )


def _same_rate(one: StoredShot, other: StoredShot) -> bool:
    """Whether two recordings have the same time between frames, so that one clock is as right as the other."""
    mine, its = one.shot.sightings, other.shot.sightings
    if mine is None or its is None:
        return mine is its
    return math.isclose(mine.frame_period_s, its.frame_period_s, rel_tol=SAME_RATE)
