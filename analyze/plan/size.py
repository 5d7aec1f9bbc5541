"""Plan a test: how many shots it takes to see the difference that matters, and what a given number will show."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analyze.defaults import TESTS, WANTED_POWER
from analyze.plan.pilot import Expected
from analyze.plan.power import (
    MOST_SHOTS,
    Aim,
    Goal,
    Size,
    Spreads,
    omnibus_power,
    power,
    same_instead,
    shooters_needed,
    shots_needed,
)
from analyze.plan.simulated_power import SimulatedPower, simulate_power
from analyze.session.folder import Session
from analyze.statistics import inch_from_text
from analyze.statistics.question import Scope
from calibrate.errors import SessionError
from calibrate.units import inch_from_m, m_from_inch, m_from_mm, mm_from_m

COMMON_SHOTS = (3, 5, 7)  # common practice, no source
NEARLY_SURE = 0.995  # a power of `differs` that ends below this is worth a sentence
QUESTIONS = tuple((scope, goal) for scope in Scope for goal in Goal)


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What one kind of answer takes.

    Attributes
    ----------
    scope : Scope
        For whom.
    goal : Goal
        Which answer.
    shots : int or None
        Fewest shots of each shooter with each condition; None where no number up to `MOST_SHOTS` does.
    shooters : int or None
        Fewest shooters with the planned shots each, where no number of shots does and that many do.
    power : float or None
        Of the test as planned, by formula; None where no such answer can come out.
    simulated : SimulatedPower or None
        The same by simulation.
    """

    scope: Scope
    goal: Goal
    shots: int | None
    shooters: int | None
    power: float | None
    simulated: SimulatedPower | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A planned test.

    Attributes
    ----------
    size : Size
        As planned.
    aim : Aim
        What is to be told apart.
    expected : Expected
        How shots are expected to scatter.
    wanted : float
        Power wanted.
    needs : tuple of Need
        For these shooters and for shooters in general, `differs` and `same`.
    powers : mapping of int to tuple
        Powers by formula of some numbers of shots, in the order of `needs`.
    omnibus : tuple of float or None
        Power of the F test over all conditions in either scope.
    cautious_shots : int or None
        Fewest shots where the spreads are as large as the pilot leaves room for; None without a pilot.
    cue_shots : tuple of int or None, or None
        Fewest shots of a comparison of squirt from the lane, and from the cue at equal contact; None without a
        pilot in which the cue was seen.
    """

    size: Size
    aim: Aim
    expected: Expected
    wanted: float
    needs: tuple[Need, ...]
    powers: dict[int, tuple[float | None, ...]]
    omnibus: tuple[float | None, float | None]
    cautious_shots: int | None
    cue_shots: tuple[int | None, int | None] | None = None

    def need(self, scope: Scope, goal: Goal) -> Need:
        """Return the need of one kind of answer."""
        return next(need for need in self.needs if (need.scope, need.goal) == (scope, goal))


def plan_test(
    size: Size,
    aim: Aim,
    expected: Expected,
    *,
    wanted: float = WANTED_POWER,
    keep_shots: bool = False,
    tests: int = TESTS,
    seed: int = 0,
) -> Plan:
    """Find how many shots a test needs, and what it will show.

    Parameters
    ----------
    size : Size
        Conditions and shooters; its number of shots counts with `keep_shots` only.
    aim : Aim
        What is to be told apart.
    expected : Expected
        Spreads.
    wanted : float
        Power.
    keep_shots : bool
        Plan with the shots in `size`, whatever is needed.
    tests : int
        Simulated for each power; 0 for none.
    seed : int
        Of the simulation.

    Returns
    -------
    Plan
        With as many shots as it takes to show a difference for these shooters and, where a margin is stated, that
        two equal conditions are the same: a test that can end in `differs` only cannot answer `no difference`.

    Raises
    ------
    SessionError
        If what is asked contradicts itself, or no number of shots will do.
    """
    spreads = expected.spreads
    if not 0.5 <= wanted < 1:
        raise SessionError(f"power = {wanted:g}, but it must be at least 0.5 and below 1; 0.8 is usual")
    if not aim.difference_mm > 0 or (aim.margin_mm is not None and not aim.margin_mm > 0):
        raise SessionError("the difference that matters, and the margin, must be above zero")
    if aim.margin_mm is not None and aim.margin_mm > aim.difference_mm * (1 + 1e-9):
        raise SessionError(
            f"a difference of {aim.difference_mm:.4g} mm that matters lies within the margin of "
            f"{aim.margin_mm:.4g} mm that does not: state a smaller margin or a larger difference"
        )
    needed = {
        (scope, goal): shots_needed(size, spreads, aim, scope=scope, goal=goal, wanted=wanted)
        for scope, goal in QUESTIONS
    }
    if not keep_shots:
        found = {goal: needed[Scope.THESE, goal] for goal in Goal}
        size = replace(size, shots=_enough(size, expected, aim, found, wanted))
    needs = []
    for number, (scope, goal) in enumerate(QUESTIONS):
        by_formula = power(size, spreads, aim, scope=scope, goal=goal)
        simulated = None
        if tests and by_formula is not None:
            rng = np.random.default_rng([seed, number])
            simulated = simulate_power(size, spreads, aim, scope=scope, goal=goal, tests=tests, rng=rng)
        shooters = None
        if scope is Scope.GENERAL and needed[scope, goal] is None:
            shooters = shooters_needed(size, spreads, aim, scope=scope, goal=goal, wanted=wanted)
        needs.append(
            Need(
                scope=scope,
                goal=goal,
                shots=needed[scope, goal],
                shooters=shooters,
                power=by_formula,
                simulated=simulated,
            )
        )
    shown = sorted({*COMMON_SHOTS, size.shots, *(n.shots for n in needs if n.shots is not None)})
    return Plan(
        size=size,
        aim=aim,
        expected=expected,
        wanted=wanted,
        needs=tuple(needs),
        powers={
            shots: tuple(
                power(replace(size, shots=shots), spreads, aim, scope=scope, goal=goal) for scope, goal in QUESTIONS
            )
            for shots in shown
        },
        omnibus=(
            omnibus_power(size, spreads, aim, Scope.THESE),
            omnibus_power(size, spreads, aim, Scope.GENERAL),
        ),
        cautious_shots=None
        if expected.cautious is None
        else _needed_with(size, aim, expected.cautious.shot_sd_mm, expected, wanted),
        cue_shots=None
        if expected.cue is None
        else (
            _needed_with(size, aim, expected.cue.lane_sd_mm, expected, wanted),
            _needed_with(size, aim, expected.cue.seen_sd_mm, expected, wanted),
        ),
    )


def _enough(size: Size, expected: Expected, aim: Aim, needed: dict[Goal, int | None], wanted: float) -> int:
    asked = [needed[goal] for goal in Goal if goal is Goal.DIFFERS or aim.margin_mm is not None]
    enough = [shots for shots in asked if shots is not None]
    if len(enough) < len(asked):
        most = _most_power(size, expected.spreads, aim)
        if needed[Goal.DIFFERS] is None and most is not None and most < wanted:
            raise SessionError(
                f"power = {wanted:g} is out of reach, {most:.2f} is the most: a difference of "
                f"{aim.difference_mm:.3g} mm so near the margin of {aim.margin_mm:.3g} mm is called the same in "
                f"{100 * (1 - most):.0f} % of tests, however many shots; state a larger difference that "
                "matters, or a smaller margin"
            )
        raise SessionError(
            f"{MOST_SHOTS} shots of each shooter with each condition are not enough to tell "
            f"{aim.difference_mm:.3g} mm with the spreads expected: state a larger difference that matters, "
            "more shooters, or --shots"
        )
    return max(enough)


def _most_power(size: Size, spreads: Spreads, aim: Aim) -> float | None:
    """Power of `differs` for these shooters with as many shots as there may be, where only `same` limits it."""
    many = replace(size, shots=MOST_SHOTS)
    same = same_instead(many, spreads, aim, scope=Scope.THESE)
    found = power(many, spreads, aim, scope=Scope.THESE, goal=Goal.DIFFERS)
    return found if same is not None and found is not None and same >= 0.5 * (1 - found) else None


def _needed_with(size: Size, aim: Aim, shot_sd_mm: float, expected: Expected, wanted: float) -> int | None:
    """Fewest shots for these shooters where shots scatter by so much."""
    spreads = replace(expected.spreads, shot_sd_mm=shot_sd_mm)
    found = [
        shots_needed(size, spreads, aim, scope=Scope.THESE, goal=goal, wanted=wanted)
        for goal in Goal
        if goal is Goal.DIFFERS or aim.margin_mm is not None
    ]
    enough = [shots for shots in found if shots is not None]
    return max(enough) if len(enough) == len(found) else None


def plan_sentences(plan: Plan, units: str) -> tuple[str, ...]:
    """Say in words what was planned on and what comes of it.

    Parameters
    ----------
    plan : Plan
        The plan.
    units : str
        ``inch`` or ``mm``.
    """
    size, aim, spreads = plan.size, plan.aim, plan.expected.spreads

    def length(value_mm: float) -> str:
        return f"{value_mm:.3g} mm" if units == "mm" else f"{inch_from_m(m_from_mm(value_mm)):.3g} in"

    said = [
        f"Expected: shots scatter by {length(spreads.shot_sd_mm)}, and the effect of a condition by "
        f"{length(spreads.interaction_sd_mm)} from shooter to shooter ({spreads.source}).",
        f"Planned: {_count(size.shooters, 'shooter')}, {size.conditions} conditions, {size.shots} shots of each "
        f"shooter with each condition, {size.shots * size.shooters * size.conditions} in all without controls.",
    ]
    asked = {
        Goal.DIFFERS: f"to see that two conditions differ when they differ by {length(aim.difference_mm)}",
        Goal.SAME: f"to show that two equal conditions are the same within {length(aim.margin_mm or 0)}",
    }
    for need in plan.needs:
        if need.goal is Goal.SAME and aim.margin_mm is None:
            continue
        whom = "For these shooters" if need.scope is Scope.THESE else "For shooters in general"
        said.append(f"{whom}, {asked[need.goal]} with power {plan.wanted:g}: {_need_words(need, size)}")
    said += _stalling_words(plan, length)
    if size.conditions > 2:
        found = [
            f"{'these shooters' if scope is Scope.THESE else 'shooters in general'} {share:.2f}"
            for scope, share in zip(Scope, plan.omnibus, strict=True)
            if share is not None
        ]
        said.append(
            "Powers are those of a single pair with intervals that hold for all pairs together. That one "
            f"condition of {size.conditions} lies off the others, the F test over all finds with power: "
            f"{', '.join(found)}."
        )
    if plan.expected.cautious is not None:
        said.append(_cautious_words(plan, length(plan.expected.cautious.shot_sd_mm)))
    if plan.cue_shots is not None and plan.expected.cue is not None:
        gain = plan.expected.cue
        lane, seen = (
            f"more than {MOST_SHOTS} shots" if shots is None else _count(shots, "shot") for shots in plan.cue_shots
        )
        said.append(
            f"Seeing the cue: in {gain.shots} shots of the pilot squirt scatters at the rail by "
            f"{length(gain.lane_sd_mm)} from the lane, and by {length(gain.seen_sd_mm)} from the cue at equal "
            f"contact. To compare squirt alone for these shooters takes {lane} of each shooter with each condition "
            f"from the lane, {seen} with the cue seen."
        )
    return (*said, *plan.expected.notes)


def _need_words(need: Need, size: Size) -> str:
    if need.shots is not None:
        return f"{need.shots} shots of each shooter with each condition."
    if need.scope is Scope.GENERAL and size.shooters < 2 and need.shooters is None:
        return "no number of shots does, and one shooter tells nothing about shooters in general."
    if need.shooters is not None:
        return (
            f"no number of shots does with {_count(size.shooters, 'shooter')}; with {size.shots} shots each, "
            f"{need.shooters} shooters would."
        )
    return f"no number of shots up to {MOST_SHOTS} does."


def _stalling_words(plan: Plan, length: Callable[[float], str]) -> tuple[str, ...]:
    """Say why more shots do not make `differs` surer, where that is because `same` wins: in numbers."""
    size, aim, spreads = plan.size, plan.aim, plan.expected.spreads
    same = same_instead(size, spreads, aim, scope=Scope.THESE)
    most = _most_power(size, spreads, aim)
    if same is None or most is None or most > NEARLY_SURE or aim.margin_mm is None:
        return ()
    farther = replace(aim, difference_mm=1.5 * aim.difference_mm)
    seen = power(size, spreads, farther, scope=Scope.THESE, goal=Goal.DIFFERS)
    tail = f"; one of {length(farther.difference_mm)} it finds with power {seen:.2f}" if seen is not None else ""
    return (
        f"More shots do not make it ever surer that a difference of {length(aim.difference_mm)} is seen: a pair is "
        f"called the same before it is called different, and one so near the margin of {length(aim.margin_mm)} is "
        f"called the same in {100 * same:.1f} % of tests as planned, in {100 * (1 - most):.1f} % with {MOST_SHOTS} "
        f"shots each. So that power ends at {most:.2f}{tail}.",
    )


def _cautious_words(plan: Plan, sd: str) -> str:
    shots = f"{plan.cautious_shots} shots" if plan.cautious_shots else f"more than {MOST_SHOTS} shots"
    return (
        f"The pilot is small: the scatter of shots may well be {sd} (one pilot in ten leaves out more), and then "
        f"it takes {shots} of each shooter with each condition."
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def length_mm_from_text(text: str, units: str, what: str) -> float:
    """Length in mm as a tester writes it: ``6``, ``6 mm``, ``1/4 in``; without a unit, in the session's.

    Parameters
    ----------
    text : str
        The length.
    units : str
        ``inch`` or ``mm``: what a bare number means.
    what : str
        What it is the length of, for the message.

    Raises
    ------
    SessionError
        If it is none.
    """
    plain = text.strip()
    try:
        if plain.endswith("mm"):
            value_mm = float(plain.removesuffix("mm"))
        elif units == "inch" or plain.endswith(("in", '"')):
            value_mm = mm_from_m(m_from_inch(inch_from_text(plain)))
        else:
            value_mm = float(plain)
    except ValueError as error:
        such_as = "1/4, 0.25 or 6 mm" if units == "inch" else "6 or 1/4 in"
        raise SessionError(f"{what} = {text}, but it must be a length such as {such_as}") from error
    if not np.isfinite(value_mm) or not 0 <= value_mm <= 500:
        raise SessionError(f"{what} = {text}, but it must be between 0 and 500 mm")
    return value_mm


def shooters_seen(session: Session) -> tuple[str, ...]:
    """Shooters whose folders are there already: clips/CONDITION/SHOOTER; none where there are none."""
    conditions = session.config.condition_names
    folders = (
        path
        for path in sorted(Path(session.clips_folder).glob("*/*"))
        if path.is_dir() and (not conditions or path.parent.name in conditions)
    )
    return tuple(dict.fromkeys(path.name for path in folders))
