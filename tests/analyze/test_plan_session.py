"""What `railread plan` and `sheet` ask, take, say and write."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from drawn_hands import drawn
from session_samples import made_up_session, record_of
from typer.testing import CliRunner, Result

from analyze.cli import app
from analyze.measure.batch import BatchOutcome
from analyze.plan.pilot import ASSUMED, Expected, cue_gain, pilot_spreads
from analyze.plan.plan_session import PlanRequest, plan_session
from analyze.plan.power import Aim, Goal, Size, Spreads, same_instead
from analyze.plan.simulated_power import simulate_power
from analyze.plan.size import length_mm_from_text, plan_sentences, plan_test, shooters_seen
from analyze.session.folder import Session, new_session, open_session
from analyze.session.order import ORDER_NAME, read_order
from analyze.session.store import Store
from analyze.statistics import Question, compare
from analyze.statistics.question import Scope
from calibrate.errors import SessionError


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def session(tmp_path) -> Session:
    return new_session(tmp_path / "test")


def request(**said) -> PlanRequest:
    return PlanRequest(**({"difference": "10 mm", "tests": 0, "seed": 1} | said))


def test_a_plan_gives_shots_and_a_complete_order(session):
    made = plan_session(session, request(shooters="S1, S2"))
    # Scatter 10 mm assumed: d = 1, two shooters. With one variance for all 9 would do (32 degrees of freedom:
    # power 0.83 to differ, 0.81 to be the same); a variance for each combination costs a shot.
    assert made.plan.size == Size(conditions=2, shooters=2, shots=10)
    assert read_order(session.folder / ORDER_NAME) == made.order
    assert len(made.order) == 2 * (2 * 10 + 4)
    assert {row.tip_offset_mm for row in made.order} == {0.0, 14.3}
    assert [path.name for path in made.files] == ["order.csv", "order.pdf"]
    assert any("assumed; common practice, no source" in sentence for sentence in made.sentences)
    assert "State the margin before shooting: margin_mm = 10 in [analysis]." in made.sentences


def test_the_same_seed_writes_the_same_bytes(session, tmp_path):
    other = new_session(tmp_path / "other")
    for one in (session, other):
        plan_session(one, request(shooters="S1,S2", shots=5))
    assert (session.folder / ORDER_NAME).read_bytes() == (other.folder / ORDER_NAME).read_bytes()
    assert "seed 1;" in (session.folder / ORDER_NAME).read_text()


def test_an_order_that_is_there_stays_unless_replaced_and_then_is_kept(session):
    plan_session(session, request(shots=5))
    before = (session.folder / ORDER_NAME).read_bytes()
    again = plan_session(session, request(shots=5, seed=2))
    assert (session.folder / ORDER_NAME).read_bytes() == before
    assert again.order == ()
    assert "--replace" in again.sentences[-1]
    replaced = plan_session(session, request(shots=5, seed=2, replace=True))
    assert (session.folder / "order-1.csv").read_bytes() == before
    assert "order-1.csv" in replaced.sentences[-1]


def test_what_is_not_said_is_asked_with_an_answer_to_take(session):
    asked = []

    def ask(question, offered):
        asked.append(offered)
        return "1/2" if "difference" in question else offered

    made = plan_session(session, request(difference=None), ask=ask)
    assert asked == ["", "0.394", "0.197", "S1"]  # session in inches; 10 and 5 mm offered
    assert made.plan.aim.difference_mm == pytest.approx(12.7, rel=1e-12)
    assert made.plan.expected.spreads == ASSUMED
    assert {row.shooter for row in made.order} == {"S1"}


def test_a_stated_margin_is_the_difference_that_matters_unless_another_is_said(session):
    config = session.folder / "session.toml"
    config.write_text(config.read_text().replace("# margin_mm = 6 ", "margin_mm = 6 "))
    made = plan_session(open_session(session.folder), request(difference=None, shots=4))
    assert (made.plan.aim.difference_mm, made.plan.aim.margin_mm) == (6.0, 6.0)
    assert not any("State the margin" in sentence for sentence in made.sentences)


def test_a_word_that_is_no_length_is_asked_again(session):
    asked = []
    answers = iter(["a quarter", "-3", "6 mm", "much", "10 mm", "0.197", "S1"])

    def ask(question, offered):
        asked.append(question)
        return next(answers)

    made = plan_session(session, request(difference=None), ask=ask)
    assert made.plan.aim.difference_mm == pytest.approx(6.0, rel=1e-9)
    assert asked[1].startswith("it = a quarter, but it must be a length such as 1/4, 0.25 or 6 mm. Smallest diff")
    assert asked[2].startswith("it = -3, but it must be between 0 and 500 mm. Smallest")
    assert asked[4].startswith("it = much")
    assert len(asked) == 7


def test_without_anyone_to_ask_the_difference_must_be_said(session):
    with pytest.raises(SessionError, match="--difference 1/4"):
        plan_session(session, request(difference=None))


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"difference": "much"}, "difference = much, but it must be a length such as 1/4"),
        ({"difference": "-3 mm"}, "between 0 and 500 mm"),
        ({"difference": "0"}, "must be above zero"),
        ({"difference": "3 mm", "margin": "6 mm"}, "lies within the margin"),
        ({"shot_sd": "0"}, "shots always scatter"),
        ({"difference": "0.1 mm"}, "500 shots of each shooter"),
        ({"conditions": "A,X"}, 'condition "X" is none of those under test'),
        ({"conditions": "A"}, "1 conditions under test"),
        ({"once": "C"}, "shall be shot in one go"),
        ({"power": 1.0}, "power = 1"),
        ({"shots": 0}, "shots = 0"),
        ({"pilot": Path("nowhere")}, "no pilot"),
    ],
)
def test_wrong_wishes_are_one_clear_line_and_write_nothing(session, said, message):
    with pytest.raises(SessionError, match=message):
        plan_session(session, request(**said))
    assert not (session.folder / ORDER_NAME).exists()


@pytest.mark.parametrize(
    ("text", "units", "mm"),
    [("6", "mm", 6), ("6 mm", "inch", 6), ("1/4", "inch", 6.35), ("1/4 in", "mm", 6.35), ("0.25", "inch", 6.35)],
)
def test_lengths_are_read_in_either_unit(text, units, mm):
    assert length_mm_from_text(text, units, "difference") == pytest.approx(mm, rel=1e-12)


def test_conditions_shot_once_come_in_their_order_and_the_doubt_is_said(session):
    made = plan_session(session, request(once="B,A", shots=3))
    assert [row.condition for row in made.order if row.condition != "control"] == ["B"] * 3 + ["A"] * 3
    assert any("a difference between them holds whatever changed meanwhile" in s for s in made.sentences)


def test_shooters_are_those_with_folders(session):
    (session.clips_folder / "B" / "S9").mkdir()
    (session.clips_folder / "elsewhere" / "S8").mkdir(parents=True)
    assert shooters_seen(session) == ("S1", "S9")


def write_pilot(folder, values):
    rows = [f"{c},{s},{v:.6f}" for (c, s), cell in values.items() for v in cell]
    folder.mkdir()
    (folder / "readings.csv").write_text("\n".join(["condition,shooter,reading_mm", *rows]) + "\n")
    return folder


def test_spreads_of_a_pilot_are_those_of_its_readings(tmp_path):
    """Within cells 1, 2, 3 (sd 1); the interaction by the mean squares of the two-way table."""
    means = {("A", "S1"): 0.0, ("B", "S1"): 8.0, ("A", "S2"): 1.0, ("B", "S2"): 3.0}
    folder = write_pilot(tmp_path / "pilot", {key: np.array([1.0, 2.0, 3.0]) + m for key, m in means.items()})
    found = pilot_spreads(folder)
    assert found.spreads.shot_sd_mm == pytest.approx(1.0, rel=1e-6)
    # MS of interaction: 3 * (8 - 2)**2 / 4 = 27; (27 - 1) / 3 shots.
    assert found.spreads.interaction_sd_mm == pytest.approx(np.sqrt(26 / 3), rel=1e-6)
    # Upper end of the 80 % interval of an sd, 8 degrees of freedom: chi2(0.1; 8) = 3.490 (printed tables).
    assert found.cautious.shot_sd_mm == pytest.approx(np.sqrt(8 / 3.490), rel=1e-3)
    assert "12 shots" in found.spreads.source


def test_what_a_pilot_cannot_tell_is_assumed_and_said(tmp_path):
    found = pilot_spreads(write_pilot(tmp_path / "pilot", {("A", "S1"): [1.0, 2.0, 3.0, 9.0]}))
    assert found.spreads.interaction_sd_mm == ASSUMED.interaction_sd_mm
    assert "cannot tell how a condition's effect varies" in found.notes[0]


def test_a_measured_session_is_a_pilot_too(tmp_path):
    made_up_session(tmp_path / "pilot")
    found = pilot_spreads(tmp_path / "pilot")
    # A by S1: -0.018 and -0.020 rad over 1.87 m, bent by 10 and 12 mm; the control shots do not count.
    readings = 1870 * np.tan([-0.018, -0.020]) + [10, 12]
    # Three cells of four are no complete table, so the scatter is REML's, which leans on the cells' means a little.
    assert found.spreads.shot_sd_mm == pytest.approx(np.std(readings, ddof=1), rel=0.01)


@pytest.mark.parametrize(("values", "message"), [([1.0], "too few shots"), ([2.0, 2.0], "nothing scatters")])
def test_a_pilot_without_a_spread_is_refused(tmp_path, values, message):
    with pytest.raises(SessionError, match=message):
        pilot_spreads(write_pilot(tmp_path / "pilot", {("A", "S1"): values}))


def test_why_differs_stalls_where_same_wins_is_said_in_numbers(tmp_path):
    """At the margin two one-sided tests at 5 % each are wrong in 5 % (Schuirmann 1987), however many shots."""
    cells = {(c, s): [-6.0, 0.0, 6.0, 0.0] for c in "AB" for s in ("S1", "S2")}
    pilot = pilot_spreads(write_pilot(tmp_path / "pilot", cells))
    size, aim = Size(conditions=2, shooters=2, shots=2), Aim(difference_mm=10.0, margin_mm=10.0)
    (said,) = [text for text in plan_sentences(plan_test(size, aim, pilot, tests=0), "mm") if "ever surer" in text]
    assert "called the same in 5.0 % of tests as planned, in 5.0 % with 500 shots each" in said
    assert "that power ends at 0.95; one of 15 mm it finds with power" in said
    with pytest.raises(SessionError, match=r"power = 0.97 is out of reach, 0.95 is the most"):
        plan_test(size, aim, pilot, tests=0, wanted=0.97)
    farther = plan_test(size, Aim(difference_mm=20.0, margin_mm=10.0), pilot, tests=0)
    assert not any("ever surer" in text for text in plan_sentences(farther, "mm"))


def test_the_share_called_the_same_is_that_of_simulated_tests():
    """The formula against the report's own verdicts, where `same` is not rare."""
    size, spreads = Size(conditions=2, shooters=1, shots=8), Spreads(shot_sd_mm=4, interaction_sd_mm=0, source="-")
    aim, rng, tests = Aim(difference_mm=3.0, margin_mm=6.0), np.random.default_rng(6), 400
    same = 0
    for _ in range(tests):
        shots = pd.DataFrame({"condition": ["A"] * 8 + ["B"] * 8, "shooter": "S1"})
        shots["reading_mm"] = rng.normal(0, 4, 16) + np.repeat([0.0, 3.0], 8)
        same += compare(shots, Question(margin=6.0, covariates=()), outlook=False).these.rows[0].verdict == "same"
    expected = same_instead(size, spreads, aim, scope=Scope.THESE)
    assert same / tests == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / tests))


