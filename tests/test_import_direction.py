"""The stages know each other in one direction only: calibrate <- tracker <- analyze."""

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "calibrate": {"calibrate"},
    "tracker": {"calibrate", "tracker"},
    "analyze": {"calibrate", "tracker", "analyze"},
    # The renderer has its own projection and physics: the same formula twice would prove nothing.
    "sample_clips": {"sample_clips"},
}
OURS = {*MAY_IMPORT, "tests"}
MODULES = [path for stage in MAY_IMPORT for path in sorted((ROOT / stage).rglob("*.py"))]
IDS = [path.relative_to(ROOT).as_posix() for path in MODULES]


def imports(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            names.add(node.module or "")
    return names


def test_there_is_something_to_check():
    assert len(MODULES) > 30


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_a_stage_imports_only_itself_and_those_before_it(path):
    stage = path.relative_to(ROOT).parts[0]
    ours = {name.split(".")[0] for name in imports(path)} & OURS
    assert ours <= MAY_IMPORT[stage]


def analyze_room(name: str) -> str | None:
    """Folder of analyze that a module is in; None for one at its root, or elsewhere."""
    parts = name.split(".")
    return parts[1] if parts[0] == "analyze" and len(parts) > 1 and (ROOT / "analyze" / parts[1]).is_dir() else None


def test_no_folder_of_analyze_imports_one_that_imports_it():
    wanted: dict[str, set[str]] = {}
    for path in MODULES:
        room = analyze_room(".".join(path.relative_to(ROOT).with_suffix("").parts))
        if room is not None:
            wanted.setdefault(room, set()).update(
                other for name in imports(path) if (other := analyze_room(name)) not in (None, room)
            )
    assert len(wanted) > 5
    TopologicalSorter(wanted).prepare()  # raises CycleError, which names the folders


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_report_is_imported_by_the_command_line_and_the_page_alone(path):
    inside = path.relative_to(ROOT).parts[:2]
    if inside not in (("analyze", "report"), ("analyze", "web"), ("analyze", "cli")):
        assert "report" not in {analyze_room(name) for name in imports(path)}


def test_statistics_imports_nothing_else_of_analyze():
    for path in sorted((ROOT / "analyze" / "statistics").rglob("*.py")):
        assert {analyze_room(name) for name in imports(path)} <= {None, "statistics"}


def loaded(code: str) -> set[str]:
    """Names of all modules that a process of its own has loaded after `code`, which may print."""
    code = f"import sys\n{code}\nprint()\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split())


@pytest.mark.parametrize("module", ["analyze.session.calibration", "analyze.session.shots_frame"])
def test_listing_shots_and_calibrating_load_neither_report_nor_workers(module):
    unwanted = ("analyze.report", "analyze.measure", "concurrent.futures.process")
    assert not [name for name in loaded(f"import {module}") if name.startswith(unwanted)]


@pytest.mark.parametrize("asked", [["--help"], ["--version"], ["plan", "--help"]], ids=" ".join)
def test_help_is_there_at_once(asked):
    names = loaded(f"from analyze.cli import app\ntry: app({asked})\nexcept SystemExit as end: assert not end.code")
    assert "analyze.cli" in names
    assert not names & {"numpy", "scipy", "pandas", "cv2", "av", "matplotlib", "fastapi"}


def test_a_worker_that_measures_a_recording_loads_no_tables_plots_or_pages():
    names = loaded("import analyze.cli, analyze.measure.worker, analyze.measure.clip")
    assert "cv2" in names
    assert not names & {"pandas", "matplotlib", "fastapi", "jinja2", "rich", "pydantic", "scipy.stats"}


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_nobody_imports_the_command_line_or_the_page(path):
    inside = path.relative_to(ROOT).parts[:2]
    wanted = imports(path)
    if inside != ("analyze", "cli"):
        assert not any(name.split(".")[:2] == ["analyze", "cli"] for name in wanted)
    if inside not in (("analyze", "web"), ("analyze", "cli")):
        assert not any(name == "analyze.web" or name.startswith("analyze.web.") for name in wanted)
