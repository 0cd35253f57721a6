"""How long the best pairing of a pile takes: ``python benchmarks/pairing.py``, for 250, 500 and 1,000 skis.

Nothing is asserted; times are of the processor, whatever else it does. The skis are invented and already measured, as
listening to them is another matter; the ratio is against numpy's sorting of as many numbers as there are pairs of skis.
"""

import os
import platform
import resource
import time
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import places  # noqa: F401
from support.simulated_lots import measured_ski, ski_row

from taptest.beam.construction import load_construction
from taptest.pairing.limits import Limit, PairLimits
from taptest.pairing.pairs import pair_up

COUNTS = (250, 500, 1000)


def pile(count: int, *, tapped: bool) -> list[object]:
    """Skis of one kind: mass scatters by 2.5 %, stiffness by 5 %, tone by 0.5 % about what these say."""
    rng = np.random.default_rng(1)
    construction = load_construction("classic_generic")
    model = measured_ski(ski_row("0"), construction, {n: (30.0 * n**1.9, 0.001, 0.01, 0.02) for n in range(2, 10)})
    skis = []
    for number in range(count):
        mass, stiffness = np.exp(0.025 * rng.normal()), np.exp(0.05 * rng.normal())
        tone = np.sqrt(stiffness / mass) * np.exp(0.005 * rng.normal())
        row = replace(model.row, ski_id=f"{number:04d}", mass_kg=0.52 * mass, stiffness_n_per_m=4600 * stiffness)
        heard = model.placed
        modes = tuple(replace(mode, frequency_hz=mode.frequency_hz * tone) for mode in heard.modes)
        skis.append(replace(model, facts=row, placed=replace(heard, modes=modes) if tapped else None))
    return skis


def main() -> None:
    wide = PairLimits({"mass": Limit(0.005, 0.5), "stiffness": Limit(0.03, 1.9)})
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
    for what, tapped, limits in (
        ("tapped, usual limits", True, PairLimits()),
        ("weighed and bent only", False, PairLimits()),
        ("no limits: every pair allowed", False, wide),
    ):
        for count in COUNTS:
            skis = pile(count, tapped=tapped)
            numbers = np.random.default_rng(1).normal(size=count * (count - 1) // 2)
            started = time.process_time()
            np.sort(numbers)
            least = time.process_time() - started
            started = time.process_time()
            found = pair_up(skis, limits)
            taken = time.process_time() - started
            weighed = "" if found.every_partner else ", nearest partners only"
            print(
                f"{what:30} {count:5} skis: {taken:6.2f} s = {taken / least:6.0f} x sorting their pairs, "
                f"{len(found.pairs)} pairs, {len(found.left_over)} left over{weighed}"
            )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
