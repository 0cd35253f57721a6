"""The record of one ski. It only grows: facts, what was heard, what is predicted, which mode is which, evidence, judgement.

Every stage is a function that returns the record with one more part. What the last stage needs is in the record, so that nobody
downstream has to ask an earlier stage again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import exp, expm1, hypot
from typing import Literal

from taptest.beam.predict import Prediction
from taptest.config.corrections import Corrections
from taptest.core.messages import Message
from taptest.signal.analysis import Analysis
from taptest.ski.evidence import Evidence, evidence_of
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Identification, PlacedMode
from taptest.stats.tests import Statistic

Verdict = Literal["pass", "recheck", "outlier", "not judged"]
VERDICTS: tuple[Verdict, ...] = ("pass", "recheck", "outlier", "not judged")


@dataclass(frozen=True)
class Test:
    """One of the statistics that a ski was judged by.

    Attributes:
        name: "shift", "unevenness", "damping", "mass", "stiffness", "damping pattern", "all together", "tone apart" or
            "damping apart".
        statistic: value, limit and standard uncertainty; of ratios the natural logarithms.
        may_reject: whether it can make an outlier, or only ask for a recheck.
        rank: its place in the group, from the lowest value, 1, of ``count``.
        weight: what its score counts in that of the ski: less than 1 where a value somewhat beyond the limit is only a remark,
            0 where it cannot change the verdict.
    """

    name: str
    statistic: Statistic
    may_reject: bool
    rank: int
    count: int
    weight: float = 1.0

    @property
    def unit(self) -> str:
        """ "%" of a ratio, which is kept as a logarithm; otherwise none."""
        return "%" if self.name in ("shift", "damping", "mass", "stiffness") else ""

    @property
    def value(self) -> float:
        """Value in ``unit``."""
        return percent(self.statistic.value) if self.unit else self.statistic.value

    @property
    def limit(self) -> float:
        """Limit in ``unit``, to either side of 0."""
        return percent(self.statistic.limit) if self.unit else self.statistic.limit

    @property
    def u(self) -> float:
        """Standard uncertainty of the value in ``unit``."""
        return self.statistic.u * (100 + self.value if self.unit else 1.0)

    @property
    def score(self) -> float:
        """Value over limit, of ratios that of their logarithms: above 1 it is out."""
        return self.statistic.score


@dataclass(frozen=True)
class Judgement:
    """What a ski was judged to be, against what, and why.

    Attributes:
        verdict: in a word.
        reasons: the most telling first, then remarks.
        tests: every statistic it was judged by.
        group: number of its group in the result; None where it was not judged.
        damping_level: natural logarithm of its mean damping ratio, with its standard uncertainty ``damping_level_u``.
    """

    verdict: Verdict
    reasons: tuple[Message, ...]
    tests: tuple[Test, ...] = ()
    group: int | None = None
    damping_level: float | None = None
    damping_level_u: float | None = None

    def test(self, name: str) -> Test | None:
        """The test of this name; None where there was none."""
        return next((each for each in self.tests if each.name == name), None)


@dataclass(frozen=True)
class Ski:
    """One ski, as far as it is known.

    Attributes:
        facts: its row of the table.
        construction_name: as its file calls the construction.
        prediction: the modes that its stiffness and mass predict.
        placed: which resonance is which mode, after correction for clock and temperature.
        taps_good: of the ``taps_found`` in its recordings.
        messages: inputs that could not be read ("error"), why it cannot be judged ("obstacle"), unusual values ("remark").
        corrections: what calibrations say.
        analyses: what was heard in each recording, where it was asked to be kept.
        judgement: None before it was judged.
        kept: what the caller of `measure_lot` made of each recording.
    """

    facts: SkiFacts
    construction_name: str | None = None
    prediction: Prediction | None = None
    placed: Identification | None = None
    taps_good: int = 0
    taps_found: int = 0
    messages: tuple[Message, ...] = ()
    corrections: Corrections = field(default_factory=Corrections)
    analyses: tuple[Analysis, ...] = ()
    judgement: Judgement | None = None
    kept: tuple[object, ...] = ()

    def __str__(self) -> str:
        return f"{self.ski_id}: {self.verdict}"

    @cached_property
    def evidence(self) -> Evidence:
        """What judges it, with every floor of uncertainty applied: made from the other parts when it is first asked for."""
        return evidence_of(self.facts, self.placed, self.prediction, self.corrections)

    def _of(self, severity: str) -> tuple[Message, ...]:
        return tuple(each for each in self.messages if each.severity == severity)

    @property
    def obstacles(self) -> tuple[Message, ...]:
        """Why it cannot be judged; empty when it can."""
        return self._of("obstacle")

    @property
    def remarks(self) -> tuple[Message, ...]:
        """Values of the table that are possible but unusual."""
        return self._of("remark")

    @property
    def unread(self) -> tuple[Message, ...]:
        """Inputs that could not be read."""
        return self._of("error")

    # What tables and documents show of it: the facts in the units of the table, then results.

    @property
    def ski_id(self) -> str:
        """The id in the table."""
        return self.facts.ski_id

    @property
    def pair_id(self) -> str | None:
        """The pair in the table."""
        return self.facts.pair_id

    @property
    def mass_g(self) -> float | None:
        """Mass as hung."""
        return None if self.facts.mass_kg is None else 1000 * self.facts.mass_kg

    @property
    def stiffness_n_per_mm(self) -> float | None:
        """Two-support bending stiffness on the rig."""
        return None if self.facts.stiffness_n_per_m is None else self.facts.stiffness_n_per_m / 1000

    @property
    def span_mm(self) -> float | None:
        """Span of the rig."""
        return None if self.facts.span_m is None else 1000 * self.facts.span_m

    @property
    def predicted_hz(self) -> float | None:
        """Predicted first bending mode."""
        return None if self.prediction is None else self.prediction.bending_hz[0]

    @property
    def predicted_u_hz(self) -> float | None:
        """Its standard uncertainty."""
        return None if self.prediction is None else self.prediction.u_hz(1)

    @property
    def first_mode_hz(self) -> float | None:
        """First bending mode, heard or inferred from the others; None where it was not heard and the others are uneven."""
        return None if self.uneven_and_hidden(self.uneven) else self.evidence.first_mode_hz

    @property
    def first_mode_u_hz(self) -> float | None:
        """Its standard uncertainty."""
        return None if self.first_mode_hz is None else self.evidence.first_mode_u_hz

    @property
    def first_mode_source(self) -> Literal["heard", "inferred"] | None:
        """Whether the first mode was heard itself or follows from the others."""
        return self.evidence.first_mode_source

    def uneven_and_hidden(self, uneven: bool) -> bool:
        """Whether the first mode was not heard and, the others being uneven, cannot be inferred from them."""
        return uneven and self.evidence.first_mode_source == "inferred"

    @property
    def uneven(self) -> bool:
        """Whether its modes stray from what they share by more than they may, or nearly so."""
        test = self.test("unevenness")
        return test is not None and test.statistic.suspicious

    @property
    def deviation_percent(self) -> float | None:
        """First mode against its prediction."""
        if self.first_mode_hz is None or self.predicted_hz is None:
            return None
        return 100 * (self.first_mode_hz / self.predicted_hz - 1)

    @property
    def deviation_u_percent(self) -> float | None:
        """Its standard uncertainty, that of the prediction included."""
        hz, u_hz = self.first_mode_hz, self.first_mode_u_hz
        if hz is None or u_hz is None or self.prediction is None:
            return None
        return 100 * hz / self.prediction.bending_hz[0] * hypot(u_hz / hz, self.prediction.u_rel(1))

    @property
    def damping_ratio(self) -> float | None:
        """Mean over the bending modes of which it is known."""
        level = None if self.judgement is None else self.judgement.damping_level
        return None if level is None else exp(level)

    @property
    def damping_ratio_u(self) -> float | None:
        """Its standard uncertainty."""
        u = None if self.judgement is None else self.judgement.damping_level_u
        return None if u is None or self.damping_ratio is None else self.damping_ratio * u

    def test(self, name: str) -> Test | None:
        """One of the tests it was judged by; None where there was none."""
        return None if self.judgement is None else self.judgement.test(name)

    @property
    def residual_chi_square(self) -> float | None:
        """Chi-square per degree of freedom of its modes about what they share; about 1 is normal."""
        test = self.test("unevenness")
        return None if test is None else test.value

    @property
    def score(self) -> float | None:
        """Worst of the tests that can change the verdict, as a share of its limit; above 1 it is out."""
        return max((each.score * each.weight for each in self.tests), default=None)

    @property
    def shift_percent(self) -> float | None:
        """What all modes share against the centre of the group (against the prediction, where only physics judges)."""
        test = self.test("shift")
        return None if test is None else test.value

    @property
    def shift_u_percent(self) -> float | None:
        """Its standard uncertainty."""
        test = self.test("shift")
        return None if test is None else test.u

    @property
    def shift_limit_percent(self) -> float | None:
        """Its limit, either way."""
        test = self.test("shift")
        return None if test is None else test.limit

    @property
    def tests(self) -> tuple[Test, ...]:
        """Every statistic that it was judged by."""
        return () if self.judgement is None else self.judgement.tests

    @property
    def group(self) -> int | None:
        """Number of its group in the result."""
        return None if self.judgement is None else self.judgement.group

    @property
    def modes(self) -> tuple[PlacedMode, ...]:
        """The modes that have a place, with uncertainties no smaller than was repeated."""
        return self.evidence.modes

    @property
    def verdict(self) -> Verdict:
        """The verdict in a word; "not judged" before it was judged."""
        return "not judged" if self.judgement is None else self.judgement.verdict

    @property
    def reasons(self) -> tuple[Message, ...]:
        """Why."""
        return () if self.judgement is None else self.judgement.reasons


def percent(log_ratio: float) -> float:
    """100 (exp(x) - 1): the natural logarithm of a ratio in percent."""
    return 100 * expm1(log_ratio)
