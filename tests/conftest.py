"""Settings and fixtures shared by all tests: one thread for linear algebra, and the demonstration measured once."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest

# Threads make the small matrices of the fits several times slower; numpy reads these once, when it is imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from support import heard_once
from support.places import ROOT

from taptest.identify.measured_lot import MeasuredLot
from taptest.screen.check import check_measured
from taptest.screen.result import CheckResult

if os.environ.get("CI"):
    from hypothesis import settings

    # The same examples in every run, so that a change is judged by what it changed.
    settings.register_profile("repeatable", derandomize=True, deadline=None)
    settings.load_profile("repeatable")


def pytest_configure(config: pytest.Config) -> None:
    """What workers and the processes that tests start find in their environment: where to import from, and a folder to share."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        paths = (ROOT, *(ROOT / each for each in config.getini("pythonpath")), os.environ.get("PYTHONPATH", ""))
        os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, map(str, paths)))
        os.environ[heard_once.FOLDER_VARIABLE] = folder = tempfile.mkdtemp(prefix="heard-")
        config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))


@pytest.fixture(scope="session")
def demo_measured() -> MeasuredLot:
    """The demonstration lot, measured with the analyses of its recordings kept."""
    return heard_once.measured_demo()


@pytest.fixture(scope="session")
def demo_checked(demo_measured: MeasuredLot) -> CheckResult:
    """The demonstration lot, judged."""
    return check_measured(demo_measured)