@pytest.mark.parametrize(
    ("said", "source"),
    [
        ({"shot_sd": "8 mm", "shooter_sd": "3 mm"}, "(stated, not measured)"),
        ({"shot_sd": "8 mm"}, "(one stated, not measured; the other assumed; common practice, no source"),
        ({}, "(assumed; common practice, no source"),
    ],
)
def test_what_the_tester_stated_is_said_to_be_stated(session, said, source):
    made = plan_session(session, request(shooters="S1,S2", shots=5, **said))
    assert source in made.sentences[0]


def test_a_stated_spread_beside_a_pilot_says_which_is_which(session, tmp_path):
    folder = write_pilot(tmp_path / "pilot", {(c, s): [1.0, 2.0, 3.0] for c in "AB" for s in ("S1", "S2")})
    made = plan_session(session, request(shooters="S1,S2", shots=5, pilot=folder, shot_sd="8 mm"))
    assert "(one stated, not measured; the other from 12 shots in pilot)" in made.sentences[0]


def test_the_simulation_gives_the_same_share_from_the_same_seed():
    size, spreads = Size(conditions=2, shooters=2, shots=5), Spreads(shot_sd_mm=1, interaction_sd_mm=0, source="-")

    def share(seed):
        rng = np.random.default_rng(seed)
        aim = Aim(difference_mm=1.0)
        return simulate_power(size, spreads, aim, scope=Scope.THESE, goal=Goal.DIFFERS, tests=40, rng=rng).share

    assert share(3) == share(3)
    assert len({share(seed) for seed in range(4)}) > 1


