"""Damping in a room that is known: right where it is not flagged, flagged where it is wrong, and never where it outlasts it."""

import math
from dataclasses import replace
from typing import NamedTuple

import make_demo
import numpy as np
import pytest
from microphone import Radiation, Surroundings, microphone
from synthesis import ring

from taptest.config.corrections import Corrections, RoomDecay
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.io.recording import from_samples
from taptest.signal.analysis import MODE_FLAGS, analyse
from taptest.signal.room import Damping, room_corrected, room_u_rel

ROOMS_S = (0.3, 0.6, 1.2)
TAPS = 4
# The first mode, at 30 to 37 Hz, lies 40 dB below the others where the microphone is deaf; nothing is asked of it.
LOWEST_HZ = 50.0
# From the third mode on the microphone hears them well; the second lies 30 dB below those.
LOUD_HZ = 120.0


class Heard(NamedTuple):
    """A mode heard in a room: its true decay over the room's, error of damping, and the upper limit over the truth."""

    room_s: float
    hz: float
    ratio: float
    error: float
    flags: tuple[str, ...]
    u: float
    limit: float | None


def limit_over_truth(mode, damping):
    return None if mode.damping_ratio_limit is None else mode.damping_ratio_limit / damping


def decay_s(frequency_hz, damping_ratio):
    """ln(1000)/(zeta omega) [derived]."""
    return math.log(1000) / (damping_ratio * 2 * math.pi * frequency_hz)


@pytest.fixture(scope="module")
def direct():
    """Sound of two skis without a room, stepped in time, and their modes from the eigenvalues of the chain."""
    skis = [ski for ski in make_demo.scenario() if ski.ski_id in ("C05L", "S01L")]
    blows = [blow for ski in skis for blow in ski.blows[:TAPS]]
    radiation = Radiation(
        [ski.chain for ski in skis for _ in range(TAPS)],
        blows,
        recording=[number for number in range(len(skis)) for _ in range(TAPS)],
        start_s=[start for ski in skis for start in ski.start_s[:TAPS]],
        positions=[ski.position for ski in skis],
        duration_s=max(ski.start_s[TAPS - 1] for ski in skis) + make_demo.TAP_S + 0.1,
        tap_s=make_demo.TAP_S,
    )
    ring([ski.chain for ski in skis for _ in range(TAPS)], blows, make_demo.TAP_S, radiation)
    modes = [(*ski.chain.bending_modes(12), *ski.chain.torsion_modes(8)) for ski in skis]
    return list(zip(radiation.pressure_pa, modes, strict=True))


@pytest.fixture(scope="module")
def heard(direct):
    """(room, true decay over room's, relative error of damping, flags) of every mode heard, the room known and not known."""
    found = {True: [], False: []}
    for number, (pressure, (bending_hz, bending, torsion_hz, torsion)) in enumerate(direct):
        true = [*zip(bending_hz, bending, strict=True), *zip(torsion_hz, torsion, strict=True)]
        for room_s in ROOMS_S:
            for seed in range(2):
                rng = np.random.default_rng([seed, number, round(10 * room_s)])
                around = Surroundings(reverberation_s=room_s)
                sound = microphone(
                    pressure.astype(float), rng, full_scale_pa=make_demo.FULL_SCALE_PA, surroundings=around
                )
                recording = from_samples(sound, 48_000)
                for known in (True, False) if seed == 0 else (True,):
                    modes = analyse(recording, Settings(room_s=room_s if known else None)).modes
                    for hz, damping in true:
                        near = [mode for mode in modes if abs(mode.frequency_hz / hz - 1) < 0.006]
                        if hz > LOWEST_HZ and near:
                            mode = max(near, key=lambda mode: mode.level_db)
                            error = mode.damping_ratio / damping - 1
                            ratio = decay_s(hz, damping) / room_s
                            u = mode.damping_ratio_u / mode.damping_ratio
                            found[known].append(
                                Heard(room_s, hz, ratio, error, mode.flags, u, limit_over_truth(mode, damping))
                            )
    return found


