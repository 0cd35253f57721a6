"""Invented results, built by hand, for the tests of tables and documents: no analysis runs."""

import math
from pathlib import Path

import numpy as np

from taptest.beam.predict import Prediction
from taptest.core.messages import Subject, message
from taptest.screen.result import CheckResult, GroupSummary
from taptest.signal.analysis import Analysis, Mode
from taptest.signal.spectrum import Hum, Noise
from taptest.signal.taps import REASONS, Tap
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Identification, PlacedMode
from taptest.ski.record import Judgement, Ski, Test
from taptest.stats.tests import Statistic
from taptest.tables.lot import Lot

RATE_HZ = 48_000


def tap(number, *reasons):
    """Tap `number` of a recording with one every 1.5 s."""
    onset = round((0.5 + 1.5 * number) * RATE_HZ)
    return Tap(onset, onset + 144, onset + 48_000, onset - 24_000, 46.7 - number, 0.335, reasons)


def mode(frequency_hz=120.69, frequency_u_hz=0.007, damping_ratio=0.01, level_db=-13.2, taps=4, flags=()):
    return Mode(frequency_hz, frequency_u_hz, damping_ratio, damping_ratio / 20, level_db, taps, flags)


def analysis(**changes):
    frequencies = np.linspace(0, 24_000, 241)
    given = {
        "path": "taps/c01l.flac",
        "sample_rate_hz": RATE_HZ,
        "duration_s": 8.936,
        "channel": 1,
        "channels": 1,
        "taps": tuple(tap(number) for number in range(5)),
        "modes": (mode(66.29, 0.028), mode(), mode(1348.61, 0.68, 0.008, 0.0)),
        "noise": Noise(frequencies, np.full(241, 1e-12), Hum(49.98, (149.94, 199.92), (-88.0, -94.6)), 2.0),
        "record_s": 0.636,
        "flags": (),
        **changes,
    }
    return Analysis(**given)


def all_refused():
    """A recording in which every reason against a tap occurs."""
    return analysis(taps=tuple(tap(at, reason) for at, reason in enumerate(REASONS)), modes=(), flags=("no-good-tap",))


def placed(family="bending", order=3, frequency_hz=120.69, predicted_hz=116.6):
    return PlacedMode(family, order, frequency_hz, 0.01, 0.0101, 0.0001, -13.2, predicted_hz, 0.99)


def told(text):
    """A message that says just this."""
    return message("line-unusable", problem=text)


def prediction(first_hz=27.43, u_rel=0.0416):
    """A ladder of a uniform beam above ``first_hz``."""
    ladder = (1.0, 2.7565, 5.4039, 8.9330, 13.3443, 18.6376, 24.8135, 31.8713)
    return Prediction(
        tuple(first_hz * each for each in ladder),
        (u_rel,) * 8,
        0.0,
        ((0.0,) * 8,) * 4,
        None,
        (1.0, 2.0),
        (),
        230.0,
        0.27,
    )


def verdict(
    ski_id="C01L",
    word="pass",
    reasons=(),
    *,
    predicted_hz=27.43,
    measured_hz=28.02,
    measured_u_hz=0.31,
    first_heard=False,
    damping_ratio=0.0101,
    unevenness=0.9,
    shift_percent=None,
    score=0.31,
    modes=None,
    taps_good=5,
    taps_found=5,
    group=None,
    **facts,
):
    """A judged ski; further facts by the names of `SkiFacts`."""
    modes = (
        (placed("torsion", 1, 191.2, None), placed(), placed(order=2, frequency_hz=66.29, predicted_hz=63.9))
        if modes is None
        else modes
    )
    found = Identification(
        tuple(sorted(modes, key=lambda mode: mode.frequency_hz)),
        1e6,
        "none",
        False,
        measured_hz,
        measured_u_hz,
        first_heard,
    )
    shift = math.log1p((shift_percent or 0.0) / 100)
    tests = [] if shift_percent is None else [Test("shift", Statistic(shift, math.log1p(0.034), 0.004), True, 1, 2)]
    if unevenness is not None:
        tests.append(Test("unevenness", Statistic(unevenness, unevenness / score if score else 3.0), True, 1, 2))
    level = None if damping_ratio is None else math.log(damping_ratio)
    given = {
        "pair_id": ski_id[:-1] or None,
        "construction": "classic_generic",
        "generation": "amber",
        "mass_kg": 0.539,
        "stiffness_n_per_m": 4438.0,
        "span_m": 1.4,
        "line": 2,
        **facts,
    }
    return Ski(
        SkiFacts(ski_id, **given),
        "Classic, generic",
        None if predicted_hz is None else prediction(predicted_hz),
        found,
        taps_good,
        taps_found,
        judgement=Judgement(
            word, tuple(map(told, reasons)), tuple(tests), group, level, None if level is None else 0.02
        ),
    )


def not_judged(ski_id="S04R", **changes):
    """A ski that nothing is known of but its label."""
    reasons = ("no tap can be used: somebody or something sounds all along; record again in a quiet room",)
    unknown = dict.fromkeys(("measured_hz", "measured_u_hz", "damping_ratio", "unevenness", "score"))
    return verdict(
        ski_id, "not judged", reasons, **{**unknown, "modes": (), "taps_good": 0, "taps_found": 12, **changes}
    )


def result(*skis, **changes):
    given = {
        "skis": skis
        or (
            verdict("C01L"),
            verdict("C02L", "recheck", ["the taps disagree: 3 of 5 cannot be used (double-hit)"], taps_good=2),
            verdict(
                "C05R",
                "outlier",
                [
                    "uneven, mode 3 is 6.1 % low against the others, damping up 60 %: look for a separation",
                    "rehang and tap again before anything is decided",
                ],
                unevenness=14.2,
                score=3.7,
            ),
            not_judged(),
        ),
        "groups": (
            GroupSummary(
                "classic_generic",
                1990,
                2000,
                False,
                12,
                1.26,
                0.84,
                3.4,
                "two-sided tolerance limit of the group (95 % confidence, 99 % of skis)",
            ),
            GroupSummary(
                "skate_generic", 1890, 1900, False, 3, None, None, math.nan, "prediction alone, fewer than 10"
            ),
        ),
        **changes,
    }
    lot = Lot(Path("lot.csv"), tuple(ski.facts for ski in given["skis"]), given.pop("problems", ()))
    return CheckResult(lot, **given)


def with_problems():
    problem = message("not-a-number", Subject(file="lot.csv", line=7, column="mass_g", value="heavy"))
    return result(problems=(problem,), unread=(told("c09l.flac: is cut short; copy it again"),))
