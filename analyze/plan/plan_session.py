"""Plan a session: ask or take what is missing, give the shots, draw the shooting order and put it on paper."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyze.defaults import CONTROLS, TESTS, WANTED_POWER
from analyze.fit.cue_expected import expected_cue_sentences
from analyze.plan.order_sheet import write_order_sheet
from analyze.plan.pilot import ASSUMED, Expected, pilot_spreads
from analyze.plan.power import MOST_SHOTS, Aim, Size, Spreads
from analyze.plan.size import (
    Plan,
    length_mm_from_text,
    plan_sentences,
    plan_test,
    shooters_seen,
)
from analyze.session.calibration import measured_with
from analyze.session.folder import Session
from analyze.session.order import (
    ORDER_NAME,
    OrderRow,
    OrderWish,
    read_order,
    read_remark,
    shooting_order,
    write_order,
)
from calibrate.errors import SessionError
from calibrate.sheets import PAPERS_MM, SheetChoice, write_sheets
from calibrate.units import inch_from_m, m_from_mm

Ask = Callable[[str, str], str]  # a question and the answer offered; gives the answer
Tell = Callable[[str], None]
_MOST_SEED = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What a tester said about a plan; None and empty where nothing was said.

    Attributes
    ----------
    difference, margin, shot_sd, shooter_sd : str or None
        Lengths as written.
    pilot : Path or None
        Folder that the spreads are taken from.
    shooters, conditions, once : str
        Names with commas between.
    shots : int or None
        Of each shooter with each condition, whatever is needed.
    power : float
        Wanted.
    turn, controls : int
        As in `OrderWish`.
    seed : int or None
        Of the order and the simulation.
    tests : int
        Simulated for each power.
    replace : bool
        Whether a new order may take the place of one that is there.
    """

    difference: str | None = None
    margin: str | None = None
    shot_sd: str | None = None
    shooter_sd: str | None = None
    pilot: Path | None = None
    shooters: str = ""
    conditions: str = ""
    once: str = ""
    shots: int | None = None
    power: float = WANTED_POWER
    turn: int = 1
    controls: int = CONTROLS
    seed: int | None = None
    tests: int = TESTS
    replace: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSession:
    """A plan with its shooting order.

    Attributes
    ----------
    plan : Plan
        The plan.
    sentences : tuple of str
        It in words.
    order : tuple of OrderRow
        As drawn; empty where an order that was there stays.
    files : tuple of Path
        What was written.
    """

    plan: Plan
    sentences: tuple[str, ...]
    order: tuple[OrderRow, ...]
    files: tuple[Path, ...]


def plan_session(
    session: Session, request: PlanRequest, *, ask: Ask | None = None, tell: Tell | None = None
) -> PlannedSession:
    """Plan a session and write its order.csv and out/order.pdf.

    Parameters
    ----------
    session : Session
        Gives conditions, units, margin and confidence.
    request : PlanRequest
        What the tester said.
    ask : callable, optional
        Asks for what was not said; without it, what has no default is an error.
    tell : callable, optional
        Given a sentence before what takes long.

    Returns
    -------
    PlannedSession
        An order.csv that is there is never lost: it stays, or is kept under another name.

    Raises
    ------
    SessionError
        If something is missing or contradicts itself.
    """
    units = session.config.session.units
    conditions = _conditions(session, request)
    difference_mm = _difference_mm(session, request, ask)
    margin_mm = session.config.analysis.margin_mm
    if request.margin is not None:
        margin_mm = length_mm_from_text(request.margin, units, "margin")
    elif margin_mm is None:
        margin_mm = difference_mm  # what matters from here on does not matter below
    expected = _expected(request, units, ask)
    shooters = _shooters(session, request, ask)
    seed = request.seed if request.seed is not None else int(np.random.default_rng().integers(_MOST_SEED))
    if request.shots is not None and not 1 <= request.shots <= MOST_SHOTS:
        raise SessionError(f"shots = {request.shots}, but it must be between 1 and {MOST_SHOTS}")
    # Names that clash are said before minutes of computing.
    _wish(session, request, conditions, shooters, request.shots or 2)
    if tell is not None and request.tests:
        tell(f"Simulating up to {4 * request.tests} tests …")
    plan = plan_test(
        Size(conditions=len(conditions), shooters=len(shooters), shots=request.shots or 2),
        Aim(difference_mm=difference_mm, margin_mm=margin_mm, confidence=session.config.analysis.confidence),
        expected,
        wanted=request.power,
        keep_shots=request.shots is not None,
        tests=request.tests,
        seed=seed,
    )
    sentences = (*plan_sentences(plan, units), *_cue_sentences(session))
    if session.config.analysis.margin_mm is None:
        sentences = (*sentences, f"State the margin before shooting: margin_mm = {margin_mm:.4g} in [analysis].")
    path = session.folder / ORDER_NAME
    if path.exists() and not request.replace:
        kept = (
            f"{path} is there already and stays; --replace draws a new order and keeps this one under another name."
        )
        return PlannedSession(plan=plan, sentences=(*sentences, kept), order=(), files=())
    wish = _wish(session, request, conditions, shooters, plan.size.shots)
    offsets = {condition.name: condition.tip_offset_mm for condition in session.config.condition}
    order = shooting_order(wish, offsets, rng=np.random.default_rng(seed))
    remark = _remark(wish, seed)
    put_aside = write_order(path, order, remark)
    files = (path, write_order_pdf(session, order, remark))
    return PlannedSession(
        plan=plan, sentences=(*sentences, *_order_sentences(wish, order, put_aside)), order=order, files=files
    )


