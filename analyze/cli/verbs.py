"""The command line: each verb parses, makes one call, shows what came of it and sets the exit status.

Exit status: 0 done; 1 done, but some shots need a person; 2 wrong input or usage, one line on stderr.

A verb imports what it calls when it is called: help is there at once, and worker processes, which load the program
that they were started from, load no tables and plots with it.
"""

import atexit
import gc
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analyze.cli.one_line_errors import DONE, NEEDS_A_PERSON, OneLineErrors
from analyze.cli.shown import console, measure_shown, show_calibration, show_reasons, show_report
from analyze.defaults import CONTROLS, SLOWDOWN, TESTS, WANTED_POWER
from calibrate.errors import MarksError, SessionError

if TYPE_CHECKING:
    from calibrate.marks import Click

MOST_ROWS = 60  # of a table of shots; of a longer one only those that need a person are shown

# Python would look for cycles once more in all that was loaded before it ends: 0.3 s of processor time that nobody
# gains from, and that Ctrl-C would be waited for.
atexit.register(gc.freeze)

app = typer.Typer(
    cls=OneLineErrors,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
SessionFolder = Annotated[Path, typer.Argument(metavar="DIR", help="The session folder.")]


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"railread {version('railread')}")
        raise typer.Exit(DONE)


@app.callback(invoke_without_command=True)
def railread(
    context: typer.Context,
    show_version: Annotated[
        bool,
        typer.Option("--version", help="Say which version this is.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """Measure billiard shots from phone recordings: rail reading, squirt, swerve, each with its uncertainty.

    The usual order: **new** makes a session folder, **calibrate** finds the camera from printed markers or from
    clicked marks, **measure** measures every recording in it, **report** makes tables and plots. **demo** does it
    all on a session that ships with railread.

    Exit status: 0 done; 1 done, but some shots need a person to look; 2 wrong input or usage.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command()
def new(folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")]) -> None:
    """Make a session folder: a **session.toml** with every setting explained, and folders for the clips.

    Then edit session.toml (table size, sight, spot, conditions) and put the recordings into
    clips/CONDITION/SHOOTER/, one shot a clip or many.
    """
    from analyze.session.folder import new_session

    session = new_session(folder)
    print(f"{session.folder} is ready.")
    print(f"  1. Say in {session.folder / 'session.toml'} what is tested and on which table.")
    print(f"  2. railread sheet {session.folder} - print it, and lay scale and cards as its first page says.")
    print(f"  3. Put the recordings into {session.clips_folder / 'CONDITION' / 'SHOOTER'}.")
    print(f"  4. railread calibrate {session.folder}")
    print(f"  5. railread measure {session.folder}, then railread report {session.folder}")


@app.command()
def calibrate(
    folder: SessionFolder,
    frame: Annotated[
        list[Path] | None,
        typer.Option(
            help="A recording or a picture from where the camera stood; with --auto several may be named.",
            show_default=False,
        ),
    ] = None,
    marks: Annotated[
        Path | None,
        typer.Option(help="CSV of clicked marks: mark,u_px,v_px. Without it the page opens, to click them on."),
    ] = None,
    auto: Annotated[
        bool | None,
        typer.Option(
            "--auto/--by-hand",
            help="Find the printed markers of `railread sheet`, without a click; or click all marks. "
            "Unless said: the former, where markers are seen.",
            show_default=False,
        ),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser, or print its address.")
    ] = True,
    place: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Where the phone stood elsewhere for some recordings: a further camera place, with marks of "
            "its own in places/NAME/. Needs --frame, a recording made there.",
        ),
    ] = "",
) -> None:
    """Find the camera and the rail scale from marks whose places on the table are known.

    Click the ticks of the scale, then sights and markers, each once and roughly: every click is moved to the middle
    of its mark by the picture itself, a click that does not fit is named and left out, and what precision to expect
    is said. Where the printed markers of `railread sheet` are seen, no click is needed. The camera must not move
    between this frame and the shots; if it was moved, calibrate again with **--place** and a recording made since,
    and **measure** finds out by itself which recording was made from where.
    """
    from analyze.session.auto_marks import auto_frames, auto_marks, printed_marks
    from analyze.session.calibration import calibrate_session, calibrated_before, elsewhere_note
    from analyze.session.draft import click_in
    from analyze.session.folder import open_session
    from analyze.session.marks_file import take_marks
    from calibrate.marks import read_marks
    from calibrate.notices import plus_side_sentence

    session = open_session(folder).at(place)
    if auto and marks is not None:
        raise SessionError("--auto finds the marks and --marks gives them: give one of the two")
    if place and not frame:
        raise SessionError(f"--place {place}: name a recording or picture that was made from there with --frame")
    frames = tuple(frame or auto_frames(session))
    if (auto and not frames) or (marks is not None and not frame):
        raise SessionError(f"{folder}: name the recording or picture that the marks lie in with --frame")
    new: Path | Sequence[Click]
    if marks is not None:
        read_marks(marks)
        new = marks
    else:
        found = auto_marks(session, frames) if auto else printed_marks(session, frames, wanted=auto is None)
        if found is None:
            click_in(session, frame[0] if frame else None)
            _serve(folder, browser=browser, view="calibrate", place=place)
            return
        for note in found.notes:
            print(note)
        new = found.clicks
    before = calibrated_before(session)
    with take_marks(session, new):
        calibration = calibrate_session(session, frames[0])
        _ask_side(plus_side_sentence(calibration))
    show_calibration(session, calibration, frames)
    print(f"{plus_side_sentence(calibration)} If not, the recording is mirrored and all signs are wrong.")
    if note := elsewhere_note(session, before):
        print(f"Note: {note}")


@app.command()
def check(
    folder: SessionFolder,
    frame: Annotated[
        Path, typer.Option(help="A recording from the place to be judged; with a shot in it, that is measured.")
    ],
    marks: Annotated[
        Path | None,
        typer.Option(
            help="CSV of four or more marks clicked in it; unless given, those of the page, or printed ones."
        ),
    ] = None,
) -> None:
    """Say what precision to expect from a camera place, before any shooting, and what would help.

    From printed markers, or from the first few marks (scale and two sights, clicked on the page: railread open
    DIR), every other mark is expected in the picture; with all of them snapped, this is how well a reading and a
    direction can be known. A shot in the recording is measured with that camera, and its own uncertainty shown.
    Nothing is written.
    """
    from analyze.measure.check import check_place
    from analyze.report.terminal import place_lines, trial_lines
    from analyze.session.folder import open_session
    from calibrate.marks import read_marks

    session = open_session(folder)
    checked = check_place(session, frame, read_marks(marks) if marks is not None else None)
    for line in (*place_lines(checked.place), *checked.cue):
        print(line)
    for line in trial_lines(checked.shots, session.config.session.units):
        print(line)


@app.command()
def measure(
    folder: SessionFolder,
    again: Annotated[
        bool, typer.Option("--again", help="Measure every recording anew, also unchanged ones.")
    ] = False,
    by_order: Annotated[
        bool,
        typer.Option(
            "--by-order", help="Take condition and shooter of each shot from order.csv; clip names give the order."
        ),
    ] = False,
    keep_gone: Annotated[
        bool,
        typer.Option("--keep-gone", help="Count what was measured of recordings that are no longer in clips/."),
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Recordings at a time; as many as there are cores unless given."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Measure on the Dask cluster of this scheduler, tcp://HOST:PORT."),
    ] = None,
) -> None:
    """Measure every recording that is new or has changed: each shot in it, or the reason why there is none.

    A recording that fails never stops the others. Results go into railread.sqlite and out/shots.csv. Exit status
    1 means that some shots failed or are doubtful and want a look.
    """
    from analyze.fit.shot import Status
    from analyze.measure.by_order import label_by_order, planned_order
    from analyze.measure.cluster import cluster_executor
    from analyze.report import terminal
    from analyze.report.tables import write_shots
    from analyze.session.folder import open_session
    from analyze.session.shots import session_shots
    from analyze.session.shots_frame import shots_frame

    session = open_session(folder)
    order = planned_order(session) if by_order else ()
    with cluster_executor(scheduler) if scheduler else nullcontext() as executor:
        outcome = measure_shown(
            session, again=again, labels_later=by_order, keep_gone=keep_gone, jobs=jobs, executor=executor
        )
    labelled = label_by_order(session, outcome.shots, order) if by_order else None
    stored = outcome.shots
    if labelled is not None:
        session = labelled.session
        stored = session_shots(session)
    shots = shots_frame(session, stored)
    write_shots(session.out_folder / "shots.csv", shots)
    units = session.config.session.units
    shown = shots if len(shots) <= MOST_ROWS else shots[shots["status"] != "measured"]
    console().print(terminal.shots_table(shown, units))
    for line in terminal.attention_lines(shots):
        print(line)
    show_reasons([str(slug) for slug in shots["reason"].unique()])
    counts = shots["status"].value_counts()
    print(f"{len(outcome.measured)} clips measured now, {len(outcome.unchanged)} unchanged.")
    print(f"Shots: {', '.join(f'{counts.get(str(status), 0)} {status}' for status in Status)}.")
    print(f"All numbers: {session.out_folder / 'shots.csv'}; tables and plots: railread report {session.folder}")
    if labelled is not None:
        print(labelled.sentence)
    unlabelled = labelled is not None and not labelled.matched
    needs_a_person = any(one.needs_a_person for one in stored)
    raise typer.Exit(NEEDS_A_PERSON if needs_a_person or unlabelled else DONE)


@app.command("open")
def open_page(
    folder: SessionFolder,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open it in the browser.")] = True,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Where to listen; 0 for any that is free.")] = 0,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones in the same network send recordings, after pairing them.")
    ] = False,
) -> None:
    """Open the session as a page in the browser: calibrate, measure, look at every shot, decide, read the results.

    The page is served by this program, on this machine and to this machine alone; Ctrl-C ends it. The address that
    is printed holds a token: whoever has the whole of it can use the page. Nothing is loaded from or sent to
    anywhere else. With **--lan** a phone in the same network can be paired by a code that works once: it can
    send recordings into the session and see readings, nothing else.
    """
    _serve(folder, port=port, browser=browser, lan=lan)


