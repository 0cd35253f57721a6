"""Make `later/`: two skis of the demo lot a season later, one of which has gone soft.

Run `python recordings_demo/make_later.py` (about half a minute). Both are weighed, bent, hung and tapped anew, by another
hand and with the microphone at another place. C04L is what it was; C04R has lost 6 % of its bending stiffness all along,
and gained 1 % of mass, as if water had got in. All of it is invented, as the lot is.
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from make_demo import SEED, TAPS, DemoSki, lot_row, record, scenario, truth_entry
from microphone import SAMPLE_RATE_HZ, Position

LATER_SEED = SEED + 7
SOFTER, HEAVIER = 0.94, 1.01
SOUND, SOFT = "C04L", "C04R"


def a_season_later(ski: DemoSki, rng: np.random.Generator) -> DemoSki:
    """The same ski in other hands: hung, struck and bent anew, and what the season did to it."""
    chain = replace(
        ski.chain,
        loops=replace(ski.chain.loops, station=ski.chain.loops.station + 0.004, bounce_hz=rng.uniform(2.0, 3.0)),
    )
    if ski.ski_id == SOFT:
        chain = replace(
            chain,
            hinge_nm2=SOFTER * chain.hinge_nm2,
            torsion_nm2=SOFTER * chain.torsion_nm2,
            node_kg=HEAVIER * chain.node_kg,
            node_kgm2=HEAVIER * chain.node_kgm2,
        )
    blows = tuple(
        replace(
            blow,
            station=rng.uniform(0.430, 0.450),
            offset_m=rng.choice([-1.0, 1.0]) * rng.uniform(0.001, 0.004),
            speed_m_s=0.5 * 10 ** (rng.uniform(-3.0, 3.0) / 20),
        )
        for blow in ski.blows
    )
    starts = rng.uniform(0.6, 1.0) + np.concatenate([[0.0], np.cumsum(rng.uniform(1.42, 1.75, size=TAPS - 1))])
    stiffness = chain.static_stiffness(ski.construction.span_mm / 1000) / 1000 * (1.0 + 0.01 * rng.normal())
    return replace(
        ski,
        chain=chain,
        blows=blows,
        start_s=tuple(float(start) for start in starts),
        position=Position(
            station=rng.uniform(0.40, 0.45), height_m=rng.uniform(0.27, 0.33), aside_m=rng.uniform(0.05, 0.10)
        ),
        label_mass_g=round(1000 * chain.mass_kg),
        label_stiffness_n_per_mm=round(stiffness, 3),
        temperature_c=round(rng.uniform(19.0, 21.0), 1),
        fault="gone-soft: 6 % less bending stiffness all along, 1 % more mass" if ski.ski_id == SOFT else None,
    )


def main() -> None:
    """Write table, truth and recordings."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--output", type=Path, default=Path(__file__).parent / "later", help="folder to write to")
    options = parser.parse_args()
    options.output.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(LATER_SEED)
    skis = [a_season_later(ski, rng) for ski in scenario() if ski.ski_id in (SOUND, SOFT)]
    with (options.output / "lot.csv").open("w", newline="", encoding="utf-8") as file:
        rows = [lot_row(ski) for ski in skis]
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    truth = {"note": "synthetic: made by make_later.py, not measured", "skis": [truth_entry(ski) for ski in skis]}
    (options.output / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    sounds, _ = record(skis, seed=LATER_SEED)
    for ski in skis:
        soundfile.write(options.output / ski.recording, sounds[ski.ski_id], SAMPLE_RATE_HZ, subtype="PCM_16")
        print(f"{ski.ski_id}  {ski.chain.bending_modes(1)[0][0]:.2f} Hz  {ski.fault or 'as it was'}")


if __name__ == "__main__":
    main()
