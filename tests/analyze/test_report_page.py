"""The page: one file with everything on it, whatever the shots allow; the answer through the command line."""

import html
import re
import subprocess
import sys
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from session_samples import made_up_session

from analyze.cue.difference_split import DifferencePart, DifferenceSplit
from analyze.report.blocks import Grid
from analyze.report.build import build_joint_report, build_report
from analyze.report.evidence import gather
from analyze.report.findings import find
from analyze.report.publish import answer_figure
from analyze.report.results import split_sentence
from analyze.report.words import interval, length, p_value, spread
from analyze.session.decision_log import DecisionKind
from analyze.session.store import Store
from calibrate.errors import SessionError

COMPARISON_COLUMNS = (
    "a,b,quantity,scope,difference_mm,se_mm,df,lo_mm,hi_mm,p_adjusted,method,margin_mm,verdict,more_shots"
)
HEAD = "condition,shooter,reading_mm\n"
SECTIONS = [
    "answer",
    "readings",
    "pairs",
    "parts",
    "cues",
    "variation",
    "budget",
    "rules",
    "shots",
    "publish",
    "methods",
    "provenance",
    "cautions",
]
# Two conditions by two shooters, three shots each: B lies 20 mm to the right of A.
GOOD = HEAD + "".join(
    f"{condition},{shooter},{base + own}\n"
    for condition, shooter, base in (("A", "S1", 10.0), ("A", "S2", 14.0), ("B", "S1", 29.5), ("B", "S2", 34.5))
    for own in (-1.0, 0.2, 0.9)
)


def page_of(folder) -> str:
    return (folder / "out/report.html").read_text(encoding="utf-8")


def report_on(tmp_path, readings: str, settings: str = "") -> str:
    (tmp_path / "readings.csv").write_text(readings, encoding="utf-8")
    if settings:
        (tmp_path / "session.toml").write_text(settings, encoding="utf-8")
    build_report(tmp_path)
    return page_of(tmp_path)


def always_there(page: str) -> list[str]:
    """Sections, without those that only some tests have."""
    return [name for name in re.findall(r'<section id="(\w+)">', page) if name not in ("factors", "ratios")]


def plain(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.partition("<main>")[2]).replace("\xa0", " ").split())


def test_the_page_is_one_file_that_asks_for_nothing_else(tmp_path):
    page = report_on(tmp_path, GOOD)
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", page)
    assert "http" not in page.replace("http://www.w3.org", "")
    assert "<script" not in page
    assert "@media print" in page


def test_every_section_is_there_and_the_answer_comes_first(tmp_path):
    assert always_there(report_on(tmp_path, GOOD)) == SECTIONS


def test_every_picture_says_in_words_what_it_shows(tmp_path):
    images = re.findall(r"<img [^>]*>", report_on(tmp_path, GOOD))
    assert len(images) == 2
    for image in images:
        assert re.search(r'alt="[A-Z][^"]{30,}"', image)


def test_names_that_look_like_markup_stay_names(tmp_path):
    page = report_on(tmp_path, HEAD + "<b>A&B</b>,S1,1\n<b>A&B</b>,S1,2\n")
    assert "<b>" not in page.partition("<main>")[2]
    assert "&lt;b&gt;A&amp;B&lt;/b&gt;" in page


def test_a_clear_difference_is_said_in_the_first_sentences(tmp_path):
    page = plain(report_on(tmp_path, GOOD, "[session]\nunits = 'mm'\n[analysis]\nmargin_mm = 5\n"))
    answer = page[: page.index("Every reading, by condition")]
    assert "12 shots of 2 conditions by 2 shooters count." in answer
    # Group means differ by exactly 20 mm.
    assert "For these shooters and for shooters in general, A and B differ: B reads 20.0 mm to the right" in answer
    assert "the margin stated beforehand is 5.0 mm" in answer


def test_the_reference_comes_first_in_pairs_and_the_margin_into_the_table(tmp_path):
    report_on(tmp_path, GOOD, "[analysis]\nmargin_mm = 5\nreference = 'B'\nconfidence = 0.9\n")
    rows = pd.read_csv(tmp_path / "out/comparisons.csv")
    assert set(zip(rows["a"], rows["b"], strict=True)) == {("B", "A")}
    assert rows["difference_mm"].tolist() == pytest.approx([-20.0, -20.0], abs=0.0005, rel=0)
    assert set(rows["margin_mm"]) == {5.0}
    assert rows["verdict"].tolist()[0] == "differs"


