"""What several verbs show: progress, a calibration, a report, reasons."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.cli.one_line_errors import BrokenOffError
from analyze.errors import REASONS

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from rich.console import Console

    from analyze.measure.batch import BatchOutcome, Progress
    from analyze.report.build import Report
    from analyze.session.folder import Session
    from calibrate.calibration import Calibration


def measure_shown(
    session: "Session",
    *,
    again: bool = False,
    labels_later: bool = False,
    keep_gone: bool = False,
    jobs: int | None = None,
    executor: "Executor | None" = None,
) -> "BatchOutcome":
    """Measure a session with its progress shown, then say what was calibrated on the way and what there is to note.

    Parameters
    ----------
    session, again, labels_later, keep_gone, executor
        As `analyze.measure.batch.measure_session` takes them.
    jobs : int or None
        How many processes work; None for one on each core.

    Raises
    ------
    BrokenOffError
        On Ctrl-C; it says what is kept.
    SessionError, MarksError
        As `measure_session` raises them.
    """
    from analyze.measure.batch import measure_session
    from analyze.session.camera_place import place_name

    finished = 0
    with progress_bar() as advance:

        def show(progress: "Progress") -> None:
            nonlocal finished
            if not progress.together:
                finished = progress.done
            advance(progress)

        try:
            outcome = measure_session(
                session,
                again=again,
                progress=show,
                labels_later=labels_later,
                keep_gone=keep_gone,
                workers=jobs,
                executor=executor,
            )
        except KeyboardInterrupt:
            raise BrokenOffError(
                f"broken off; the {finished} clips finished in this run are kept, and "
                f"`railread measure {session.folder}` goes on with the rest"
            ) from None
    for place in outcome.places:
        if place.new:
            if len(outcome.places) > 1:
                print(f"Camera place {place_name(place.name)}:")
            show_calibration(session.at(place.name), place.calibration)
    for note in outcome.notes:
        print(f"Note: {note}")
    return outcome


@contextmanager
def progress_bar() -> Iterator[Any]:
    """Give a callback that shows how far the batch is."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as ProgressBar

    from analyze.report.progress import Tally

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    with ProgressBar(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("calibrating", total=None)
        tally = Tally()

        def advance(progress: "Progress") -> None:
            text = tally.line(progress)
            if not console.is_terminal and tally.is_due(progress):
                print(text, file=sys.stderr, flush=True)
            bar.update(task, description=escape(text), completed=progress.done, total=progress.total)

        yield advance


def show_calibration(
    session: "Session", calibration: "Calibration", frames: "Sequence[Path] | None" = None
) -> None:
    """Print each mark and what it leaves over, what to mend, and how well a shot will be measured from there."""
    from analyze.fit.cue_expected import expected_cue_sentences
    from analyze.measure.expected import expected_of_session
    from analyze.report.expected import expected_lines
    from analyze.report.terminal import marks_table
    from calibrate.notices import notices
    from calibrate.precision import expected_precision

    console().print(marks_table(calibration))
    used = [mark for mark in calibration.residuals if mark.used]
    print(
        f"{len(used)} of {len(calibration.residuals)} marks used, {calibration.residual_px:.2f} px left over (rms)."
    )
    for mark in calibration.residuals:
        if not mark.used:
            print(f"Not used: {mark.name}; click it again.")
    for notice in notices(calibration):
        print(f"  {notice}")
    print(expected_precision(calibration).sentence)
    expected = expected_of_session(session, calibration, frames)
    for line in expected_lines(expected, session.config.session.units):
        print(line)
    for sentence in expected_cue_sentences(calibration):
        print(sentence)


def show_report(session: "Session", made: "Report") -> None:
    """Print the summary, what the report concludes, and where its files are."""
    from analyze.report.terminal import summary_table

    console().print(summary_table(made.summary, session.config.session.units))
    for note in made.notes:
        print(f"Note: {note}")
    for sentence in made.sentences:
        print(sentence)
    print(f"The report: {made.page}")
    for path in made.files[1:]:
        print(f"  {path}")


def show_reasons(slugs: list[str]) -> None:
    """Print what each reason for which a shot is not measured means, and what to do."""
    for slug in slugs:
        if slug in REASONS:
            print(f"{slug}: {REASONS[slug].sentence} {REASONS[slug].advice}")


def console() -> "Console":
    """Return where tables are printed: files and pipes get their full width, a terminal its own."""
    from rich.console import Console

    own = Console()
    return own if own.is_terminal else Console(width=140)
