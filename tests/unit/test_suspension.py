"""Loops: closed forms of a uniform bar, and the complex eigenvalues of a chain of segments hung in springs and dashpots."""

from dataclasses import replace

import numpy as np
import pytest
from synthesis import Loops, Shape, build_ski

from taptest.beam.construction import load_construction
from taptest.calibrate.suspension import Bounce, advise, find_bounce, hung_shapes, loop_biases
from taptest.core.errors import CalibrationError
from taptest.io.recording import from_samples

UNIFORM = load_construction("uniform_bar")


@pytest.mark.parametrize(
    ("station", "square", "tolerance"),
    # Derived from the free-free beam's first mode shape: Phi² is 4 at the ends, 0 at 0.2242 L.
    [(0.0, 4.0, 0.002), (0.10, 1.154, 0.005), (0.20, 0.038, 0.002), (0.2242, 0.0, 1e-4), (0.25, 0.039, 0.002)],
)
def test_shape_of_a_uniform_bar(station, square, tolerance):
    assert hung_shapes(UNIFORM, 2.0).square(1, 2.0 * station) == pytest.approx(square, abs=tolerance)


def test_bias_of_a_uniform_bar():
    # Derived: with r = f_bounce/f_1 = 0.1 a shift of r² Phi²/2 and an added damping of r zeta Phi²; at the ends 2 % and 4 %.
    found = loop_biases(hung_shapes(UNIFORM, 2.0), (0.0, 2.0), 30.0, Bounce(3.0, 0.1))
    assert found[0].shift_rel == pytest.approx(0.5 * 0.01 * 4, rel=2e-3)
    assert found[0].damping_added == pytest.approx(0.1 * 0.1 * 4, rel=2e-3)
    assert found[1].frequency_hz / found[0].frequency_hz == pytest.approx(2.7565, rel=1e-3)  # Blevins [from memory]


@pytest.mark.parametrize("station", [0.10, 0.20, 0.25])
def test_against_a_chain_in_springs_and_dashpots(station):
    """The chain's complex eigenvalues, hung and free (recordings_demo/synthesis.py), for a tapered ski."""
    construction = load_construction("skate_generic")
    shape = Shape(
        *(np.array(x) for x in (construction.station, construction.bending_stiffness, construction.mass_per_length))
    )
    loops = Loops(station=station, bounce_hz=2.5, damping_ratio=0.1)
    chain = build_ski(shape, length_m=1.9, mass_kg=0.5, stiffness_n_per_m=7000, span_m=1.3, loops=loops, segments=160)
    free_hz, free_damping = chain.bending_modes(3, hung=False)
    hung_hz, hung_damping = chain.bending_modes(3, hung=True)
    at = round(station * 160) / 160 * 1.9
    found = loop_biases(hung_shapes(construction, 1.9), (at, 1.9 - at), float(free_hz[0]), Bounce(2.5, 0.1))
    for order in range(3):
        assert found[order].damping_added == pytest.approx(
            hung_damping[order] - free_damping[order], rel=0.06, abs=3e-5
        )
        assert found[order].shift_rel == pytest.approx(hung_hz[order] / free_hz[order] - 1, rel=0.15, abs=3e-5)
    # Control: half the bounce damping adds half as much to the chain.
    half = replace(chain, loops=replace(loops, damping_ratio=0.05)).bending_modes(3, hung=True)[1]
    assert half[0] - free_damping[0] == pytest.approx(0.5 * (hung_damping[0] - free_damping[0]), rel=0.05, abs=1e-5)


