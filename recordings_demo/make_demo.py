"""Make the synthetic demo recordings: an invented workshop's lot of skis, each hung and tapped five times.

Every ski, label, fault and sound here is made up by this script. Run `python recordings_demo/make_demo.py`; it writes
`lot.csv`, `truth.json` and one FLAC file a ski beside itself (a few minutes) and prints a summary. `pile.csv` holds skis
of the same workshop that are not yet pairs: weighed and bent, not tapped.
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from microphone import SAMPLE_RATE_HZ, Position, Radiation, Surroundings, hiss, hum, in_room, microphone, speech
from synthesis import (
    Blow,
    ChainSki,
    Damping,
    FloatArray,
    Loops,
    Shape,
    build_ski,
    ring,
    smooth_thickness,
    with_soft_spot,
)

SEED = 20_261_125
TAPS = 5
TAP_S = 1.95
FULL_SCALE_PA = 1.0
BENDING_MODES, TORSION_MODES = 10, 5


@dataclass(frozen=True)
class Construction:
    """What a workshop's construction is like on average; the shape is not quite the shipped file's."""

    stem: str
    shape: Shape
    lengths_mm: tuple[int, ...]
    span_mm: int
    mass_g: float
    stiffness_n_per_mm: float


@dataclass(frozen=True)
class Generation:
    """How a generation differs from its construction's average."""

    name: str
    mass: float
    stiffness: float
    damping: float


@dataclass(frozen=True)
class DemoSki:
    """One ski of the scenario: its truth, its label and what was planted in it (None for a sound ski)."""

    ski_id: str
    pair_id: str
    side: str
    construction: Construction
    generation: Generation
    length_mm: int
    chain: ChainSki
    blows: tuple[Blow, ...]
    start_s: tuple[float, ...]
    position: Position
    label_mass_g: int
    label_stiffness_n_per_mm: float
    temperature_c: float
    fault: str | None

    @property
    def recording(self) -> str:
        """File name of the recording."""
        return f"{self.ski_id.lower()}.flac"


_STATIONS = np.array([0.00, 0.04, 0.08, 0.15, 0.25, 0.35, 0.45, 0.50, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.00])


def _workshop_shape(bending: list[float], mass: list[float], torsion_ratio: float, wave: tuple[float, float]) -> Shape:
    """A shape near the shipped one, but not it: this workshop's lay-up is thinner and thicker in slow waves."""
    fine = np.linspace(0.0, 1.0, 101)
    shape = Shape(
        station=fine,
        bending=np.interp(fine, _STATIONS, bending),
        mass=np.interp(fine, _STATIONS, mass),
        torsion_ratio=torsion_ratio,
    )
    return shape.varied(lambda s: 1.0 + wave[0] * np.cos(2 * np.pi * s) + wave[1] * np.sin(3 * np.pi * s))


CLASSIC = Construction(
    stem="classic_generic",
    shape=_workshop_shape(
        [0.069, 0.125, 0.197, 0.349, 0.592, 0.819, 0.972, 1.0, 0.970, 0.805, 0.564, 0.313, 0.161, 0.092, 0.044],
        [0.703, 0.776, 0.848, 0.942, 1.041, 1.116, 1.161, 1.171, 1.160, 1.112, 1.032, 0.925, 0.817, 0.727, 0.639],
        torsion_ratio=0.088,
        wave=(0.010, 0.012),
    ),
    lengths_mm=(2000, 1990),
    span_mm=1400,
    mass_g=520.0,
    stiffness_n_per_mm=4.6,
)
SKATE = Construction(
    stem="skate_generic",
    shape=_workshop_shape(
        [0.083, 0.131, 0.193, 0.320, 0.533, 0.759, 0.949, 1.0, 0.944, 0.736, 0.494, 0.273, 0.148, 0.090, 0.049],
        [0.719, 0.784, 0.851, 0.938, 1.035, 1.116, 1.175, 1.191, 1.174, 1.109, 1.020, 0.913, 0.811, 0.727, 0.645],
        torsion_ratio=0.094,
        wave=(-0.014, 0.010),
    ),
    lengths_mm=(1900, 1890),
    span_mm=1300,
    mass_g=490.0,
    stiffness_n_per_mm=7.2,
)
AMBER = Generation("amber", mass=1.03, stiffness=0.98, damping=1.10)
TEAL = Generation("teal", mass=0.97, stiffness=1.03, damping=0.92)

