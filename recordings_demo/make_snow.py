"""Make the synthetic results on snow that belong to the demo skis: `python recordings_demo/make_snow.py` writes `snow.csv`.

Everything is made up. On three invented mornings every ski glides out twice, in drawn order, and its rider gives it a
score. Planted: within a kind, the stiffer a ski, the longer it glides out (a correlation of about 0.9 of what is true of
both). The scores have nothing to do with the ski. Everything else is days, drift and scatter.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np
from make_demo import DemoSki, scenario

SEED = 20_270_114
# name of the morning, glide-out of a usual ski in m, snow in °C, drift over the morning in percent
MORNINGS = (("first", 84.0, -6.5, -3.0), ("second", 97.0, -3.0, +2.0), ("third", 71.0, -9.5, -1.0))
PER_SD_PERCENT, OWN_PERCENT = 1.6, 0.7  # of glide: what goes with stiffness, and what goes with nothing
BY_DAY_PERCENT, BY_RUN_PERCENT = 0.4, 0.9
RUNS = 2


def kinds(skis: list[DemoSki]) -> list[str]:
    """Construction and generation of each ski."""
    return [f"{ski.construction.stem} {ski.generation.name}" for ski in skis]


def standardised(values: np.ndarray, kind: list[str]) -> np.ndarray:
    """About the mean of their kind, in standard deviations within kinds."""
    names = np.array(kind)
    about = np.array(values, dtype=float)
    for name in set(kind):
        about[names == name] -= about[names == name].mean()
    return about / np.sqrt((about**2).sum() / (len(about) - len(set(kind))))


def runs() -> list[dict[str, str]]:
    """A row a run."""
    rng = np.random.default_rng(SEED)
    skis = scenario()
    stiffness = [ski.chain.static_stiffness(ski.construction.span_mm / 1000) for ski in skis]
    own = PER_SD_PERCENT * standardised(np.log(stiffness), kinds(skis)) + OWN_PERCENT * rng.normal(size=len(skis))
    rows = []
    for name, usual_m, snow_c, drift in MORNINGS:
        of_the_day = BY_DAY_PERCENT * rng.normal(size=len(skis))
        order = np.concatenate([rng.permutation(len(skis)) for _ in range(RUNS)])
        for at, number in enumerate(order):
            percent = own[number] + of_the_day[number] + drift * at / len(order) + BY_RUN_PERCENT * rng.normal()
            rows.append(
                {
                    "ski_id": skis[number].ski_id,
                    "session": name,
                    "run": str(1 + at // len(skis)),
                    "order": str(at + 1),
                    "temperature_c": f"{snow_c + 1.5 * at / len(order):.1f}",
                    "glide_m": f"{usual_m * np.exp(percent / 100):.1f}",
                    "feel_score": str(int(np.clip(round(6 + 1.5 * rng.normal()), 1, 10))),
                    "note": "synthetic",
                }
            )
    return rows


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--output", type=Path, default=Path(__file__).parent, help="folder to write to")
    options = parser.parse_args()
    rows = runs()
    with (options.output / "snow.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{len(rows)} runs")


if __name__ == "__main__":
    main()