def test_a_lower_confidence_gives_narrower_intervals(tmp_path):
    widths = []
    for confidence in (0.95, 0.8):
        report_on(tmp_path, GOOD, f"[analysis]\nconfidence = {confidence}\n")
        rows = pd.read_csv(tmp_path / "out/comparisons.csv")
        widths.append((rows["hi_mm"] - rows["lo_mm"]).to_numpy())
    assert (widths[1] < widths[0]).all()


def test_the_tables_have_the_columns_that_they_are_promised_to_have(tmp_path):
    report_on(tmp_path, GOOD)
    assert (tmp_path / "out/comparisons.csv").read_text().splitlines()[0] == f"{COMPARISON_COLUMNS},p_shuffled"
    variance = pd.read_csv(tmp_path / "out/variance.csv")
    assert ",".join(variance.columns) == "source,variance_mm2,sd_mm,share,lo_mm,hi_mm"
    assert variance["source"].tolist() == ["condition", "shooter", "condition x shooter", "shot", "measuring"]


def test_angles_are_compared_in_columns_of_their_own(tmp_path):
    made_up_session(tmp_path)
    build_report(tmp_path)
    rows = pd.read_csv(tmp_path / "out/comparisons.csv")
    names = COMPARISON_COLUMNS.split(",")
    assert list(rows.columns) == [
        *names,
        *(name.replace("_mm", "_deg") for name in names if name.endswith("_mm")),
        "p_shuffled",
    ]
    squirt = rows[rows["quantity"].str.startswith("squirt_deg")]
    assert len(squirt)
    assert squirt["difference_mm"].isna().all()
    assert squirt["difference_deg"].notna().any()


DEGENERATE = {
    "one shot": ("A,S1,5\n", ["Only condition A has shots: nothing to compare.", "One shot: its spread"]),
    "one condition": ("A,S1,5\nA,S1,6\nA,S2,7\n", ["Only condition A has shots: nothing to compare."]),
    "one shot of each": ("A,S1,5\nB,S1,6\n", ["B reads 1.0 mm to the right of A, with no interval."]),
    "one shooter": ("A,S1,5\nA,S1,6\nB,S1,9\nB,S1,8\n", ["One shooter tells nothing about shooters in general."]),
    "equal values": ("A,S1,5\nA,S1,5\nB,S1,5\nB,S1,5\n", ["no interval can be given", "All 2 values are equal"]),
    "no cell in common": ("A,S1,5\nA,S1,6\nB,S2,7\nB,S2,9\n", ["No shooter shot both", "A by S2"]),
    "missing readings": (
        "A,S1,\nA,S1,5\nB,S1,nan\nB,S1,6\nB,S1,7\n",
        ["2 of 5 shots have no reading and are not counted.", "3 shots of 2 conditions by 1 shooter count."],
    ),
    "no reading at all": (
        "A,S1,\nB,S1,nan\n",
        ["there is nothing to say about the conditions", "No shots to compare."],
    ),
}


@pytest.mark.parametrize("name", DEGENERATE)
def test_what_the_shots_do_not_tell_is_said_in_a_sentence(tmp_path, name):
    readings, sentences = DEGENERATE[name]
    page = report_on(tmp_path, HEAD + readings, "[session]\nunits = 'mm'\n")
    for sentence in sentences:
        assert sentence in plain(page)
    assert always_there(page) == SECTIONS
    for word in ("nan", "None", "inf"):
        assert not re.search(rf">[^<]*\b{word}\b[^<]*<", page.partition("<main>")[2]), word


