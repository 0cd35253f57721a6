"""What to do where something outside Python is missing: skip for users, fail where everything is required."""

from __future__ import annotations

import os
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