@pytest.mark.slow
def test_what_outlasts_the_room_has_no_mark_where_it_is_heard_well(direct):
    """A microphone without a high-pass and with 20 dB less noise than a laptop's: then only the room is left to blame.

    Of eight skis that nothing was set on 4 of 168 such modes were marked when this was written, all of C05L.
    """
    outlasting = []
    for number, (pressure, (bending_hz, bending, torsion_hz, torsion)) in enumerate(direct):
        for room_s in ROOMS_S:
            around = Surroundings(reverberation_s=room_s, high_pass_hz=20.0, hiss_pa=3.2e-5, hum_pa=1.6e-5)
            rng = np.random.default_rng([5, number, round(10 * room_s)])
            sound = microphone(pressure.astype(float), rng, full_scale_pa=make_demo.FULL_SCALE_PA, surroundings=around)
            modes = analyse(from_samples(sound, 48_000), Settings(room_s=room_s)).modes
            for hz, damping in zip((*bending_hz, *torsion_hz), (*bending, *torsion), strict=True):
                near = [mode for mode in modes if abs(mode.frequency_hz / hz - 1) < 0.006]
                if near and decay_s(hz, damping) > 2 * room_s:
                    mode = max(near, key=lambda mode: mode.level_db)
                    outlasting.append((mode.damping_ratio / damping - 1, mode.flags))
    # The first two modes of both skis in every room, and some more.
    assert len(outlasting) >= 12
    assert not [flags for _, flags in outlasting if "room-limited" in flags]
    clean = [error for error, flags in outlasting if "uncertain-damping" not in flags]
    assert len(clean) >= 0.8 * len(outlasting) and max(map(abs, clean)) < 0.05


@pytest.mark.slow
def test_damping_in_rooms_of_three_sizes(heard):
    """One test, so that the sound is computed once."""
    known, unknown = heard[True], heard[False]
    # What is not flagged is right, and what is wrong is flagged.
    clean = [each.error for each in known if not each.flags]
    assert len(clean) >= 4
    assert max(map(abs, clean)) < 0.05
    wrong = [each.flags for each in known if abs(each.error) > 0.05]
    assert len(wrong) > 20 and all(wrong)
    # Control: the same recordings, the room not known.
    assert len([each for each in unknown if abs(each.error) > 0.05 and not each.flags]) > 10
    # Nothing that clearly outlasts the room is called limited by it, and little of what is well heard is marked at all (of 75, 6;
    # README); what dies before the room does is limited by it.
    slower = [each for each in known if each.ratio > 2.0]
    assert len(slower) >= 10 and not [each for each in slower if "room-limited" in each.flags]
    loud = [each for each in slower if each.hz > LOUD_HZ]
    assert len(loud) >= 8 and np.mean(["uncertain-damping" in each.flags for each in loud]) < 0.3
    faster = [each for each in known if each.ratio < 1.0]
    limited = ["room-limited" in each.flags for each in faster]
    assert len(faster) >= 30 and np.mean(limited) >= 0.95
    # Its limit holds, and is no empty promise: 95 % of hundreds (README), so above 88 % of these.
    limits = [each.limit for each in known if each.limit is not None]
    assert len(limits) >= 50 and np.mean([limit > 1 for limit in limits]) > 0.88
    assert np.median(limits) < 1.5
    assert {"room-limited" in each.flags for each in known if each.limit is not None} == {True}
    # Two uncertainties hold nine in ten of hundreds. Waiting until the room has settled is what makes them right.
    told = [abs(each.error) < 2 * each.u for each in known if "room-limited" not in each.flags]
    assert len(told) >= 15 and np.mean(told) > 0.75
    slow = [[abs(each.error) for each in some if 2 < each.ratio < 4] for some in (known, unknown)]
    assert np.median(slow[0]) < 0.6 * np.median(slow[1])


@pytest.mark.parametrize(("ratio", "wait"), [(0.5, 0.0), (1.0, 0.0), (3.0, 0.0), (3.0, 0.3), (6.0, 0.3)])
def test_what_a_room_does_to_damping(ratio, wait):
    """Against noise under an exponential, convolved with a tone and fitted, all of it done here: no formula in common."""
    rng = np.random.default_rng(round(10 * ratio + 100 * wait))
    decay, step, energy, trials = 1.0, 0.01, 10 ** (-18 / 10), 400
    time = np.arange(0.0, 12.0, step)  # decays: the tone has fallen by 100 dB
    tone = np.exp(-decay * time)
    first = round(wait * math.log(1000) / (ratio * decay) / step)
    found = []
    for _ in range(trials):
        # At the tone's own frequency a real room is complex noise; its energy is that of the direct sound times `energy`.
        room = rng.normal(size=(len(time), 2)).view(complex)[:, 0] * np.exp(-ratio * decay * time)
        room *= math.sqrt(energy * 2 * ratio * decay / 2 / step)
        heard = (
            tone + np.fft.ifft(np.fft.fft(room, 2 * len(time)) * np.fft.fft(tone, 2 * len(time)))[: len(time)] * step
        )
        heard, exponent = heard[first:], complex(-decay)
        for _ in range(4):
            fitted = np.exp(exponent * time[: len(heard)])
            amplitude = np.vdot(fitted, heard) / np.vdot(fitted, fitted)
            columns = np.stack([fitted, amplitude * time[: len(heard)] * fitted], axis=1)
            exponent += np.linalg.lstsq(columns, heard - amplitude * fitted, rcond=None)[0][1]
        found.append(-exponent.real / decay - 1)
    # A standard deviation from 400 is known within 3.5 %, and the formula is the first order in the room's amplitude.
    assert np.std(found) == pytest.approx(room_u_rel(ratio, wait), rel=0.15)