def test_a_pilot_that_is_small_is_said_to_be(tmp_path):
    folder = write_pilot(tmp_path / "pilot", {("A", "S1"): [0.0, 10.0, 20.0], ("B", "S1"): [0.0, 10.0, 20.0]})
    plan = plan_test(
        Size(conditions=2, shooters=1, shots=2), Aim(difference_mm=10.0), pilot_spreads(folder), tests=0
    )
    assert plan.cautious_shots > plan.size.shots


def test_the_verb_plan_says_everything_and_ends_well(session):
    result = run(
        "plan", session.folder, "--difference", "10 mm", "--shooters", "S1,S2", "--simulate", 20, "--seed", 4
    )
    assert result.exit_code == 0, result.output
    assert "planned 10" in result.output
    assert "20 simulated" in result.output
    assert "For shooters in general, to see that two conditions differ" in result.output
    assert (session.folder / ORDER_NAME).exists()


def test_the_verb_plan_without_a_difference_is_one_line(session):
    result = run("plan", session.folder)
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1


def test_the_verb_sheet_writes_what_there_is_to_print(session):
    assert run("sheet", session.folder).exit_code == 0
    assert (session.out_folder / "sheets.pdf").read_bytes().startswith(b"%PDF")
    assert not (session.out_folder / "order.pdf").exists()
    plan_session(session, request(shots=3))
    (session.out_folder / "order.pdf").unlink()
    result = run("sheet", session.folder, "--paper", "letter")
    assert result.exit_code == 0, result.output
    assert (session.out_folder / "order.pdf").exists()
    assert run("sheet", session.folder, "--paper", "A3").exit_code == 2


