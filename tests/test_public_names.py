"""What other parts, and other people's programs, rely on is there under its name; what is public is explained."""

import ast
import importlib
import inspect
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
STAGES = ("calibrate", "tracker", "analyze")
MODULES = [path for stage in STAGES for path in sorted((ROOT / stage).rglob("*.py"))]
IDS = [path.relative_to(ROOT).as_posix() for path in MODULES]

# Function: its keyword-only arguments. These are the joints between the stages.
JOINTS = {
    "calibrate.marks.read_marks": (),
    "calibrate.solve.calibrate": ("luma", "size_px", "table", "lane", "ball", "scale", "sigma_px"),
    "calibrate.precision.expected_precision": (),
    "tracker.clip.read_frames": ("capture_fps",),
    "tracker.follow.track_clip": ("capture_fps", "readout", "progress"),
    "analyze.fit.path_fit.fit_path": ("readout", "priors"),
    "analyze.fit.shot.measure_shot": ("readout", "priors"),
    "analyze.session.folder.open_session": (),
    "analyze.measure.batch.measure_session": ("again", "progress", "measure", "workers"),
    "analyze.statistics.summarise": ("quantity", "confidence"),
}


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.mark.parametrize("name", JOINTS)
def test_the_joints_between_the_stages_hold(name):
    module, _, function = name.rpartition(".")
    signature = inspect.signature(getattr(importlib.import_module(module), function))
    keywords = {p.name for p in signature.parameters.values() if p.kind is p.KEYWORD_ONLY}
    assert set(JOINTS[name]) <= keywords


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_every_module_says_what_it_answers_and_every_name_it_exports_is_there(path):
    module = importlib.import_module(module_of(path))
    first = (module.__doc__ or "").strip().splitlines()
    assert first, "the first line of a module says what it answers"
    assert first[0].endswith((".", ":"))
    for name in getattr(module, "__all__", ()):
        assert hasattr(module, name)


@pytest.mark.parametrize("path", [p for p in MODULES if p.name == "__init__.py"], ids=lambda p: module_of(p))
def test_a_package_s_first_page_holds_no_code(path):
    allowed = (ast.Expr, ast.Import, ast.ImportFrom, ast.Assign)
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        assert isinstance(node, allowed)


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_string_stands_where_it_does_nothing(path):
    """A string on its own inside a function is a sentence that lost its way: it is never shown."""
    tree = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    functions = [node for node in tree if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    docstrings = [node.body[0] for node in (*functions, *(node for node in tree if isinstance(node, ast.ClassDef)))]
    for function in functions:
        for node in ast.walk(function):
            alone = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant | ast.JoinedStr)
            assert not alone or node in docstrings, f"{path}: line {node.lineno}"


def test_no_room_is_named_after_nothing():
    vague = {"utils", "helpers", "common", "misc", "tools"}
    assert not vague & {part for path in MODULES for part in path.with_suffix("").parts[len(ROOT.parts) :]}
