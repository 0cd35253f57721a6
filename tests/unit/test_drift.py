"""The control chart against a published example and derived constants, and its rules against planted faults."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import integrate, stats

from taptest.core.errors import CalibrationError
from taptest.studies.drift import D2, D3, RULES, ReferencePoint, chart, follow

# NIST/SEMATECH e-Handbook 6.3.2.2, batch processing example: ten flow rates, their limits (from memory; recomputed below
# with the handbook's rounded d2 = 1.128).
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
# Free-free ladder of a uniform bar from 30 Hz (tables of beams, from memory), and of something that has two modes near it.
BAR_HZ = (30.0, 82.7, 162.1, 268.0, 400.3)
SKI_HZ = (26.0, 84.6, 158.0, 300.0, 460.0, 570.0)
NIST_CENTRE, NIST_LOW, NIST_HIGH, NIST_RANGE = 50.81, 45.8159, 55.8041, 1.8778


def test_the_published_individuals_chart() -> None:
    found = chart(FLOW)
    assert found.centre == pytest.approx(NIST_CENTRE, abs=1e-9)
    moving = float(np.abs(np.diff(FLOW)).mean())
    assert moving == pytest.approx(NIST_RANGE, abs=5e-5)
    assert pytest.approx(NIST_HIGH, abs=5e-5) == NIST_CENTRE + 3 * moving / 1.128
    # 1.128 for 1.12838 makes the published limits 0.03 % of their width wider.
    assert (found.low, found.high) == pytest.approx((NIST_LOW, NIST_HIGH), abs=0.002)
    assert not any(found.broken)


def test_the_constants_are_those_of_the_range_of_two_normal_values() -> None:
    # |x - y| of two standard normal values is sqrt(2) times a half-normal one: moments by integration.
    first = integrate.quad(lambda r: r * 2 * stats.norm.pdf(r, scale=np.sqrt(2)), 0, 30)[0]
    second = integrate.quad(lambda r: r * r * 2 * stats.norm.pdf(r, scale=np.sqrt(2)), 0, 30)[0]
    assert pytest.approx(first, rel=1e-9) == D2
    assert pytest.approx(np.sqrt(second - first**2), rel=1e-7) == D3
    # The factors as every handbook prints them (from memory).
    assert round(3 / D2, 2) == 2.66
    assert round(1 + 3 * D3 / D2, 3) == 3.267


def test_a_steady_process_seldom_breaks_a_rule_and_a_shifted_one_soon_does() -> None:
    alarms, found = [], []
    for seed in range(200):
        values = np.random.default_rng([7, seed]).normal(0, 1, 60)
        alarms.append(np.mean([bool(rules) for rules in chart(values[:40].tolist()).broken[20:]]))
        values[40:] += 2.0
        found.append(any(chart(values[:52].tolist()).broken[40:]))
    # Outside 0.3 %, eight on one side 0.8 % (2 x 2**-8), jump 0.9 %; limits from twenty points, none of them from
    # outside, make it about three times that.
    assert np.mean(alarms) < 0.08
    assert np.mean(found) > 0.9


def test_each_rule_alone() -> None:
    steady = [0.1, -0.1] * 10
    assert chart([*steady, 0.9]).broken[-1] == (RULES[0], RULES[2])
    creeping = [*steady, *[0.02] * 8]
    assert chart(creeping).broken[-1] == (RULES[1],)
    assert chart(creeping[:-1]).broken[-1] == ()
    assert not chart([0.0, 5.0, 0.0]).out  # no limits yet


def test_what_was_amiss_makes_no_limits_and_changes_no_earlier_verdict() -> None:
    sound = [0.02, -0.01, 0.01, -0.02, 0.015, -0.015, 0.02, -0.02, 0.01]
    before = chart(sound)
    assert not any(before.broken)
    astray = chart([*sound, 0.40, 0.10, 0.10, 0.10])
    assert all(RULES[0] in each for each in astray.broken[9:])
    assert (astray.low, astray.high, astray.made_by) == (before.low, before.high, 9)
    for length in range(9, 14):
        assert chart([*sound, 0.40, 0.10, 0.10, 0.10][:length]).broken == astray.broken[:length]
    # One of the first eight is amiss: limits are there with the ninth, and tell that it was.
    early = chart([*sound[:3], 0.40, *sound[3:]])
    assert [RULES[0] in each for each in early.broken] == [i == 3 for i in range(10)]
    assert chart([*sound[:3], 0.40, *sound[3:7]]).low is None


def test_another_object_is_refused_even_where_some_modes_lie_near() -> None:
    bar = ReferencePoint("bar", datetime(2026, 11, 2, tzinfo=UTC), tuple((hz, 0.001, 0.0) for hz in BAR_HZ), 20.0, "x")
    ski = replace(bar, at=bar.at + timedelta(hours=1), modes=tuple((hz, 0.008, 0.0) for hz in SKI_HZ))
    near = [min(abs(np.log(ours / hz)) for ours in SKI_HZ) for hz in BAR_HZ]
    assert sum(each < 0.03 for each in near) >= 2
    with pytest.raises(CalibrationError, match="shares hardly a mode"):
        follow([bar, ski])


def point(day: int, factor: float, *, warm: float = 20.0, damping: float = 1.0) -> ReferencePoint:
    modes = tuple((hz * factor, 0.008 * damping, -3.0) for hz in (131.0, 208.0, 416.0))
    return ReferencePoint("bar", datetime(2026, 11, 2, tzinfo=UTC) + timedelta(hours=day), modes, warm, "x")


def test_a_reference_is_followed_by_all_its_modes() -> None:
    wobble = [1 + 1e-4 * (-1) ** i for i in range(20)]
    steady = follow([point(i, f) for i, f in enumerate(wobble)])
    assert steady.state == "in"
    moved = follow([*(point(i, f) for i, f in enumerate(wobble)), point(20, 1.002, warm=28.0)])
    assert moved.state == "out"
    assert moved.frequency.values[-1] == pytest.approx(100 * (1.002 / 1.0001 - 1), abs=1e-9)
    assert any("between 20 and 28" in note for note in moved.notes)
    damped = [point(i, f, damping=1 + 0.01 * (-1) ** i) for i, f in enumerate(wobble)]
    assert follow([*damped, point(20, 1.0, damping=1.2)]).state == "out"
    with pytest.raises(CalibrationError, match="shares hardly a mode"):
        follow([point(0, 1.0), point(1, 1.2)])