def test_advice_for_a_uniform_bar():
    advice = advise(UNIFORM, 2.0)
    # Thomson, Theory of Vibration: nodes at 0.224 L from the ends [from memory]; exactly 0.22416 [derived].
    assert advice.nodes_m == (pytest.approx(0.44832, abs=1e-3), pytest.approx(2 - 0.44832, abs=1e-3))
    assert advice.tail_load == pytest.approx(0.5) and advice.balance_m == pytest.approx(1.0)
    assert advice.biases[0].damping_added < 1e-6 and advice.first_assumed
    worst = max(bias.damping_added for bias in advice.spread_biases)
    assert worst < max(bias.damping_added for bias in advice.biases)
    off = {round(each.off_m, 3): each for each in advice.misplaced}
    assert off[0.05].damping_added == pytest.approx(off[-0.05].damping_added, rel=0.4)
    assert off[0.08].damping_added > off[0.02].damping_added > 0


def test_the_compromise_is_the_best_of_its_kind():
    advice = advise(UNIFORM, 2.0)
    best = max(bias.damping_added for bias in advice.spread_biases)
    shapes, rng = hung_shapes(UNIFORM, 2.0), np.random.default_rng(2)
    for _ in range(300):
        loops = (rng.uniform(0.04, 0.9), rng.uniform(1.1, 1.96))
        assert max(each.damping_added for each in loop_biases(shapes, loops, 30.0, advice.bounce)) > 0.97 * best


def test_the_balance_point_moves_mass_and_nodes():
    plain, heavy_tail = advise(UNIFORM, 2.0), advise(UNIFORM, 2.0, balance_m=0.96)
    assert heavy_tail.nodes_m[0] < plain.nodes_m[0] and heavy_tail.balance_m == 0.96
    assert hung_shapes(UNIFORM, 2.0, balance_m=0.96).balance_m == pytest.approx(0.96)
    lopsided = advise(UNIFORM, 2.0, loops_m=(0.3, 1.3))
    assert lopsided.tail_load == pytest.approx(0.3) and any("tip loop carries 70 %" in note for note in lopsided.notes)
    assert any("is stiff" in note for note in advise(UNIFORM, 2.0, bounce=Bounce(6.0, 0.1)).notes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"length_m": 190.0}, "is the unit right"),
        ({"balance_m": 0.1}, "measure from the tail"),
        ({"loops_m": (0.3, 0.8)}, "one belongs on either side"),
        ({"loops_m": (0.3, 2.8)}, "one belongs on either side"),
        ({"first_hz": 0.0}, "3 to 1000 Hz"),
        ({"bounce": Bounce(0.0, 0.1)}, "0.2 to 20 Hz"),
        ({"bounce": Bounce(2.0, 1.5)}, "damping of the bounce"),
    ],
)
def test_what_no_ski_has_is_refused(changes, said):
    with pytest.raises(CalibrationError, match=said):
        advise(UNIFORM, **{"length_m": 2.0, **changes})


def test_a_bounce_in_a_recording():
    rng, rate = np.random.default_rng(4), 8000
    time = np.arange(10 * rate) / rate
    rumble = np.cumsum(rng.normal(size=len(time)))
    rumble -= np.convolve(rumble, np.ones(rate) / rate, mode="same")
    sound = 1e-4 * rng.normal(size=len(time)) + 1e-3 * rumble / rumble.std()
    quiet = find_bounce(from_samples(sound, rate), 0)
    assert quiet is None
    for start in (1.0, 3.1, 5.0, 7.2):
        after = np.maximum(time - start, 0)
        sound = sound + 3e-3 * (time > start) * np.exp(-0.06 * 2 * np.pi * 2.7 * after) * np.sin(
            2 * np.pi * 2.7 * after
        )
    found = find_bounce(from_samples(sound, rate), 0)
    assert found is not None and found.seen
    assert found.frequency_hz == pytest.approx(2.7, abs=0.15)
    with pytest.raises(CalibrationError, match="too short"):
        find_bounce(from_samples(sound[: 2 * rate], rate), 0)


def test_rumble_alone_is_no_bounce():
    seen = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        rumble = np.cumsum(rng.normal(size=8000 * 9))
        seen += find_bounce(from_samples(0.1 * rumble / np.abs(rumble).max(), 8000), 0) is not None
    assert seen <= 3
