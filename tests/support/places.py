"""Where things are in the clone that the tests run in."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "recordings_demo"