@pytest.mark.parametrize("name", ["one shot", "equal values", "no reading at all"])
def test_degenerate_readings_end_well_at_the_command_line(tmp_path, python, name):
    (tmp_path / "readings.csv").write_text(HEAD + DEGENERATE[name][0])
    done = subprocess.run(
        [*python, "-c", "from analyze.cli import app; app()", "report", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "report.html" in done.stdout


def test_controls_alone_compare_nothing(tmp_path):
    page = report_on(tmp_path, "condition,shooter,reading_mm,role\nA,S1,5,control\nA,S1,6,control\n")
    assert "No shots to compare." in plain(page)


def test_a_reference_without_shots_is_said_and_left_out(tmp_path):
    page = plain(report_on(tmp_path, GOOD, "[analysis]\nreference = 'Z'\n"))
    assert "The reference &#34;Z&#34; has no shots that count" in page
    assert "A and B differ" in page


def test_shots_set_aside_stay_in_the_table_with_the_reason(tmp_path):
    readings = "condition,shooter,reading_mm,kept,note\nA,S1,5,no,miscue\nA,S1,6,,\nA,S1,7,,\n"
    page = report_on(tmp_path, readings)
    shots = plain("<main>" + page.partition('<section id="shots">')[2].partition("</section>")[0])
    assert "no miscue" in shots
    assert "2 shots of 1 condition by 1 shooter count. 1 shot with a reading is set aside." in plain(page)


def test_shots_that_the_keep_rule_leaves_out_are_said_to_be(tmp_path):
    settings = "[analysis]\nkeep = 'closest'\nclosest_k = 2\n"
    page = report_on(tmp_path, HEAD + "A,S1,5\nA,S1,6\nA,S1,20\n", settings)
    shots = page.partition('<section id="shots">')[2].partition("</section>")[0]
    assert plain("<main>" + shots).count("left out by the keep rule") == 1
    assert "The rule of this test, stated in its settings, is “closest”" in page


def test_what_rests_on_scatter_is_told_from_all_shots_that_a_rule_chose_from(tmp_path):
    """Squirt of seven shots each; the closest three would show a scatter several times too small."""
    squirt = np.random.default_rng(20240611).normal(0, 0.3, (2, 7)) + [[0.0], [-1.5]]
    readings = "condition,role,shooter,tip_offset_mm,reading_mm\n" + "".join(
        f"{role},{role},S1,{offset},{33 * one}\n"
        for role, offset, values in zip(("control", "test"), ("", 12), squirt, strict=True)
        for one in values
    )
    (tmp_path / "readings.csv").write_text(readings, encoding="utf-8")
    (tmp_path / "session.toml").write_text("[analysis]\nkeep = 'closest'\nclosest_k = 3\n", encoding="utf-8")
    evidence = gather([tmp_path])
    found = find(replace(evidence, table=evidence.table.assign(squirt_deg=evidence.table["reading_mm"] / 33)))
    (row,) = found.cue.rows
    assert row.n == 7
    assert row.shots_se_deg == pytest.approx(squirt[1].std(ddof=1) / np.sqrt(7), rel=1e-9)
    assert row.zero_se_deg == pytest.approx(squirt[0].std(ddof=1) / np.sqrt(7), rel=1e-9)
    assert found.table["kept"].sum() == 6
    assert any("from all 14 shots, not from the 6" in note for note in found.notes)


def test_a_session_shows_failed_and_doubtful_shots_and_where_its_clips_come_from(tmp_path):
    session = made_up_session(tmp_path)
    with Store(session.store_path) as store:
        (stored,) = [one for one in store.shots(session.clips_folder) if one.clip == "A/S1/2.mp4"]
        store.decide(stored, DecisionKind.SET_ASIDE, "moved")
    build_report(tmp_path)
    page = page_of(tmp_path)
    text = plain(page)
    assert "no-ball" in text
    assert "moved" in text
    assert "hash of B/S1/1.mp4" in text
    assert "1 shot could not be measured and 1 shot is doubtful and counts until set aside" in text
    # The squirt of A over its tip offset, and the formula beside it.
    assert "b / sin(squirt)" in text


def test_means_of_different_shooters_are_said_to_be(tmp_path):
    both = "these means are of different shooters; differences are over those who shot both"
    report_on(tmp_path, GOOD)
    assert both not in (tmp_path / "out/answer.txt").read_text(encoding="utf-8")
    report_on(tmp_path, "\n".join(line for line in GOOD.splitlines() if not line.startswith("B,S2")) + "\n")
    assert both in (tmp_path / "out/answer.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(("second", "arrows"), [("A,S1,62\n", 0), ("A,S1,90\n", 2)])
def test_the_picture_to_publish_cuts_no_interval_off_in_silence(tmp_path, second, arrows):
    """Intervals from two shots may dwarf the readings: then an arrow says that they go on."""
    (tmp_path / "readings.csv").write_text(HEAD + "A,S1,60\n" + second + "B,S1,60\nB,S1,61\n")
    evidence = gather([tmp_path])
    findings = find(evidence)
    figure = answer_figure("", evidence, findings, {})
    low, high = figure.axes[0].get_xlim()
    means = findings.comparisons["reading_mm"].these.means
    inside = [low <= end <= high for mean in means for end in (mean.lo, mean.hi)]
    drawn = [line.get_marker() for line in figure.axes[0].lines if line.get_marker() in ("<", ">")]
    assert len(drawn) == inside.count(False)
    assert (len(drawn) > 0) == (arrows > 0)


@pytest.mark.parametrize(("column", "shown"), [("reading_mm", "20.0 mm"), ("reading_in", "20 in")])
def test_without_settings_lengths_are_shown_as_they_were_written(tmp_path, column, shown):
    report_on(tmp_path, GOOD.replace("reading_mm", column))
    answer = (tmp_path / "out/answer.txt").read_text(encoding="utf-8")
    assert f"B reads {shown} to the right of A" in answer


def test_inches_are_read_as_sixteenths_on_the_page(tmp_path):
    page = plain(report_on(tmp_path, "condition,shooter,reading_in\nA,S1,2-7/16\nA,S1,2 7/16\n"))
    assert "2 7/16 in (61.9 mm)" in page


def test_lengths_in_words():
    # 1 in = 25.4 mm
    assert length(61.9125, "inch").replace("\xa0", " ") == "2 7/16 in (61.9 mm)"
    assert length(-61.9125, "mm").replace("\xa0", " ") == "\N{MINUS SIGN}61.9 mm"
    assert interval(-25.4, 61.9125, "inch").replace("\xa0", " ") == "\N{MINUS SIGN}1 to 2 7/16 in"
    assert spread(2.54, "inch").replace("\xa0", " ") == "0.100 in"
    assert length(None, "mm") == interval(None, 1.0, "mm") == spread(float("nan"), "inch") == "\N{EN DASH}"


def test_limits_that_round_to_zero_keep_their_sign_and_small_p_values_are_not_zero():
    assert interval(-0.3, 25.4, "inch").replace("\xa0", " ") == "\N{MINUS SIGN}0 to 1 in"
    assert interval(0.3, 25.4, "inch").replace("\xa0", " ") == "+0 to 1 in"
    assert interval(-0.02, 0.0, "mm").replace("\xa0", " ") == "\N{MINUS SIGN}0.0 to 0.0 mm"
    assert [p_value(p) for p in (1e-12, 0.00012, 0.04)] == ["< 0.0001", "0.0001", "0.040"]


def test_no_p_value_in_the_tables_is_zero(tmp_path):
    apart = HEAD + "".join(
        f"{c},S1,{base + own}\n" for c, base in (("A", 0), ("B", 2.9e3)) for own in (0.1, 0.2, 0.3)
    )
    report_on(tmp_path, apart)
    p = pd.read_csv(tmp_path / "out/comparisons.csv")["p_adjusted"].dropna()
    assert len(p)
    assert (p > 0).all()


def test_conditions_and_shooters_come_in_the_order_of_the_settings_then_in_natural_order(tmp_path):
    rows = HEAD + "".join(
        f"{c},{s},{k}\n" for k, (c, s) in enumerate(product(["B10", "a", "B2", "A"], ["S10", "S9"]))
    )
    report_on(tmp_path, rows)
    summary = pd.read_csv(tmp_path / "out/summary.csv")
    assert list(dict.fromkeys(summary["condition"])) == ["A", "a", "B2", "B10"]
    assert summary["shooter"].tolist()[:2] == ["S9", "S10"]
    report_on(tmp_path, rows, '[[condition]]\nname = "a"\n[[condition]]\nname = "B10"\n')
    for table in ("summary.csv", "keep_rules.csv"):
        there = pd.read_csv(tmp_path / "out" / table)["condition"]
        assert list(dict.fromkeys(there)) == ["a", "B10", "A", "B2"], table
    pairs = pd.read_csv(tmp_path / "out/comparisons.csv")
    assert list(dict.fromkeys(pairs["a"])) == ["a", "B10", "A"]


def test_names_are_never_altered(tmp_path):
    names = ("xShaft", "a", "A", "x$1$", "[red]", "reading_mm-2")
    rows = HEAD + "".join(f"{c},S1,{10 * k + own}\n" for k, c in enumerate(names) for own in (0.1, 0.2, 0.4))
    page = plain(report_on(tmp_path, rows))
    answer = page[: page.index("What to bear in mind")]
    assert "XShaft" not in page
    for name in names:
        assert re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", answer), name
    said = (tmp_path / "out/answer.svg").read_text()
    assert "x$1$" in said
    assert "[red]" in said


def test_the_answer_is_there_to_paste_and_as_a_picture(tmp_path):
    page = plain(report_on(tmp_path, GOOD, "[session]\nunits = 'mm'\nname = 'Two tips'\n"))
    text = (tmp_path / "out/answer.txt").read_text(encoding="utf-8").strip()
    assert text in html.unescape(page)
    # Shooters' means are 10.033 and 14.033 with A, 29.533 and 34.533 with B.
    assert text.startswith("Two tips: 12 shots of 2 conditions by 2 shooters count. For these shooters")
    assert "A 12.0 mm (" in text
    assert "B 32.0 mm (" in text
    assert (tmp_path / "out/answer.png").stat().st_size > 10_000


def test_a_row_must_fit_its_head():
    with pytest.raises(ValueError, match="must have 2 cells, but got 1"):
        Grid(caption="", head=("a", "b"), rows=(("1",),))


def several(tmp_path, shifts) -> list:
    """Sessions that differ by a shift of all their readings, as calibrations do."""
    folders = []
    for k, shift in enumerate(shifts):
        folder = tmp_path / f"day{k + 1}"
        folder.mkdir()
        lines = [line.split(",") for line in GOOD.splitlines()[1:]]
        rows = "".join(f"{c},{s},{float(r) + shift}\n" for c, s, r in lines)
        (folder / "readings.csv").write_text(HEAD + rows)
        folders.append(folder)
    return folders


def test_sessions_together_have_the_session_as_a_source_of_variation(tmp_path):
    folders = several(tmp_path, (0.0, 15.0, -8.0))
    _, made = build_joint_report(folders, tmp_path / "joint")
    variance = pd.read_csv(tmp_path / "joint/variance.csv").set_index("source")
    # Sample sd of the shifts 0, 15, -8: 11.676
    assert variance.loc["session", "sd_mm"] == pytest.approx(11.676, abs=0.35, rel=0)
    rows = pd.read_csv(tmp_path / "joint/comparisons.csv")
    assert rows["difference_mm"].tolist() == pytest.approx([20.0] * len(rows), abs=0.001, rel=0)
    assert any("the session as a random effect" in note for note in made.notes)
    assert "day2" in (tmp_path / "joint/report.html").read_text(encoding="utf-8")


def test_conditions_shot_in_different_sessions_cannot_be_known_better_than_sessions_vary(tmp_path):
    """A on one day, B on the next: the day's own shift is in the difference, so it cannot simply differ."""
    for name, keep in (("day1", "A"), ("day2", "B")):
        (tmp_path / name).mkdir()
        lines = [line for line in GOOD.splitlines()[1:] if line.startswith(keep)]
        (tmp_path / name / "readings.csv").write_text(HEAD + "\n".join(lines) + "\n")
    build_joint_report([tmp_path / "day1", tmp_path / "day2"], tmp_path / "joint")
    rows = pd.read_csv(tmp_path / "joint/comparisons.csv")
    assert "differs" not in set(rows["verdict"])


def test_several_sessions_go_through_the_command_line(tmp_path, python):
    folders = several(tmp_path, (0.0, 15.0))
    done = subprocess.run(
        [
            *(*python, "-c", "from analyze.cli import app; app()", "report"),
            *map(str, folders),
            *("--out", str(tmp_path / "joint")),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "A and B differ: B reads" in done.stdout
    assert (tmp_path / "joint/report.html").is_file()
    assert not (folders[0] / "out").exists()


def test_a_session_named_twice_is_refused(tmp_path):
    folder = several(tmp_path, (0.0,))[0]
    with pytest.raises(SessionError, match="is named twice"):
        build_joint_report([folder, folder], tmp_path / "joint")


def test_a_recording_that_two_sessions_hold_is_told(tmp_path):
    for name in ("day1", "day2"):
        made_up_session(tmp_path / name)
    _, made = build_joint_report([tmp_path / "day1", tmp_path / "day2"], tmp_path / "joint")
    assert any(
        "recordings that an earlier session holds as well (the first: A/S1/1.mp4 of day2)" in note
        for note in made.notes
    )
    # both are shown, one of them counts, and what measuring again changed (nothing here) is said
    assert set(made.findings.table["session"]) == {"day1"}
    assert made.findings.gauge is not None
    assert made.findings.gauge.variances.operator == pytest.approx(0.0, abs=1e-12)
    assert "times, each time with other clicks" in made.page.read_text()
    shots = pd.read_csv(tmp_path / "joint/shots.csv")
    assert list(shots["session"]) == ["day1"] * 7 + ["day2"] * 7


def test_other_rules_of_a_later_session_are_said_not_to_count(tmp_path):
    first, second = several(tmp_path, (0.0, 1.0))
    (second / "session.toml").write_text("[analysis]\nmargin_mm = 4\n")
    _, made = build_joint_report([first, second], tmp_path / "joint")
    assert any("analysis.margin_mm" in note for note in made.notes)


def test_what_a_session_shares_is_kept_out_of_the_shots_own_uncertainty(tmp_path):
    made_up_session(tmp_path)
    evidence = gather([tmp_path])
    table = evidence.table.set_index("clip")
    # The made-up budget of launch: marks 0.0004 rad, shared; ball 0.0003 rad, the shot's own.
    assert table.loc["A/S1/1.mp4", "squirt_sd_deg"] == pytest.approx(0.0003 * 57.29577951308232, rel=1e-9)
    assert evidence.shared_sd["squirt_deg"] == 0.0


def test_the_same_shots_give_the_same_findings(tmp_path):
    (tmp_path / "readings.csv").write_text(GOOD)
    first, second = (find(gather([tmp_path])) for _ in range(2))
    assert first.comparisons["reading_mm"].these.rows == second.comparisons["reading_mm"].these.rows


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the system does not tell what a process used")
def test_a_hundred_thousand_shots_are_reported_in_half_a_minute(tmp_path, python):
    """200 conditions by 4 shooters; 30 s of processor time and 2 GB are what a report may take."""
    rng = np.random.default_rng(20240611)
    condition, shooter = rng.integers(0, 200, 100_000), rng.integers(0, 4, 100_000)
    table = pd.DataFrame({"condition": condition, "shooter": shooter})
    table["condition"], table["shooter"] = "C" + table["condition"].astype(str), "S" + table["shooter"].astype(str)
    table["reading_mm"] = (rng.normal(0, 6, 200)[condition] + rng.normal(0, 8, 100_000)).round(2)
    table["launch_speed_m_s"] = rng.normal(3, 0.3, 100_000).round(3)
    table.to_csv(tmp_path / "readings.csv", index=False)
    program = (
        "import resource, sys; from pathlib import Path; from analyze.report.build import build_report; "
        "build_report(Path(sys.argv[1])); used = resource.getrusage(resource.RUSAGE_SELF); "
        "print(used.ru_utime + used.ru_stime, used.ru_maxrss)"
    )
    done = subprocess.run([*python, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True)
    seconds, peak = (float(text) for text in done.stdout.split())
    # Linux counts in kB, macOS in bytes.
    assert seconds < 30
    assert peak * (1 if sys.platform == "darwin" else 1024) < 2e9
    assert len(pd.read_csv(tmp_path / "out/comparisons.csv")) == 4 * 200 * 199 // 2
    page = plain(page_of(tmp_path))
    assert "100,000 shots are too many for a page" in page
    assert (tmp_path / "out/report.html").stat().st_size < 5e6


def test_what_a_difference_is_made_of_is_told_in_the_tester_s_unit():
    parts = tuple(
        DifferencePart(
            part=name, difference_mm=value_mm, se_mm=half / 2, lo_mm=value_mm - half, hi_mm=value_mm + half
        )
        for name, value_mm, half in (("net", 140.0, 5.0), ("squirt", 146.2, 8.0), ("swerve", -6.2, 9.0))
    )
    split = DifferenceSplit(a="A", b="B", parts=parts, sentence="")
    said = {units: split_sentence(split, units).replace("\xa0", " ") for units in ("mm", "inch")}
    assert said["mm"] == (
        "Of the 140.0 mm between B and A at the rail: 146.2 mm squirt (138.2 to 154.2 mm), "
        "−6.2 mm swerve (−15.2 to 2.8 mm)."
    )
    # 140 mm is 5.512 in, 146.2 mm 5.756 in, 6.2 mm 0.244 in, 138.2 mm 5.441 in, 154.2 mm 6.071 in
    assert said["inch"] == (
        "Of the 5 1/2 in between B and A at the rail: 5 3/4 in squirt (5 7/16 to 6 1/16 in), "
        "−1/4 in swerve (−5/8 to 1/8 in)."
    )


def test_what_no_part_is_told_from_zero_of_is_left_out():
    open_parts = tuple(
        DifferencePart(part=name, difference_mm=2.0, se_mm=None, lo_mm=lo, hi_mm=None if lo is None else 9.0)
        for name, lo in (("net", 1.0), ("squirt", -5.0), ("swerve", None))
    )
    assert split_sentence(DifferenceSplit(a="A", b="B", parts=open_parts, sentence=""), "mm") == ""