def test_which_damping_is_believed():
    room = RoomDecay((1000.0,), (0.5,))
    omega = 2 * math.pi * 100.0

    def lasting(times):
        return math.log(1000) / (times * 0.5 * omega)

    def settled(times, u, wait=0.6):
        return Damping(lasting(times), u, wait)

    near = room_corrected(room, 100.0, Damping(lasting(1.4), 0.0), [settled(1.4, 0.0)])
    assert near.flag == "room-limited" and near.damping_ratio == pytest.approx(lasting(1.4))
    # Heard too low as well as too high, so the limit lies above what is heard, but not out of sight.
    assert 1.1 * lasting(1.4) < near.damping_ratio_limit < 1.3 * lasting(1.4)
    slow = room_corrected(room, 100.0, Damping(lasting(4.0), 1e-6), [settled(3.8, 1e-6)])
    assert slow.flag == "" and slow.damping_ratio == pytest.approx(lasting(3.8)) and slow.damping_ratio_limit is None
    assert 0 < slow.damping_ratio_u < 0.025 * slow.damping_ratio
    # Of two waits the one counts more whose noise and room together are less: the later, unless the mode is too faint by then.
    both = room_corrected(room, 100.0, Damping(lasting(4.0), 1e-6), [settled(4.2, 1e-6, 0.3), settled(3.8, 1e-6)])
    assert lasting(3.8) > both.damping_ratio > 0.8 * lasting(3.8) + 0.2 * lasting(4.2)
    faint = room_corrected(
        room, 100.0, Damping(lasting(4.0), 1e-6), [settled(4.2, 1e-6, 0.3), settled(3.8, lasting(3.8) / 30)]
    )
    assert lasting(4.2) < faint.damping_ratio < 0.8 * lasting(4.2) + 0.2 * lasting(3.8)
    # Equal ones that share half of their errors: u sqrt((1 + 1/2)/2) (derived).
    twice = room_corrected(room, 100.0, Damping(lasting(4.0), 1.0), [settled(4.0, 0.02 * lasting(4.0), 9.0)] * 2)
    assert twice.damping_ratio_u / twice.damping_ratio == pytest.approx(0.02 * math.sqrt(0.75), rel=1e-3)
    alone = room_corrected(room, 100.0, Damping(lasting(4.0), 1e-6))
    assert alone.flag == "uncertain-damping" and alone.damping_ratio == pytest.approx(lasting(4.0))
    # A late decay that is known well goes before an early one that says the mode is short.
    assert room_corrected(room, 100.0, Damping(lasting(1.0), 1e-4), [settled(3.0, 1e-6)]).flag == ""
    assert (
        room_corrected(room, 100.0, Damping(lasting(1.0), 1e-4), [settled(3.0, lasting(3.0) / 2)]).flag
        == "room-limited"
    )
    # Of a room that rings for as long as a mode at the factor, no more than 2 % is left; of one at twice its time, 1 %.
    assert (
        room_u_rel(LIMITS.room.factor, max(LIMITS.room.waits)) < 0.02 and room_u_rel(2.0, max(LIMITS.room.waits)) < 0.01
    )
    assert {"room-limited", "uncertain-damping"} <= set(MODE_FLAGS)


def test_a_room_that_is_not_known_changes_nothing():
    rng = np.random.default_rng(1)
    time = np.arange(16_000) / 16_000
    tone = np.exp(-0.01 * 2 * np.pi * 200 * time) * np.sin(2 * np.pi * 200 * time)
    sound = 1e-4 * rng.normal(size=4 * 16_000)
    for start in (16_000, 38_000):
        sound[start : start + 16_000] += 0.2 * tone
    recording = from_samples(sound, 16_000)
    plain = analyse(recording).modes
    one = analyse(recording, Settings(room_s=0.2))
    bands = analyse(recording, Settings(corrections=Corrections(room=RoomDecay((250.0, 500.0), (0.2, 0.2)))))
    assert plain[0].flags == () and one.modes == bands.modes
    # 200 Hz and 1 % of critical: 0.55 s, longer than 0.2 s and shorter than 0.6 s [derived].
    assert "room-limited" not in one.modes[0].flags
    limited = analyse(recording, replace(Settings(), room_s=0.6)).modes[0]
    assert limited.flags == ("room-limited",) and limited.damping_ratio == plain[0].damping_ratio