@app.command("set-aside")
def set_aside(
    folder: SessionFolder,
    names: Annotated[
        list[str], typer.Argument(metavar="CLIP[:SHOT]...", help="Recordings as out/shots.csv names them.")
    ],
    because: Annotated[str | None, typer.Option(metavar="TEXT", help="Set aside, for this reason.")] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back that it was set aside or accepted, and a mended label.")
    ] = False,
    accept: Annotated[
        bool,
        typer.Option(
            "--accept",
            help="Somebody has looked. A doubtful shot counts until set aside; it is no longer asked about.",
        ),
    ] = False,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Write a note; '' takes it away.")] = None,
    condition: Annotated[str | None, typer.Option(help="Mend the condition.")] = None,
    shooter: Annotated[str | None, typer.Option(help="Mend the shooter.")] = None,
) -> None:
    """Set shots aside with a reason: they stay in the tables and do not count. Also accept, note, mend labels.

    CLIP alone means all shots of the recording, CLIP:2 its second. Nothing decided is ever lost: **--undo** takes
    it back, and without any option all that was decided about the shot is shown. No recording is touched.

    Example: railread set-aside my-test A/S1/0007.mp4 --because "miscue, heard by all"
    """
    from analyze.report import terminal
    from analyze.report.tables import write_shots
    from analyze.session import decisions
    from analyze.session.folder import open_session
    from analyze.session.shots import label_of, session_shots
    from analyze.session.shots_frame import shots_frame

    session = open_session(folder)
    wanted = {(one.clip, one.shot.shot): one for name in names for one in decisions.find_shots(session, name)}
    shots = tuple(wanted.values())
    if (because is not None) + undo + accept > 1:
        raise SessionError("--because, --accept and --undo each say something else about the same shot: give one")
    said_nothing = not (undo or accept) and because is note is condition is shooter is None
    if undo:
        shots = decisions.label_as_filed(session, decisions.take_back(session, shots))
    if because is not None:
        shots = decisions.set_aside(session, shots, because)
    if accept:
        shots = decisions.accept(session, shots)
    if condition is not None or shooter is not None:
        shots = decisions.mend_label(session, shots, condition=condition, shooter=shooter)
    if note is not None:
        shots = decisions.write_note(session, shots, note)
    for one in shots:
        print(terminal.decision_line(one, label_of(session, one)))
        for entry in decisions.history(session, one) if said_nothing else ():
            print(terminal.entry_line(entry))
    if not said_nothing:
        write_shots(session.out_folder / "shots.csv", shots_frame(session, session_shots(session)))
        print(f"{session.out_folder / 'shots.csv'} is up to date; the rest: railread report {folder}")


