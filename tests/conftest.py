"""Settings shared by all tests: one thread for linear algebra, and what to do where a system package is missing."""

from __future__ import annotations

import os

# Threads make the small matrices of the fits several times slower; numpy reads these once, when it is imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from pathlib import Path

import pytest


def need_system_file(path: Path, package: str) -> Path:
    """``path``, or skip the test: with TAPTEST_REQUIRE_SYSTEM=1 its absence is a failure instead."""
    if not path.exists():
        missing(f"{path.name} is not installed (Debian package {package})")
    return path


def missing(reason: str) -> None:
    """Skip a test for want of something outside Python; fail where everything is required to be there."""
    if os.environ.get("TAPTEST_REQUIRE_SYSTEM") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


if os.environ.get("CI"):
    from hypothesis import settings

    # The same examples in every run, so that a change is judged by what it changed.
    settings.register_profile("repeatable", derandomize=True, deadline=None)
    settings.load_profile("repeatable")
