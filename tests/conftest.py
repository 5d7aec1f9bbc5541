"""One thread in each process: the tests run on all cores as it is, and small matrices suffer from more."""

import os
import sys

import pytest

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


@pytest.fixture(scope="session")
def python(request):
    """The command of a Python to which warnings are errors, unless `-W` lets the tests off them."""
    return [sys.executable, "-W", "ignore" if request.config.getoption("pythonwarnings") else "error"]


def pytest_collection_modifyitems(items):
    """Files with slow tests come first: one that begins last would keep a single process busy at the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)
