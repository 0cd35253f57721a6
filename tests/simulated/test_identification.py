"""Placing the ladder on hundreds of random skis, from their sound to the numbers of their modes and the unheard first one.

Truth is the chain's (tests/support/random_skis.py); measured stiffness and mass carry relative errors of 2 % each; the
microphone is high-passed at 80-150 Hz; hum is present. With a generic profile the construction file knows nothing of the
ski's own shape.

In five of six of these sounds the first mode is heard, faintly; where it is not, it is inferred from the others. Half of the
skis are therefore placed twice, the second time with nothing heard below 50 Hz. A construction that is known within two
percent a mode is asked as the ski's own profile, of which the file says that (one percent as standard uncertainty), and as a
profile that is truly wrong by as much. Nobody can infer the first mode within half a percent from the latter without hearing
it: what rig, balance and profile may be wrong by moves the heard modes alike but the first mode by an amount of its own. How
well it can be done is worked out from the truth, `best_with_hindsight`, and what is asked then is measured by it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from support.random_skis import (
    RATE_HZ,
    Outcome,
    build_ski,
    outcome,
    random_shape,
    simulate,
    smooth_thickness,
    undamped_hz,
)
from synthesis import Shape

from taptest.beam.construction import Construction, Torsion, load_construction
from taptest.beam.predict import SkiMeasurements, predict
from taptest.identify.ladder import identify
from taptest.io.recording import from_samples
from taptest.signal.analysis import analyse

pytestmark = pytest.mark.slow

GENERIC = ("classic_generic", "skate_generic", "light_generic")
SKIS = 200
MOSTLY_HEARD = 8  # each bending order from 2 to this one is heard of two skis in three and more


def described(shape: Shape, percent: float) -> Construction:
    """A construction file that has the given shape, with a torsion section as rough as a generic one's."""
    return Construction(
        stem="own",
        name="own profile",
        note="simulated",
        station=tuple(shape.station),
        bending_stiffness=tuple(shape.bending / np.interp(0.5, shape.station, shape.bending)),
        mass_per_length=tuple(shape.mass / np.trapezoid(shape.mass, shape.station)),
        frequency_percent=(percent,),
        torsion=Torsion(tuple(np.full(len(shape.station), 0.12)), 0.0135),
        shear=None,
    )


def off_by_two_percent(rng: np.random.Generator, shape: Shape) -> Shape:
    """The shape with a smooth error of thickness that moves the worst of ten modes by 2 %."""
    ripple = smooth_thickness(rng, 1.0)
    same = {"length_m": 1.9, "mass_kg": 0.5, "stiffness_n_per_m": 3500.0, "span_m": 1.4}
    true = undamped_hz(build_ski(shape, **same), 10)
    size = 0.01
    for _ in range(4):
        changed = shape.varied(lambda s, e=size: 1 + e * (ripple(s) - 1))
        moved = np.abs(np.log(undamped_hz(build_ski(changed, **same), 10) / true)).max()
        size *= min(0.02 / moved, 4.0)
    return shape.varied(lambda s: 1 + size * (ripple(s) - 1))


def knowledge(number: int, shape: Shape, generic: Construction) -> dict[str, Construction]:
    """What may be known of a ski: its kind only, its own profile, or that to within two percent a mode."""
    near = off_by_two_percent(np.random.default_rng([4, number]), shape)
    return {"generic": generic, "own": described(shape, 1.0), "off by two percent": described(near, 2.0)}


def run(torsion_db: float, seed: int) -> dict[str, list[Outcome]]:
    """The same sounds, placed with each knowledge of the ski."""
    results: dict[str, list[Outcome]] = {}
    for number in range(SKIS):
        rng = np.random.default_rng([seed, number])
        generic = load_construction(GENERIC[number % 3])
        shape = random_shape(rng, generic)
        heard = simulate(rng, shape, torsion_db=torsion_db)
        measured = SkiMeasurements(
            heard.length_m,
            heard.mass_kg,
            heard.stiffness_n_per_m,
            heard.span_m,
            stiffness_u_rel=0.02,
            mass_u_rel=0.02,
        )
        modes = analyse(from_samples(heard.samples, RATE_HZ)).modes
        for known, construction in knowledge(number, shape, generic).items():
            predicted = predict(construction, measured)
            found = identify(modes, predicted, low_hz=15.0, high_hz=1500.0)
            results.setdefault(known, []).append(outcome(heard, found))
            if number % 2 == 0:
                deaf = identify([m for m in modes if m.frequency_hz > 50], predicted, low_hz=15.0, high_hz=1500.0)
                off = 100 * np.log(heard.bending_hz[:MOSTLY_HEARD] / np.array(predicted.bending_hz[:MOSTLY_HEARD]))
                inferred = replace(outcome(heard, deaf), off_percent=tuple(off))
                results.setdefault(f"{known}, inferred", []).append(inferred)
    return results


