"""What the documents say is what the program does."""

import re
from pathlib import Path

import pytest
import typer

from analyze.cli import app
from analyze.errors import REASONS
from analyze.session.config import known_keys
from analyze.session.shots_frame import SHOT_COLUMNS
from tracker.clip import CLIP_SUFFIXES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = ("python -m pip install . && railread demo", 'python -m pip install ".[test]" && python -m pytest')


def test_the_readme_opens_with_the_job_and_then_two_commands():
    head, *rest = re.split(r"\n    (?=python)", README)
    assert head.startswith("# railread\n\nrailread measures billiard shots from phone recordings.")
    assert [part.splitlines()[0] for part in rest] == list(COMMANDS)


def test_the_checks_run_the_test_command_of_the_readme():
    assert f"\n{COMMANDS[1]}\n" in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_every_reason_is_in_the_readme_word_for_word():
    table = README.partition("<!-- reasons -->\n")[2].partition("\n<!-- end of reasons -->")[0]
    rows = [f"| `{reason.slug}` | {reason.sentence} | {reason.advice} |" for reason in REASONS.values()]
    assert table.splitlines() == ["| reason | what happened | what to do |", "| --- | --- | --- |", *rows]


def test_reasons_have_a_name_of_their_own_and_two_sentences():
    for slug, reason in REASONS.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", slug)
        assert slug == reason.slug
        assert reason.sentence.endswith(".")
        assert reason.advice.endswith(".")


def test_every_verb_is_in_the_readme_and_explains_itself():
    verbs = typer.main.get_command(app).commands
    assert set(re.findall(r"^\| `railread ([\w-]+)", README, flags=re.M)) == set(verbs)
    for name, verb in verbs.items():
        assert len(verb.help or "") > 60, name


@pytest.mark.parametrize("section", known_keys())
def test_every_key_of_session_toml_is_in_the_readme(section):
    for key in known_keys()[section]:
        assert f"`{section}.{key}`" in README, key


def test_every_column_of_the_table_of_shots_is_in_the_readme():
    for column in SHOT_COLUMNS:
        assert f"`{column}`" in README or ("_sd_" in column and "with `…_sd_…`" in README), column


def test_every_kind_of_recording_is_in_the_readme():
    for suffix in CLIP_SUFFIXES:
        assert suffix in README


def test_the_developers_page_opens_with_the_map_and_its_files_are_there():
    table = DEVELOPERS.partition("## Where to change what\n\n")[2].partition("\n\n")[0]
    assert table.startswith("| to change … | go to … | tested in … | source |\n")
    for name in re.findall(r"`((?:calibrate|tracker|analyze|tests|sample_clips)/[\w/.]*)`", table):
        assert (ROOT / name).exists(), name


def test_every_dependency_has_its_reason():
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    listed = re.findall(
        r'"([a-z0-9-]+)>=', project.partition("dependencies = [")[2].partition("[project.scripts]")[0]
    )
    for name in listed:
        assert re.search(rf"^\|.*\b{re.escape(name)}\b.*\|", DEVELOPERS, flags=re.M), name


def test_no_document_speaks_of_files_outside_the_project():
    for text in (README, DEVELOPERS):
        assert ".." not in text.replace("…", "")
