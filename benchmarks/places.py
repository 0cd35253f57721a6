"""What benchmarks share with the tests can be imported once this module was: ``tests/support`` and the demonstration's model."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "recordings_demo"

sys.path[:0] = [str(ROOT / "tests"), str(DEMO)]
