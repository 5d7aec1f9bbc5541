"""The process that measures or draws for the page: `python -m analyze.web.worker measure|again|draw DIR`.

It writes one JSON object a line to its standard output, and breaks off when its standard input ends or says stop:
so it ends with the page, whatever ends the page. What was measured until then stays.
"""

import _thread
import contextlib
import json
import os
import sys
from pathlib import Path
from threading import Thread
from typing import Any

from analyze.measure.batch import Progress, measure_session
from analyze.report.draw import DrawWish, draw_jobs, draw_shot
from analyze.report.tables import write_shots
from analyze.session.calibration import measured_with
from analyze.session.folder import Session, open_session
from analyze.session.shots import session_shots
from analyze.session.shots_frame import shots_frame
from calibrate.errors import RailreadError

NICE = 5  # the page, and whatever else the person does, goes first


def tell(**values: Any) -> None:  # noqa: ANN401 - whatever JSON holds
    """Write one line for the page."""
    sys.stdout.write(json.dumps(values) + "\n")
    sys.stdout.flush()


def measure(session: Session, *, again: bool) -> None:
    """Measure what is new, or everything, and write the table."""

    def progress(now: Progress) -> None:
        tell(done=now.done, total=now.total, clip=now.clip, together=now.together)

    outcome = measure_session(session, again=again, progress=progress)
    write_shots(session.out_folder / "shots.csv", shots_frame(session, session_shots(session)))
    tell(notes=list(outcome.notes), measured=len(outcome.measured))


def draw(session: Session) -> None:
    """Draw path and reading into the clips of all measured shots that count."""
    every = session_shots(session)
    for place in {one.shot.place for one in every if one.shot.frames} or {session.place}:
        measured_with(session.at(place))
    wanted = [one for one in every if one.shot.reading_m is not None and one.kept]
    tell(done=0, total=len(wanted), clip="")
    for done, job in enumerate(draw_jobs(session, wanted, every), start=1):
        draw_shot(session, job, DrawWish())
        tell(done=done, total=len(wanted), clip=job.stored.clip)
    tell(notes=[], drawn=len(wanted))


def main(job: str, folder: Path) -> None:
    """Do one job and end."""
    if hasattr(os, "nice"):
        os.nice(NICE)
    Thread(target=_listen, daemon=True).start()
    try:
        session = open_session(folder)
        if job == "draw":
            draw(session)
        else:
            measure(session, again=job == "again")
    except RailreadError as error:
        tell(error=str(error))
    except KeyboardInterrupt:
        tell(notes=["Stopped; what was measured until then is kept."], stopped=True)


def _listen() -> None:
    with contextlib.suppress(OSError, ValueError):
        sys.stdin.readline()
    _thread.interrupt_main()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
