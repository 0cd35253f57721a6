"""Where things are in the clone that the tests run in."""

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "recordings_demo"


def demo_truth(folder: Path = DEMO) -> dict[str, dict[str, Any]]:
    """What is known of every ski of the demonstration, by its id: eigenvalues of the chain that was stepped in time, faults."""
    skis = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["skis"]
    return {ski["ski_id"]: ski for ski in skis}
