"""The command line starts without what only some commands need; which room imports which is import-linter's to check."""

import subprocess
import sys

import pytest

from taptest.cli import COMMANDS

HEAVY = [
    "numpy",
    "scipy",
    "librosa",
    "soundfile",
    "sounddevice",
    "python_calamine",
    "rustworkx",
    "plotille",
    "rich",
    "matplotlib",
    "jinja2",
    "distributed",
    "pandas",
    "xlsxwriter",
    "h5py",
    "pyuff",
    "pyarrow",
    "av",
    "sqlalchemy",
    "alembic",
    "psycopg",
    "platformdirs",
    "msgspec",
    "taptest.config.limits",
]


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        *([name, "--help"] for name, _ in COMMANDS),
    ],
)
def test_help_and_version_load_nothing_heavy(arguments):
    code = (
        "import sys\nfrom taptest.cli import app\n"
        f"try:\n    app({arguments!r})\nexcept SystemExit as end:\n    assert not end.code\n"
        f"print('loaded', *sorted({set(HEAVY)!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stderr == "" and done.stdout.splitlines()[-1] == "loaded"


def test_json_needs_no_tables():
    one_ski = "--construction uniform_bar --length 1900 --mass 520 --stiffness 3 --span 1400"
    code = (
        "import sys\nfrom taptest.cli import app\n"
        f"try:\n    app({['predict', *one_ski.split(), '--json']!r})\n"
        "except SystemExit as end:\n    assert not end.code\n"
        "print('loaded', *sorted({'rich', 'soundfile', 'taptest.present.text.tables'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines()[-1] == "loaded", done.stderr
