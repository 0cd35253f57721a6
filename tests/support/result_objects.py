"""Invented results, built by hand, for the tests of tables and documents: no analysis runs."""

import math

import numpy as np

from taptest.identify.ladder import PlacedMode
from taptest.screen.verdict import CheckResult, GroupSummary, SkiVerdict
from taptest.signal.analysis import Analysis, Mode
from taptest.signal.spectrum import Hum, Noise
from taptest.signal.taps import REASONS, Tap
from taptest.tables.reader import CellProblem

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


def verdict(ski_id="C01L", word="pass", reasons=(), **changes):
    given = {
        "ski_id": ski_id,
        "pair_id": ski_id[:-1] or None,
        "construction": "classic_generic",
        "construction_name": "Classic, generic",
        "generation": "amber",
        "mass_g": 539.0,
        "stiffness_n_per_mm": 4.438,
        "span_mm": 1400.0,
        "predicted_hz": 27.43,
        "predicted_u_hz": 1.14,
        "measured_hz": 28.02,
        "measured_u_hz": 0.31,
        "first_heard": False,
        "deviation_percent": 2.15,
        "deviation_u_percent": 4.3,
        "damping_ratio": 0.0101,
        "damping_ratio_u": 0.0002,
        "unevenness": 0.9,
        "score": 0.31,
        "modes": (placed(), placed("torsion", 1, 191.2, None), placed(order=2, frequency_hz=66.29, predicted_hz=63.9)),
        "verdict": word,
        "reasons": tuple(reasons),
        "taps_good": 5,
        "taps_found": 5,
        "line": 2,
        **changes,
    }
    return SkiVerdict(**given)


def not_judged(ski_id="S04R", **changes):
    unknown = (
        "measured_hz measured_u_hz deviation_percent deviation_u_percent damping_ratio damping_ratio_u unevenness score"
    )
    reasons = ("no tap can be used: somebody or something sounds all along; record again in a quiet room",)
    given = {**dict.fromkeys(unknown.split()), "modes": (), "taps_good": 0, "taps_found": 12, **changes}
    return verdict(ski_id, "not judged", reasons, **given)


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
                deviation_percent=-4.8,
                unevenness=14.2,
                score=3.7,
            ),
            not_judged(),
        ),
        "groups": (
            GroupSummary(
                "classic_generic",
                "1990-2000",
                "bare",
                12,
                1.26,
                0.84,
                3.4,
                "two-sided tolerance limit of the group (95 % confidence, 99 % of skis)",
            ),
            GroupSummary(
                "skate_generic", "1890-1900", "bare", 3, None, None, math.nan, "prediction alone, fewer than 10"
            ),
        ),
        "problems": (),
        "unread": (),
        **changes,
    }
    return CheckResult(**given)


def with_problems():
    problem = CellProblem(
        "lot.csv", 7, "mass_g", "0.52", "which looks like kilograms", "rename the column or write 520"
    )
    return result(problems=(problem,), unread=("c09l.flac: is cut short; copy it again",))