@pytest.mark.parametrize(("lines", "status", "said"), [(7, 0, "labelled by order.csv"), (6, 1, "it lists 6")])
def test_measure_by_order_labels_or_says_why_not(tmp_path, monkeypatch, lines, status, said):
    """Measuring itself is taken from the database; the failed and the doubtful shot are set aside."""
    session = made_up_session(tmp_path / "test")
    with Store(session.store_path) as store:
        for number, one in enumerate(store.shots(session.clips_folder)):
            path = session.clips_folder / f"{number:04d}.mp4"
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(b"")
            store.forget_clip(one.clip)
            store.save_clip(path.name, record_of(path.name), [one.shot])
        moved = store.shots(session.clips_folder)
    outcome = BatchOutcome(places=(), measured=(), unchanged=(), shots=moved)
    monkeypatch.setattr("analyze.measure.batch.measure_session", lambda session, **_: outcome)
    order = [f"{n},S1,{'control' if n < 3 else 'B'},{n},\n" for n in range(1, lines + 1)]
    (session.folder / ORDER_NAME).write_text("order,shooter,condition,shot,tip_offset_mm\n" + "".join(order))
    result = run("measure", session.folder, "--by-order")
    assert said in result.output.replace("\n", " ")
    assert result.exit_code == max(status, int(outcome.needs_a_person)), result.output
    shots = pd.read_csv(session.out_folder / "shots.csv", keep_default_na=False)
    assert list(shots["condition"]) == (["control"] * 2 + ["B"] * 5 if status == 0 else [""] * 7)


def test_measure_by_order_without_an_order_is_refused_before_measuring(tmp_path, monkeypatch):
    session = made_up_session(tmp_path / "test")
    monkeypatch.setattr("analyze.measure.batch.measure_session", lambda session, **_: pytest.fail("measured"))
    result = run("measure", session.folder, "--by-order")
    assert result.exit_code == 2
    assert "railread plan" in result.stderr


def test_a_pilot_that_shows_the_cue_says_how_many_shots_that_saves(tmp_path):
    """Aim 0.35 degrees and contact 1.2 mm scatter squirt from the lane by 12 mm; 0.06 degrees are left: 1.9 mm."""
    shots = drawn(np.random.default_rng(5), n=12, controls=8)
    gain = cue_gain(made_up_session(tmp_path / "pilot"), shots)
    assert gain.shots == 24
    assert gain.lane_sd_mm == pytest.approx(12.0, rel=0.3)
    assert gain.seen_sd_mm == pytest.approx(2.0, rel=0.3)
    expected = Expected(spreads=Spreads(shot_sd_mm=12.0, interaction_sd_mm=0.0, source="a pilot"), cue=gain)
    plan = plan_test(
        Size(conditions=2, shooters=1, shots=2), Aim(difference_mm=6.0), expected, tests=0, keep_shots=True
    )
    from_lane, seen = plan.cue_shots
    assert from_lane > 30
    # the ratio of the variances says a thirtieth; a few shots are needed for their own scatter
    assert 3 <= seen <= 6
    (said,) = (one for one in plan_sentences(plan, "mm") if one.startswith("Seeing the cue"))
    assert f"takes {from_lane} shots" in said
    assert f"{seen} shots with the cue seen" in said


def test_a_pilot_without_the_cue_says_nothing_of_it(tmp_path):
    made_up_session(tmp_path / "pilot")
    assert pilot_spreads(tmp_path / "pilot").cue is None
