"""The examples in the docstrings give what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = [
    path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".")
    for path in sorted(ROOT.glob("calibrate/*.py")) + sorted(ROOT.glob("analyze/statistics/*.py"))
    if ">>>" in path.read_text(encoding="utf-8")
]


def test_there_are_examples():
    assert len(MODULES) > 10


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module_hold(name):
    failed, tried = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert tried > 0
    assert failed == 0