# (first letter of the ids, construction, generation of each pair in turn)
PAIRS = (
    ("C", CLASSIC, (AMBER, AMBER, AMBER, TEAL, TEAL, TEAL)),
    ("S", SKATE, (AMBER, AMBER, AMBER, TEAL, TEAL, TEAL, TEAL)),
)
SOFT_SPOT, WRONG_MASS, HIGH_DAMPING, DOUBLE_HITS, SPEECH = "C05R", "S02L", "S06R", "C02L", "S04R"
FAULTS = {
    SOFT_SPOT: "soft-spot: half the bending stiffness over 10 % of the length at 0.72 from the tail",
    WRONG_MASS: "wrong-mass: the label says 9 % less than the ski has",
    HIGH_DAMPING: "high-damping: losses inside the ski 1.75 times those of its generation",
    DOUBLE_HITS: "double-hits: the hammer falls twice in taps 2, 3 and 5",
    SPEECH: "speech: somebody talking, no tap",
}
DOUBLE_TAPS = (1, 2, 4)


def scenario(seed: int = SEED) -> list[DemoSki]:
    """The whole lot, in the order of the table."""
    rng = np.random.default_rng(seed)
    skis = []
    for letter, construction, generations in PAIRS:
        for number, generation in enumerate(generations, start=1):
            length_mm = construction.lengths_mm[number % len(construction.lengths_mm)]
            pair_shape = smooth_thickness(rng, 0.004)
            pair_mass_g = construction.mass_g * generation.mass * (1.0 + 0.02 * rng.normal())
            pair_stiffness = construction.stiffness_n_per_mm * generation.stiffness * (1.0 + 0.05 * rng.normal())
            for side in "LR":
                shape = construction.shape.varied(pair_shape).varied(smooth_thickness(rng, 0.003))
                shape = replace(shape, torsion_ratio=shape.torsion_ratio * (1.0 + 0.03 * rng.normal()))
                skis.append(
                    _demo_ski(
                        rng,
                        f"{letter}{number:02d}{side}",
                        construction,
                        generation,
                        length_mm=length_mm,
                        shape=shape,
                        mass_g=pair_mass_g + 2.5 * rng.normal(),
                        stiffness_n_per_mm=pair_stiffness * (1.0 + 0.012 * rng.normal()),
                    )
                )
    return skis


def _demo_ski(
    rng: np.random.Generator,
    ski_id: str,
    construction: Construction,
    generation: Generation,
    *,
    length_mm: int,
    shape: Shape,
    mass_g: float,
    stiffness_n_per_mm: float,
) -> DemoSki:
    damping = Damping().scaled(generation.damping * (1.0 + 0.05 * rng.normal()))
    chain = build_ski(
        shape,
        length_m=length_mm / 1000,
        mass_kg=mass_g / 1000,
        stiffness_n_per_m=1000 * stiffness_n_per_mm,
        span_m=construction.span_mm / 1000,
        damping=damping.scaled(1.75) if ski_id == HIGH_DAMPING else damping,
        loops=Loops(station=0.225, bounce_hz=rng.uniform(2.0, 3.0), damping_ratio=0.06),
    )
    if ski_id == SOFT_SPOT:
        chain = with_soft_spot(chain, centre=0.72)
    blows = [
        Blow(
            station=rng.uniform(0.430, 0.450),
            offset_m=rng.choice([-1.0, 1.0]) * rng.uniform(0.001, 0.004),
            speed_m_s=0.5 * 10 ** (rng.uniform(-3.0, 3.0) / 20),
            tip_n_per_m15=rng.uniform(1.5e6, 3.0e6),
        )
        for _ in range(TAPS)
    ]
    if ski_id == DOUBLE_HITS:
        for tap in DOUBLE_TAPS:
            again = replace(
                blows[tap], second_after_s=rng.uniform(0.045, 0.085), second_speed_m_s=rng.uniform(0.22, 0.34)
            )
            blows[tap] = again
    start_s = rng.uniform(0.6, 1.0) + np.concatenate([[0.0], np.cumsum(rng.uniform(1.42, 1.75, size=TAPS - 1))])
    stiffness = chain.static_stiffness(construction.span_mm / 1000) / 1000 * (1.0 + 0.01 * rng.normal())
    return DemoSki(
        ski_id=ski_id,
        pair_id=ski_id[:-1],
        side=ski_id[-1],
        construction=construction,
        generation=generation,
        length_mm=length_mm,
        chain=chain,
        blows=tuple(blows),
        start_s=tuple(float(start) for start in start_s),
        position=Position(
            station=rng.uniform(0.40, 0.45), height_m=rng.uniform(0.27, 0.33), aside_m=rng.uniform(0.05, 0.10)
        ),
        label_mass_g=round(1000 * chain.mass_kg * (0.91 if ski_id == WRONG_MASS else 1.0)),
        label_stiffness_n_per_mm=round(stiffness, 3),
        temperature_c=round(rng.uniform(19.5, 21.0), 1),
        fault=FAULTS.get(ski_id),
    )


