"""Imports run one way, numeric modules know no screen, and the command line starts without them."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import taptest

PACKAGE = Path(taptest.__file__).parent
# What each layer may import; the ground floor is errors, units, recording and what that is read with.
LAYERS = {
    "errors": set(),
    "units": {"errors"},
    "containers": {"errors"},
    "readers": {"errors", "containers"},
    "recording": {"errors", "units", "containers", "readers"},
    "durable": set(),
    "small_files": set(),
    "chatter": set(),
    "processes": set(),
    "sound": {"errors", "units", "recording"},
    "exchange": {"errors", "containers", "readers", "recording", "durable", "sound"},
    "beam": {"errors", "units", "small_files", "recording"},
    "judge": {"errors", "units", "small_files", "recording", "durable", "processes", "sound", "beam"},
    "capture": {"errors", "units", "recording", "durable", "sound"},
    "listen": {"errors", "units", "recording", "chatter", "sound"},
    "archive": {"errors", "units", "recording", "durable", "sound"},
    "calibrate": {"errors", "units", "small_files", "recording", "durable", "sound", "beam", "judge"},
    "logbook": {
        "errors",
        "units",
        "recording",
        "durable",
        "sound",
        "beam",
        "judge",
        "calibrate",
        "archive",
        "exchange",
    },
    "show": {
        "errors",
        "units",
        "recording",
        "sound",
        "beam",
        "judge",
        "calibrate",
        "logbook",
        "capture",
        "listen",
        "archive",
    },
    "cli": {
        "errors",
        "units",
        "chatter",
        "processes",
        "readers",
        "recording",
        "sound",
        "beam",
        "judge",
        "calibrate",
        "logbook",
        "capture",
        "listen",
        "archive",
        "show",
        "exchange",
    },
    "__main__": {"cli"},
    "library": {"errors", "recording", "sound", "beam", "judge", "calibrate", "logbook", "show"},
    "__init__": {"errors", "library"},
}
SCREEN = {"typer", "rich", "click"}
DATABASE = {"sqlalchemy", "alembic", "psycopg", "sqlite3"}
SCREENLESS = set(LAYERS) - {"show", "cli", "__main__"}
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
    "joblib",
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
]
MODULES = sorted(PACKAGE.rglob("*.py"))


def imported(source):
    """Every module that a source imports, at its top or inside a function."""
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names |= (
                {f"{node.module}.{alias.name}" for alias in node.names} if node.module == "taptest" else {node.module}
            )
    return names


def faults(layer, source):
    """Imports that the layer may not have."""
    allowed = LAYERS[layer] | {layer}
    wrong = set()
    for name in imported(source):
        parts = name.split(".")
        if parts[0] == "taptest" and len(parts) > 1 and parts[1] not in allowed | {"__version__"}:
            wrong.add(name)
        if (parts[0] in SCREEN and layer in SCREENLESS) or parts[0] == "click":
            wrong.add(name)
        if parts[0] in DATABASE and layer != "logbook":
            wrong.add(name)
    return wrong


@pytest.mark.parametrize("path", MODULES, ids=[str(path.relative_to(PACKAGE)) for path in MODULES])
def test_imports_run_one_way(path):
    layer = path.relative_to(PACKAGE).with_suffix("").parts[0]
    assert layer in LAYERS, f"{layer} is a new layer: say what it may import"
    assert faults(layer, path.read_text(encoding="utf-8")) == set()


def test_the_walk_finds_what_it_looks_for():
    assert faults("sound", "def late():\n    from taptest.tables.lot import read_lot\n") == {"taptest.tables.lot"}
    assert faults("beam", "import rich.table") == {"rich.table"}
    assert faults("judge", "from taptest import show") == {"taptest.show"}
    assert faults("cli", "import click") == {"click"}
    assert faults("show", "import sqlalchemy as sa") == {"sqlalchemy"} and faults("logbook", "import sqlite3") == set()
    assert (
        faults("cli", "import typer\nfrom taptest import __version__\nfrom taptest.present.text.tables import prose")
        == set()
    )
    assert len(MODULES) > 20


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        *(
            [name, "--help"]
            for name in (
                "check",
                "report",
                "pairs",
                "compare",
                "relate",
                "analyse",
                "predict",
                "play",
                "record",
                "devices",
                "calibrate",
                "log",
            )
        ),
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
