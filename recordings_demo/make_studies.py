"""Make the synthetic studies that belong to the demo: `python recordings_demo/make_studies.py` writes two small tables.

Everything is made up. `repeatability.csv`: six skis, three invented operators, two trials each. Planted: 0.10 % of
repeatability in frequency, operators who differ by 0.06 %, and 5 % of repeatability in damping. `temperature.csv`: three
skis measured at four temperatures, whose frequency falls by 0.10 % a kelvin.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

SEED = 20_270_115
FREQUENCY_HZ = (120.7, 123.9, 126.2, 128.8, 131.4, 133.5)
DAMPING_PERCENT = (0.98, 0.92, 0.88, 0.85, 0.78, 0.83)
OPERATORS = {"Ada": -0.0006, "Bo": 0.0001, "Cy": 0.0006}
TEMPERATURES_C = (4.0, 10.0, 16.0, 22.0)
PER_K = -0.0010


def repeatability(rng: np.random.Generator) -> list[list[str]]:
    """Heading and a row a measurement."""
    rows = [["part", "operator", "trial", "frequency_hz", "damping_percent"]]
    for trial in ("1", "2"):
        for operator, bias in OPERATORS.items():
            for number, (hz, percent) in enumerate(zip(FREQUENCY_HZ, DAMPING_PERCENT, strict=True), 1):
                measured = hz * (1 + bias + 0.0010 * rng.standard_normal())
                damped = percent * (1 + 0.05 * rng.standard_normal())
                rows.append([f"R{number}", operator, trial, f"{measured:.2f}", f"{damped:.3f}"])
    return rows


def temperature(rng: np.random.Generator) -> list[list[str]]:
    """Heading and a row a measurement."""
    rows = [["part", "temperature_c", "frequency_hz"]]
    for number, hz in enumerate(FREQUENCY_HZ[:3], 1):
        for warm in TEMPERATURES_C:
            measured = hz * np.exp(PER_K * (warm - 20)) * (1 + 0.0003 * rng.standard_normal())
            rows.append([f"R{number}", f"{warm:g}", f"{measured:.3f}"])
    return rows


def main() -> None:
    """Write both tables."""
    parser = argparse.ArgumentParser(description="Make the demo's studies of repeatability and temperature.")
    parser.add_argument("--output", type=Path, default=Path(__file__).parent, help="folder to write to")
    folder = parser.parse_args().output
    rng = np.random.default_rng(SEED)
    for name, rows in (("repeatability.csv", repeatability(rng)), ("temperature.csv", temperature(rng))):
        with (folder / name).open("w", encoding="utf-8", newline="") as stream:
            stream.write("# synthetic: made by make_studies.py, nothing was measured\n")
            csv.writer(stream, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    main()