@app.command()
def report(
    folders: Annotated[list[Path], typer.Argument(metavar="DIR...", help="The session folder, or several.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Where a report of several sessions goes; ./railread-report unless given."),
    ] = None,
) -> None:
    """Say whether the conditions differ, for whom, and how sure that is: **out/report.html**, to read or to print.

    The same numbers as tables: out/shots.csv, out/summary.csv, out/comparisons.csv, out/variance.csv and others.
    A folder that holds only **readings.csv** (condition,shooter and reading_mm or reading_in, read by eye)
    works too. Several folders are compared together, the session as a random effect.
    """
    from analyze.report.build import build_joint_report, build_report

    if len(folders) == 1 and out is None:
        session, made = build_report(folders[0])
    else:
        session, made = build_joint_report(folders, out if out is not None else Path("railread-report"))
    show_report(session, made)
    raise typer.Exit(NEEDS_A_PERSON if made.needs_a_person else DONE)


@app.command()
def plan(
    folder: SessionFolder,
    difference: Annotated[
        str | None, typer.Option(help="Smallest difference on the rail scale that matters: 1/4, 6 mm.")
    ] = None,
    margin: Annotated[
        str | None,
        typer.Option(help="Margin of 'same'; margin_mm of session.toml, or the difference, unless given."),
    ] = None,
    pilot: Annotated[
        Path | None, typer.Option(help="Measured session or readings.csv to take spreads from.")
    ] = None,
    shot_sd: Annotated[
        str | None, typer.Option(help="Scatter (sd) of one shooter's shots with one condition.")
    ] = None,
    shooter_sd: Annotated[
        str | None, typer.Option(help="Scatter (sd) from shooter to shooter of what a condition does.")
    ] = None,
    shooters: Annotated[str, typer.Option(help="Names with commas; the folders of clips/ unless given.")] = "",
    conditions: Annotated[str, typer.Option(help="Names with commas; those of session.toml unless given.")] = "",
    once: Annotated[
        str, typer.Option(help="Conditions that cannot be gone back to, in the order in which they must come: B,C.")
    ] = "",
    shots: Annotated[int | None, typer.Option(help="Shots of each shooter with each condition.")] = None,
    power: Annotated[float, typer.Option(help="Probability of finding what is there.")] = WANTED_POWER,
    turn: Annotated[int, typer.Option(help="Shots in a row before the condition changes.")] = 1,
    controls: Annotated[int, typer.Option(help="Control shots in a shooter's block.")] = CONTROLS,
    seed: Annotated[int | None, typer.Option(min=0, help="Draws the same order again.")] = None,
    simulate: Annotated[int, typer.Option(min=0, help="Tests simulated for each power.")] = TESTS,
    replace: Annotated[
        bool, typer.Option("--replace", help="Draw a new order.csv; the old one is kept under another name.")
    ] = False,
) -> None:
    """Plan a test: shots needed to see the difference that matters, and **order.csv**, a balanced shooting order.

    Asks for what is not given. Powers are for these shooters and for shooters in general, by formula and by
    simulation, for 'differs' and for 'same within the margin'. The order is randomised, can be drawn again from
    its seed, and is printed to out/order.pdf.
    """
    from analyze.plan.plan_session import PlanRequest, plan_session
    from analyze.plan.plan_table import power_table
    from analyze.session.folder import open_session

    request = PlanRequest(
        difference=difference, margin=margin, shot_sd=shot_sd, shooter_sd=shooter_sd, pilot=pilot,
        shooters=shooters, conditions=conditions, once=once, shots=shots, power=power, turn=turn,
        controls=controls, seed=seed, tests=simulate, replace=replace,
    )  # fmt: skip
    made = plan_session(open_session(folder), request, ask=_ask if sys.stdin.isatty() else None, tell=_tell)
    console().print(power_table(made.plan))
    for sentence in made.sentences:
        print(sentence)
    for path in made.files:
        print(f"  {path}")
    if made.order:
        print(f"Recordings made in this order are told apart by: railread measure {folder} --by-order")