def _cue_sentences(session: Session) -> tuple[str, ...]:
    """Say how well the cue will be told from the camera place, where the session has one already."""
    try:
        calibration = measured_with(session)
    except SessionError:  # planned before the camera stands: usual
        return ()
    return expected_cue_sentences(calibration)


def write_order_pdf(session: Session, order: tuple[OrderRow, ...], remark: str, paper: str = "A4") -> Path:
    """Write out/order.pdf, the shooting order on paper."""
    path = session.out_folder / "order.pdf"
    title = session.config.session.name or session.folder.resolve().name
    write_order_sheet(path, order, title=title, remark=remark, paper=paper)
    return path


def session_sheets(session: Session, paper: str, *, long: bool = False) -> tuple[Path, ...]:
    """Write everything that a session has to print: out/sheets.pdf, and out/order.pdf where there is an order.

    Parameters
    ----------
    session : Session
        The session.
    paper : str
        One of `calibrate.sheets.PAPERS_MM`, whatever the case.
    long : bool
        A rail scale on two pages.
    """
    name = next((known for known in PAPERS_MM if known.lower() == paper.lower()), None)
    if name is None:
        raise SessionError(f"paper = {paper}, but it must be one of {', '.join(PAPERS_MM)}")
    path = session.out_folder / "sheets.pdf"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        choice = SheetChoice(
            paper=name,
            long=long,
            units=session.config.session.units,
            tip_radius_m=m_from_mm(session.config.lane.tip_radius_mm),
        )
        write_sheets(path, choice, table=session.table, lane=session.lane, scale=session.scale, ball=session.ball)
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror}); is it open elsewhere?") from error
    order_path = session.folder / ORDER_NAME
    if not order_path.exists():
        return (path,)
    return path, write_order_pdf(session, read_order(order_path), read_remark(order_path), name)


def _conditions(session: Session, request: PlanRequest) -> tuple[str, ...]:
    tested = tuple(one.name for one in session.config.condition if one.role == "test")
    named = _names(request.conditions) or tested
    for name in named:
        if tested and name not in tested:
            raise SessionError(
                f'condition "{name}" is none of those under test in session.toml: {", ".join(tested)}'
            )
    if len(named) < 2:
        raise SessionError(
            f"{session.folder / 'session.toml'}: {len(named)} conditions under test, but a comparison needs two "
            '[[condition]] blocks with role = "test" at least'
        )
    return named


def _difference_mm(session: Session, request: PlanRequest, ask: Ask | None) -> float:
    units, margin_mm = session.config.session.units, session.config.analysis.margin_mm
    text = request.difference
    if text is None and ask is not None:
        text = _asked_length(
            ask,
            f"Smallest difference between two conditions on the rail scale that matters ({units})",
            "" if margin_mm is None else _shown(margin_mm, units),
            units,
        )
    if text is None and margin_mm is not None:
        return margin_mm
    if not text:
        raise SessionError(
            "say which difference on the rail scale matters, such as --difference "
            f"{'1/4' if units == 'inch' else '6'} ({units}), or set margin_mm in session.toml"
        )
    return length_mm_from_text(text, units, "difference")