def record(skis: list[DemoSki], seed: int = SEED) -> tuple[dict[str, FloatArray], dict[str, list[int]]]:
    """Recordings by ski id, and how often the hammer touched the ski in each tap."""
    sounds: dict[str, FloatArray] = {}
    contacts: dict[str, list[int]] = {}
    for stem in dict.fromkeys(ski.construction.stem for ski in skis):
        batch = [ski for ski in skis if ski.construction.stem == stem]
        chains = [ski.chain for ski in batch for _ in ski.blows]
        blows = [blow for ski in batch for blow in ski.blows]
        radiation = Radiation(
            chains,
            blows,
            recording=[i for i, ski in enumerate(batch) for _ in ski.blows],
            start_s=[start for ski in batch for start in ski.start_s],
            positions=[ski.position for ski in batch],
            duration_s=max(ski.start_s[-1] for ski in batch) + TAP_S + 0.1,
            tap_s=TAP_S,
        )
        touched = ring(chains, blows, TAP_S, radiation).astype(int).reshape(len(batch), -1)
        for i, ski in enumerate(batch):
            rng = np.random.default_rng([seed, *ski.ski_id.encode()])
            around = Surroundings(
                reverberation_s=rng.uniform(0.30, 0.37), direct_to_reverberant_db=rng.uniform(16.0, 20.0)
            )
            samples = round((ski.start_s[-1] + 1.6) * SAMPLE_RATE_HZ)
            if ski.ski_id == SPEECH:
                said = in_room(speech(samples / SAMPLE_RATE_HZ, rng), rng, around)
                noise = hum(samples, rng, around) + hiss(samples, rng, around.hiss_pa)
                sounds[ski.ski_id] = (said + noise) / FULL_SCALE_PA
                contacts[ski.ski_id] = []
                continue
            pressure = radiation.pressure_pa[i].astype(np.float64)
            sounds[ski.ski_id] = microphone(pressure, rng, full_scale_pa=FULL_SCALE_PA, surroundings=around)[:samples]
            contacts[ski.ski_id] = [int(n) for n in touched[i]]
    return sounds, contacts


def lot_row(ski: DemoSki) -> dict[str, str]:
    """The row of the lot table: what the workshop would have measured."""
    return {
        "ski_id": ski.ski_id,
        "pair_id": ski.pair_id,
        "side": ski.side,
        "construction": ski.construction.stem,
        "generation": ski.generation.name,
        "length_mm": str(ski.length_mm),
        "mass_g": str(ski.label_mass_g),
        "stiffness_n_per_mm": f"{ski.label_stiffness_n_per_mm:.3f}",
        "span_mm": str(ski.construction.span_mm),
        "balance_mm": str(round(1000 * ski.chain.balance_m)),
        "temperature_c": f"{ski.temperature_c:.1f}",
        "recording": ski.recording,
        "note": "synthetic",
    }