@app.command()
def sheet(
    folder: SessionFolder,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    long: Annotated[
        bool, typer.Option("--long", help="A rail scale on two pages, for a camera far from the foot rail.")
    ] = False,
) -> None:
    """Write what there is to print: **out/sheets.pdf**, each page true to size.

    The set-up drawn for this table; the rail scale and cards with coded markers, which `railread calibrate --auto`
    finds without a click; ring markers to click by hand; an aiming card for the tip offset. Print at 100 % and
    check the bar. Where there is an order.csv, out/order.pdf is written anew as well.
    """
    from analyze.plan.plan_session import session_sheets
    from analyze.session.folder import open_session

    for path in session_sheets(open_session(folder), paper, long=long):
        print(f"  {path}")


@app.command()
def draw(
    folder: SessionFolder,
    only: Annotated[
        list[str] | None, typer.Option("--clip", help="Only this clip, as out/shots.csv names it; may be repeated.")
    ] = None,
    slower: Annotated[float, typer.Option(help="How many times slower than life the clips play.")] = SLOWDOWN,
    sound: Annotated[bool, typer.Option("--sound", help="Keep the sound; with --slower 1.")] = False,
    beside: Annotated[
        bool, typer.Option("--beside", help="Also one clip of two shots side by side, aligned at the strike.")
    ] = False,
) -> None:
    """Draw lane, path, launch line, swerve and reading into the clips: **out/drawn/**.

    A clip that plays everywhere (H.264) and a still picture for each shot, and a contact sheet of all stills,
    doubtful ones first. The way to see for yourself whether the right thing was measured, and to show it.
    """
    from analyze.report.contact_sheet import write_contact_sheet, write_side_by_side
    from analyze.report.draw import DrawWish, draw_jobs, draw_shot
    from analyze.session.calibration import measured_with
    from analyze.session.folder import open_session
    from analyze.session.shots import session_shots

    session = open_session(folder)
    wish = DrawWish(slower=slower, sound=sound)
    every = session_shots(session)
    for place in {one.shot.place for one in every if one.shot.frames} or {session.place}:
        measured_with(session.at(place))  # says so first if the marks are not those of the measurement
    wanted = [
        one
        for one in every
        if one.shot.reading_m is not None
        and session.clip_path(one.clip).exists()
        and (not only or one.clip in only)
    ]
    if not wanted:
        raise SessionError(f"{folder}: no measured shot of {', '.join(only or ['this session'])} to draw")
    if beside and len(wanted) != 2:
        raise SessionError(f"--beside takes two shots, but {len(wanted)} are chosen; choose them with --clip")
    jobs = draw_jobs(session, wanted, every)
    for job in jobs:
        drawn = draw_shot(session, job, wish)
        print(f"{drawn.picture}  {drawn.clip.name}")
    print(write_contact_sheet(session, jobs))
    if beside:
        print(write_side_by_side(session, jobs[0], jobs[1], wish))


