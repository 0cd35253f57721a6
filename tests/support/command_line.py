"""The commands as they are typed: in this process, or each in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

from typer.testing import CliRunner, Result

from taptest.cli import app


def run(*arguments: object, status: int | None = None, **options: Any) -> Result:
    """In this process, 80 columns wide, with the two outputs apart; ``status`` is what it must end with."""
    environment = {"COLUMNS": os.environ.get("COLUMNS", "80"), **options.pop("env", {})}
    done = CliRunner().invoke(app, [str(argument) for argument in arguments], env=environment, **options)
    assert status is None or done.exit_code == status, (done.output, done.exception)
    return done


def command(*arguments: object) -> list[str]:
    """What starts ``taptest`` with these arguments."""
    return [sys.executable, "-m", "taptest", *map(str, arguments)]


def start(*arguments: object, env: Mapping[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[Any]:
    """As a user does: a process of its own, 80 columns wide, outputs as bytes unless ``encoding`` says otherwise."""
    options = {"timeout": 300, "capture_output": True, "check": False, **options}
    return subprocess.run(command(*arguments), env={**os.environ, "COLUMNS": "80", **(env or {})}, **options)
