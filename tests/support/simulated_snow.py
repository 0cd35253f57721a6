"""Invented seasons on snow: what skis are like, how they glide, and how badly it is measured. Knows nothing of the model.

A glide-out is a product: the day's snow, a crust that wears with every run, the ski, the wax it got that day, the rider's
start; with now and then a run that a gust spoils. The tone follows stiffness and mass by f ~ sqrt(k/m).
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from taptest.snow.relate import SkiProperties
from taptest.snow.results import SnowResults, SnowRun


@dataclass(frozen=True)
class Season:
    """``own``: what glides differ by between skis of a kind, ``wax`` by ski and day, ``start`` by run, as shares."""

    skis: int = 30
    kinds: int = 1
    days: int = 4
    runs: int = 2
    own: float = 0.015
    wax: float = 0.004
    start: float = 0.008
    gusts: float = 0.0
    correlation: float = 0.0


def season(rng, plan, planted="stiffness"):
    """Properties of the skis, the kind of each, and the results of a season."""
    kind = np.arange(plan.skis) % plan.kinds
    scatter = {"mass": 0.03, "stiffness": 0.05, "damping": 0.10}
    drawn = {name: rng.normal(size=plan.skis) for name in scatter}
    logs = {name: scatter[name] * drawn[name] + rng.normal(size=plan.kinds)[kind] * 0.2 for name in scatter}
    beyond = 0.004 * rng.normal(size=plan.skis)
    tone = 0.5 * (logs["stiffness"] - logs["mass"]) + beyond
    good = plan.correlation * drawn[planted] + np.sqrt(1 - plan.correlation**2) * rng.normal(size=plan.skis)
    level = rng.normal(size=plan.kinds)[kind] * 0.03  # kinds glide differently, and differ in everything else as well
    ids = [f"{number:03d}" for number in range(plan.skis)]
    properties = [
        SkiProperties(
            ids[i], logs["mass"][i], logs["stiffness"][i], tone[i], np.log(0.01) + logs["damping"][i], beyond[i]
        )
        for i in range(plan.skis)
    ]
    runs = []
    for day in range(plan.days):
        snow_m, wear = 80 * np.exp(0.15 * rng.normal()), 0.02 * rng.normal()
        wax = plan.wax * rng.normal(size=plan.skis)
        order = np.concatenate([rng.permutation(plan.skis) for _ in range(plan.runs)])
        for at, i in enumerate(order):
            start = plan.start * rng.normal() - (0.1 if rng.random() < plan.gusts else 0.0)
            glide_m = snow_m * (1 + wear * at / len(order)) * (1 + plan.own * good[i] + level[i]) * (1 + wax[i] + start)
            runs.append(
                SnowRun(ids[i], f"day {day}", None, float(at + 1), None, None, {"glide_m": float(glide_m)}, "", at + 2)
            )
    return properties, kind.tolist(), SnowResults(Path("snow.csv"), tuple(runs), ())