@app.command()
def demo(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="Where to put the sample session; ./railread-demo unless given."),
    ] = None,
    open_it: Annotated[
        bool, typer.Option("--open", help="Open the session as a page in the browser at the end.")
    ] = False,
) -> None:
    """Run the whole job on the sample session that ships with railread, and compare with the exact truth.

    The clips are rendered, so their truth is known. The folder that stays is an ordinary session: copy it, put in
    your own clips and marks.
    """
    from analyze.report import terminal
    from analyze.report.build import report_shots
    from analyze.session import demo as sample
    from analyze.session.folder import open_session

    place = sample.free_demo_folder(folder)
    sample.copy_sample(place)
    print(f"The sample session is in {place}.")
    session = open_session(place)
    outcome = measure_shown(session)
    made = report_shots(session, outcome.shots)
    units = session.config.session.units
    console().print(terminal.shots_table(made.shots, units))
    truth = sample.read_truth()
    comparison = sample.compare(made.shots, truth)
    console().print(terminal.demo_table(comparison, units))
    print(terminal.demo_sentence(comparison))
    print(terminal.demo_cue_sentence(sample.compare_cue(made.shots, truth)))
    print(f"The report: {made.page}")
    print("Beside it:")
    for path in made.files[1:]:
        print(f"  {path}")
    if open_it:
        _serve(place)
    raise typer.Exit(NEEDS_A_PERSON if outcome.needs_a_person else DONE)


def _ask_side(sentence: str) -> None:
    """Ask, where somebody is there to answer: nothing in the marks tells a recording from its mirror image."""
    if sys.stdin.isatty() and not typer.confirm(f"{sentence} Is that so on the table?", default=True):
        raise MarksError(
            "the recording is mirrored, or sights and ticks were named from the wrong side: record with the main "
            "camera without mirroring, name the marks as the shooter sees them, and calibrate again"
        )


def _serve(
    folder: Path,
    *,
    port: int = 0,
    browser: bool = True,
    view: str = "",
    lan: bool = False,
    place: str | None = None,
) -> None:
    from analyze.web.serve import serve_page

    def tell(address: str) -> None:
        print(f"The page of {folder}: {address}", flush=True)
        print("Ctrl-C ends it.", flush=True)

    serve_page(folder, port=port, browser=browser, view=view, lan=lan, place=place, tell=tell)


def _tell(sentence: str) -> None:
    if sys.stderr.isatty():
        print(sentence, file=sys.stderr)


def _ask(question: str, offered: str) -> str:
    return str(typer.prompt(question, default=offered or None))
