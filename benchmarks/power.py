"""How often `check` calls simulated skis outlier or recheck: sound ones, and those with a fault of growing size.

`python benchmarks/power.py [SKIS_PER_FIGURE]` prints shares in percent, with group sizes as columns; minutes. The skis are
those of `tests/support/simulated_lots.py`, one faulty ski a lot.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np
import places  # noqa: F401
from support.simulated_lots import Workshop, simulated_lot

from taptest.screen.check import judge
from taptest.ski.record import Ski

SIZES = (5, 9, 10, 15, 30, 100)
MOVES_PERCENT = (-2.0, -3.0, -4.0, -6.0)
DAMPING = (1.25, 1.5, 2.0)


def moved(ski: Ski, percent: float) -> Ski:
    """The ski with all modes lower, as with a label that gives about twice as much less mass."""
    found = ski.placed
    assert found is not None
    modes = tuple(replace(mode, frequency_hz=mode.frequency_hz * (1 + percent / 100)) for mode in found.modes)
    return replace(ski, placed=replace(found, modes=modes))


def damped(ski: Ski, factor: float) -> Ski:
    """The ski with more damping in every mode."""
    found = ski.placed
    assert found is not None
    modes = tuple(replace(mode, damping_ratio=factor * mode.damping_ratio) for mode in found.modes)
    return replace(ski, placed=replace(found, modes=modes))


def main() -> None:
    """Print the table."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    workshop, rng = Workshop(1), np.random.default_rng(1)
    print("share called outlier / outlier or recheck, %".ljust(46) + "".join(f"{size:>12}" for size in SIZES))
    faults = {
        "sound": lambda ski: ski,
        **{
            f"all modes {size:+.0f} % (mass {-2 * size:.0f} % off)": lambda s, p=size: moved(s, p)
            for size in MOVES_PERCENT
        },
        **{f"damping times {factor:g}": lambda s, f=factor: damped(s, f) for factor in DAMPING},
        "soft spot": None,
    }
    for name, fault in faults.items():
        cells = []
        for size in SIZES:
            words: Counter[str] = Counter()
            for _ in range(max(1, wanted // size) if name == "sound" else wanted):
                lot = simulated_lot(workshop, rng, size, planted="soft spot", bad=0 if fault else 1)
                skis = judge([fault(lot[0]) if fault else lot[0], *lot[1:]])[0]
                words.update(ski.verdict for ski in (skis if name == "sound" else skis[:1]))
            total = words.total()
            both = words["outlier"] + words["recheck"]
            cells.append(f"{100 * words['outlier'] / total:.1f}/{100 * both / total:.1f}".rjust(12))
        print(name.ljust(46) + "".join(cells), flush=True)


if __name__ == "__main__":
    main()
