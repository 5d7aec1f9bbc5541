"""The stages know each other in one direction only: calibrate <- tracker <- analyze."""

import ast
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


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_nobody_imports_the_command_line_or_the_page(path):
    inside = path.relative_to(ROOT).parts[:2]
    wanted = imports(path)
    assert not any(name == "analyze.cli" for name in wanted)
    if inside not in (("analyze", "web"), ("analyze", "cli.py")):
        assert not any(name == "analyze.web" or name.startswith("analyze.web.") for name in wanted)