def _expected(request: PlanRequest, units: str, ask: Ask | None) -> Expected:
    if request.pilot is not None:
        expected = pilot_spreads(request.pilot)
        if request.shot_sd is None and request.shooter_sd is None:
            return expected
    else:
        expected = Expected(spreads=ASSUMED)
    assumed = expected.spreads
    shot_text, shooter_text = request.shot_sd, request.shooter_sd
    if ask is not None and request.pilot is None:
        shot_text = shot_text or _asked_length(
            ask,
            f"Scatter (sd) of one shooter's shots with one condition ({units}; a pilot with --pilot is better)",
            _shown(assumed.shot_sd_mm, units),
            units,
        )
        shooter_text = shooter_text or _asked_length(
            ask,
            f"Scatter (sd) from shooter to shooter of what a condition does ({units})",
            _shown(assumed.interaction_sd_mm, units),
            units,
        )
    shot_sd_mm = _taken(shot_text, assumed.shot_sd_mm, units, "shot-sd")
    shooter_sd_mm = _taken(shooter_text, assumed.interaction_sd_mm, units, "shooter-sd")
    if shot_sd_mm <= 0:
        raise SessionError("shot-sd = 0, but shots always scatter: give what a pilot or experience says")
    if (shot_sd_mm, shooter_sd_mm) == (assumed.shot_sd_mm, assumed.interaction_sd_mm):
        return expected
    one = shot_sd_mm == assumed.shot_sd_mm or shooter_sd_mm == assumed.interaction_sd_mm
    stated = "stated, not measured"
    source = f"one {stated}; the other {assumed.source}" if one else stated
    return Expected(
        spreads=Spreads(shot_sd_mm=shot_sd_mm, interaction_sd_mm=shooter_sd_mm, source=source), notes=expected.notes
    )


def _asked_length(ask: Ask, question: str, offered: str, units: str) -> str:
    """Ask for a length until there is one; what was not understood is said, and asked again."""
    said = ""
    while True:
        text = ask(f"{said}{question}", offered)
        try:
            length_mm_from_text(text, units, "it")
        except SessionError as error:
            said = f"{error}. "
            continue
        return text


def _taken(text: str | None, assumed_mm: float, units: str, what: str) -> float:
    # What is offered is rounded for reading; taken unchanged, it means the number itself.
    if text is None or text == _shown(assumed_mm, units):
        return assumed_mm
    return length_mm_from_text(text, units, what)


def _shooters(session: Session, request: PlanRequest, ask: Ask | None) -> tuple[str, ...]:
    named = _names(request.shooters)
    if named:
        return named
    seen = shooters_seen(session) or ("S1",)
    if ask is not None:
        return _names(ask("Shooters, with commas between", ",".join(seen))) or seen
    return seen


def _wish(
    session: Session, request: PlanRequest, conditions: tuple[str, ...], shooters: tuple[str, ...], shots: int
) -> OrderWish:
    control = next((one.name for one in session.config.condition if one.role == "control"), "")
    return OrderWish(
        shooters=shooters,
        conditions=conditions,
        shots=shots,
        once=_names(request.once),
        turn=request.turn,
        control=control,
        controls=request.controls,
    )


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


def _shown(length_mm: float, units: str) -> str:
    return f"{length_mm:.3g}" if units == "mm" else f"{inch_from_m(m_from_mm(length_mm)):.3g}"


def _remark(wish: OrderWish, seed: int) -> str:
    once = f" --once {','.join(wish.once)}" if wish.once else ""
    return (
        f"seed {seed}; drawn again by railread plan DIR --seed {seed} --shots {wish.shots} --turn {wish.turn} "
        f"--controls {wish.controls}{once} --shooters {','.join(wish.shooters)} "
        f"--conditions {','.join(wish.conditions)}"
    )


def _order_sentences(wish: OrderWish, order: tuple[OrderRow, ...], put_aside: Path | None) -> tuple[str, ...]:
    controls = sum(row.condition == wish.control for row in order)
    said = [f"Shooting order: {len(order)} shots, {controls} of them control shots."]
    if not wish.control:
        said.append(
            'No condition has role = "control", so there are no control shots: squirt will hold the error of aim.'
        )
    if len(wish.once) > 1:
        said.append(
            f"{' and '.join(wish.once)} are shot one after the other, so a difference between them holds whatever "
            "changed meanwhile: look whether the conditions that were shot all along stayed where they were."
        )
    if put_aside is not None:
        said.append(f"The order that was there is now in {put_aside.name}.")
    return tuple(said)