def shares(name: str, results: list[Outcome]) -> tuple[float, float, NDArray[np.float64], NDArray[np.float64]]:
    """Share judged, share judged with a wrong number, errors of the first mode in percent and in units of its uncertainty."""
    judged = [r for r in results if r.judged]
    first = np.array([r.first_error_percent for r in judged])
    units = np.array([r.first_error_u for r in judged])
    wrong = sum(bool(r.wrong) for r in judged) / len(results)
    print(
        f"{name}: judged {len(judged) / len(results):.3f}, with a wrong order {wrong:.3f}, first mode within 2 %"
        f" {np.mean(np.abs(first) < 2):.3f}, within 0.5 % {np.mean(np.abs(first) < 0.5):.3f}, rms {np.std(first):.2f} %,"
        f" within 2 u {np.mean(np.abs(units) < 2):.3f}"
    )
    return len(judged) / len(results), wrong, first, units


def best_with_hindsight(results: list[Outcome]) -> float:
    """Root mean square error in percent of the linear estimate of the first mode that these very skis allow.

    Least squares (numpy) on how far the true orders 2 to 8 of all of them, none missing and without an error of listening,
    are from the prediction. Nobody has this estimate beforehand; an estimator that comes near has used what there is.
    """
    off = np.array([r.off_percent for r in results])
    weights = np.linalg.lstsq(off[:, 1:], off[:, 0], rcond=None)[0]
    return float(np.sqrt(np.mean((off[:, 0] - off[:, 1:] @ weights) ** 2)))


def all_are_placed(where: str, results: dict[str, list[Outcome]]) -> None:
    """What is asked wherever a ski is tapped."""
    _, _, first, units = shares(f"generic, inferred, {where}", results["generic, inferred"])
    # With the ski's own profile, rig and balance alone would leave 84 % within 2 %.
    assert np.mean(np.abs(first) < 2) >= 0.88
    assert np.mean(np.abs(units) < 2) >= 0.93
    for known in ("own", "off by two percent"):
        judged, wrong, first, units = shares(f"{known}, {where}", results[known])
        assert judged - wrong >= 0.99
        assert wrong <= 0.01
        assert np.mean(np.abs(first) < 0.5) >= 0.95
        assert np.mean(np.abs(units) < 2) >= 0.90
    _, _, first, _ = shares(f"own, inferred, {where}", results["own, inferred"])
    assert np.mean(np.abs(first) < 0.5) >= 0.85
    blind = results["off by two percent, inferred"]
    judged, wrong, first, units = shares(f"off by two percent, inferred, {where}", blind)
    best = best_with_hindsight(blind)
    alone = float(np.sqrt(np.mean([r.off_percent[0] ** 2 for r in blind])))
    print(f"with hindsight {best:.2f} % is possible; the prediction alone is off by {alone:.2f} %")
    assert judged - wrong >= 0.99
    assert np.sqrt(np.mean(first**2)) <= 1.6 * best  # 1.32 and 1.45 when this was written; the prediction alone: 2.0
    assert np.mean(np.abs(units) < 2) >= 0.93


def test_tapped_at_mid_width() -> None:
    results = run(-12.0, 1)
    judged, wrong, first, units = shares("generic, mid-width", results["generic"])
    assert judged - wrong >= 0.98
    assert wrong <= 0.005
    assert np.mean(np.abs(first) < 2) >= 0.98
    assert np.mean(np.abs(units) < 2) >= 0.90
    all_are_placed("mid-width", results)


def test_tapped_at_the_edge() -> None:
    results = run(0.0, 2)
    judged, wrong, _, units = shares("generic, edge", results["generic"])
    assert judged >= 0.80
    assert wrong <= 0.02
    assert np.mean(np.abs(units) < 2) >= 0.90
    all_are_placed("edge", results)


def test_without_the_ladder_nothing_is_placed() -> None:
    """Control: the same resonances with shuffled frequencies are not read as a ski with confidence."""
    placed = 0
    for number in range(30):
        rng = np.random.default_rng([5, number])
        construction = load_construction("classic_generic")
        heard = simulate(rng, random_shape(rng, construction), torsion_db=-12.0)
        measured = SkiMeasurements(heard.length_m, heard.mass_kg, heard.stiffness_n_per_m, heard.span_m)
        modes = analyse(from_samples(heard.samples, RATE_HZ)).modes
        scattered = [
            type(m)(**{**m.__dict__, "frequency_hz": float(np.exp(rng.uniform(np.log(60), np.log(1200))))})
            for m in modes
        ]
        found = identify(scattered, predict(construction, measured), low_hz=15.0, high_hz=1500.0)
        placed += not found.ambiguous and len(found.bending()) >= 4
    assert placed <= 6