def pile(seed: int = SEED + 1, count: int = 21) -> list[dict[str, str]]:
    """Rows of a pile: classic skis of the newer generation of two lengths, in no order; two of them are odd ones."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in rng.permutation(np.arange(1, count + 1)):
        mass_g = CLASSIC.mass_g * TEAL.mass * (1.0 + 0.02 * rng.normal())
        stiffness = CLASSIC.stiffness_n_per_mm * TEAL.stiffness * (1.0 + 0.05 * rng.normal())
        length_mm = CLASSIC.lengths_mm[rng.integers(2)]
        if number in (7, 15):  # one far too stiff, one far too heavy
            mass_g, stiffness = (mass_g, 1.25 * stiffness) if number == 7 else (1.12 * mass_g, stiffness)
        rows.append(
            {
                "ski_id": f"P{number:02d}",
                "construction": CLASSIC.stem,
                "generation": TEAL.name,
                "length_mm": str(length_mm),
                "mass_g": f"{mass_g:.0f}",
                "stiffness_n_per_mm": f"{stiffness:.3f}",
                "span_mm": str(CLASSIC.span_mm),
                "balance_mm": f"{0.4967 * length_mm + 1.5 * rng.normal():.0f}",
                "note": "synthetic",
            }
        )
    return rows


def truth_entry(ski: DemoSki) -> dict[str, Any]:
    """What is true of the ski: modes from the eigenvalues of its chain with all damping, and the planted fault."""
    bending_hz, bending_damping = ski.chain.bending_modes(BENDING_MODES)
    torsion_hz, torsion_damping = ski.chain.torsion_modes(TORSION_MODES)
    taps = [] if ski.ski_id == SPEECH else list(zip(ski.start_s, ski.blows, strict=True))
    return {
        "ski_id": ski.ski_id,
        "construction": ski.construction.stem,
        "generation": ski.generation.name,
        "fault": None if ski.fault is None else ski.fault.partition(":")[0],
        "fault_note": None if ski.fault is None else ski.fault.partition(": ")[2],
        "mass_g": round(1000 * ski.chain.mass_kg, 3),
        "stiffness_n_per_mm": round(ski.chain.static_stiffness(ski.construction.span_mm / 1000) / 1000, 5),
        "bending_hz": [round(float(f), 4) for f in bending_hz],
        "bending_damping_ratio": [round(float(z), 6) for z in bending_damping],
        "torsion_hz": [round(float(f), 4) for f in torsion_hz],
        "torsion_damping_ratio": [round(float(z), 6) for z in torsion_damping],
        "taps": [{"start_s": round(start, 4), "second_after_s": _rounded(blow.second_after_s)} for start, blow in taps],
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def main() -> None:
    """Write the lot table, the truth and the recordings."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--output", type=Path, default=Path(__file__).parent, help="folder to write to")
    parser.add_argument("--no-sound", action="store_true", help="write the tables and truth.json only (seconds)")
    options = parser.parse_args()
    skis = scenario()
    options.output.mkdir(parents=True, exist_ok=True)
    for name, rows in (("lot.csv", [lot_row(ski) for ski in skis]), ("pile.csv", pile())):
        with (options.output / name).open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    truth = {"note": "synthetic: made by make_demo.py, not measured", "skis": [truth_entry(ski) for ski in skis]}
    (options.output / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    if options.no_sound:
        return
    sounds, contacts = record(skis)
    print("ski   f1 Hz  zeta2 %  peak dBFS  noise dBFS  contacts   kB  planted")
    total = 0
    for ski in skis:
        sound = sounds[ski.ski_id]
        path = options.output / ski.recording
        soundfile.write(path, sound, SAMPLE_RATE_HZ, subtype="PCM_16")
        size = path.stat().st_size
        total += size
        hz, damping = ski.chain.bending_modes(2)
        quiet = 20 * np.log10(np.std(sound[: round(0.4 * SAMPLE_RATE_HZ)]))
        print(
            f"{ski.ski_id}  {hz[0]:5.2f}  {100 * damping[1]:7.2f}  {20 * np.log10(np.max(np.abs(sound))):9.1f}  "
            f"{quiet:10.1f}  {','.join(map(str, contacts[ski.ski_id])):9}  {size / 1000:4.0f}  {ski.fault or ''}"
        )
    print(f"{len(skis)} recordings, {total / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
