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
