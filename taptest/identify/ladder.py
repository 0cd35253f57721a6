"""Which measured resonance is which mode of the ski: placing the ladder.

A small microphone hardly hears the first mode, a tap excites torsion too, and a room adds peaks of its own. So every way to
read the resonances, in order of frequency, as bending modes, torsion modes and strangers is a hypothesis. What the
modes of one ski share is a vector of unknowns with a Gaussian prior: the common scale (rig and balance), a few smooth changes of
shape (the construction is only known so well), a stretch that grows with the order (shear), and the torsion ladder's own
scale. A hypothesis is grown resonance by resonance; each step is one update of a Kalman filter on those unknowns and adds the
logarithm of

    p(heard) N(ln f; predicted, S)   for a mode that is heard,
    1 - p(heard)                     for every mode that is passed over,
    rate of strangers per octave     for a stranger.

Only the best hypotheses are kept at each step (a beam search, 1). Their posterior weights give the odds of one reading against
the next.

1. D. B. Reid, An algorithm for tracking multiple targets, IEEE Trans. Autom. Control 24 (1979) 843-854.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.beam.predict import Prediction
from taptest.config.limits import LIMITS
from taptest.signal.analysis import Mode
from taptest.ski.modes import Family, Identification, PlacedMode

Real = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class MatchSettings:
    """Prior knowledge of what is heard; relative numbers are of frequency.

    ``least_odds`` of the best reading against the next to judge a ski at all; ``least_probability`` of one resonance's place.
    """

    least_odds: float = LIMITS.ladder.least_odds
    least_probability: float = LIMITS.ladder.least_probability
    least_modes: int = LIMITS.ladder.least_placed
    audible_hz: float = 30.0  # half of the bending modes are heard at this frequency, few below (a small microphone)
    heard_bending: float = 0.8
    heard_torsion: float = 0.45
    torsion_scale_u: float = 0.15
    torsion_free_u: float = 0.5
    strangers_per_octave: float = 1.0
    hypotheses: int = 400


# A pickup on the ski feels the first mode as well as any other.
ON_THE_SKI = MatchSettings(audible_hz=5.0)

_SHAPE_WEIGHTS = (1.0, 1.0, 0.5, 1.0)  # how the shape unknowns share the construction's uncertainty
_OWN_SHARE = 0.08  # part of a mode's uncertainty that no smooth shape explains ...
_LEAST_SHAPE_U = 0.045  # of a learned construction: as much as is admitted of a generic one
_OWN_TORSION = 0.025
_LOOSE = 4.0  # ... and how much wider it is for a ski with a local fault
_LOOSE_ODDS = 0.1
_WRONG_ENTRY = 0.06
_WRONG_ODDS = 0.05
_SHEAR_SLOPE = 3e-4  # at (order + 1/2)**2; a bar of t/L = 0.014 (common practice for skis, no source)
_FIRST_TORSION = 5.0  # times the first bending mode, where the construction says nothing
_LEAST_U = 5e-4
_SAME_PEAK = 0.0025
_REACH = 5.0  # standard deviations


class _Model:
    """Linear model of the logarithms of all frequencies in the shared unknowns, bending orders first, then torsion."""

    def __init__(self, prediction: Prediction, settings: MatchSettings) -> None:
        bending = np.log(np.array(prediction.bending_hz))
        known = prediction.torsion_hz is not None
        ratios = np.log(np.array(prediction.torsion_ratios))
        torsion = np.log(np.array(prediction.torsion_hz)) if known else bending[0] + np.log(_FIRST_TORSION) + ratios
        self.bending_count, self.torsion_count = len(bending), len(torsion)
        self.mean = np.concatenate((bending, torsion))
        slopes = np.array(prediction.bending_shape_slopes) * np.array(_SHAPE_WEIGHTS)[:, None]
        twist = np.array(prediction.torsion_shape_slopes) * np.array(_SHAPE_WEIGHTS)[:, None]
        own = np.array(prediction.bending_u_rel)
        # Skis that were learnt from were sound; the one at hand may be soft somewhere and must still be recognised.
        single = _OWN_SHARE * own
        if prediction.learned:
            single, own = np.maximum(own, _OWN_SHARE * _LEAST_SHAPE_U), np.maximum(own, _LEAST_SHAPE_U)
        # The shape unknowns are scaled so that together they explain what the construction admits not to know.
        explained = np.sqrt((slopes**2).sum(axis=0))
        factor = float(np.sqrt((1 - _OWN_SHARE**2) * (own**2).mean() / max((explained**2).mean(), 1e-12)))
        orders = np.arange(1, len(bending) + 1)
        rows = [np.concatenate((np.ones(len(bending)), np.ones(len(torsion))))]
        rows += [np.concatenate((b, t)) for b, t in zip(factor * slopes, factor * twist, strict=True)]
        rows.append(np.concatenate((-_SHEAR_SLOPE * (orders + 0.5) ** 2, np.zeros(len(torsion)))))
        rows.append(np.concatenate((np.zeros(len(bending)), np.ones(len(torsion)))))
        self.slopes = np.array(rows).T  # (modes, unknowns)
        torsion_u = settings.torsion_scale_u if known else settings.torsion_free_u
        deviations = [prediction.scale_u_rel, *[1.0] * len(slopes), 0.5 if own.mean() > 0.01 else 0.1, torsion_u]
        self.prior = np.diag(np.square(deviations))
        self.own = np.concatenate((single, np.full(len(torsion), _OWN_TORSION)))
        self.settings = settings

    def heard(self, log_frequency: Real) -> Real:
        """Probability that a mode at this frequency is heard, (..., modes)."""
        s = self.settings
        reach = 1 / (1 + np.exp(-(log_frequency - np.log(s.audible_hz)) / 0.25))
        ceiling = np.concatenate(
            (np.full(self.bending_count, s.heard_bending), np.full(self.torsion_count, s.heard_torsion))
        )
        return np.asarray(0.02 + 0.98 * ceiling * reach)


class _Beam:
    """The hypotheses kept so far."""

    def __init__(self, model: _Model) -> None:
        size = len(model.prior)
        # The second: a number in the table is wrong (a label, a typing slip), so the scale is known much less well.
        loose = model.prior.copy()
        loose[0, 0] = _WRONG_ENTRY**2
        self.state = np.zeros((2, size))
        self.spread = np.array([model.prior, loose])
        self.weight = np.log(np.array([1 - _WRONG_ODDS, _WRONG_ODDS]))
        self.last = np.full((2, 2), -1)  # last bending and last torsion order placed, from 0
        self.labels = np.zeros((2, 0), dtype=np.int64)  # index of the mode, -1 a stranger


def identify(
    modes: Sequence[Mode],
    prediction: Prediction,
    *,
    low_hz: float,
    high_hz: float,
    settings: MatchSettings | None = None,
) -> Identification:
    """Place the measured resonances on the ladder of a ski.

    ``low_hz``, ``high_hz``: the range in which resonances were looked for. Resonances flagged as heard in a single tap of
    several are kept only as strangers-to-be (they count, but cheaply). Raises nothing; without any resonance the answer
    is ambiguous.
    """
    settings = settings or MatchSettings()
    modes, doubles = _one_a_peak(sorted(modes, key=lambda m: m.frequency_hz))
    model = _Model(prediction, settings)
    beam = _Beam(model)
    crowd = _stranger_rates(modes, settings, low_hz, high_hz)
    for mode, rate in zip(modes, crowd, strict=True):
        beam = _grow(beam, model, mode, rate)
    weight = beam.weight + _passed_over_to_the_end(beam, model, high_hz)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    found = _read(modes, beam, weight, model, prediction, settings)
    together = [*found.modes, *(_placed(mode, "other", None, None, 1.0) for mode in doubles)]
    return replace(found, modes=tuple(sorted(together, key=lambda m: m.frequency_hz)))


def _one_a_peak(modes: Sequence[Mode]) -> tuple[list[Mode], list[Mode]]:
    """The modes without those that stand beside a stronger one within ``_SAME_PEAK``, and those; both by frequency.

    An uneven decay is fitted as two components of one peak; both at once would leave its order undecided between them.
    """
    kept: list[Mode] = []
    for mode in sorted(modes, key=lambda m: m.damping_ratio * m.frequency_hz * 10 ** (-m.level_db / 20)):
        if all(abs(mode.frequency_hz / other.frequency_hz - 1) > _SAME_PEAK for other in kept):
            kept.append(mode)
    return [m for m in modes if m in kept], [m for m in modes if m not in kept]


def _placed(
    mode: Mode, family: Family, order: int | None, predicted_hz: float | None, probability: float
) -> PlacedMode:
    return PlacedMode(
        family=family,
        order=order,
        frequency_hz=mode.frequency_hz,
        frequency_u_hz=mode.frequency_u_hz,
        damping_ratio=mode.damping_ratio,
        damping_ratio_u=mode.damping_ratio_u,
        level_db=mode.level_db,
        predicted_hz=predicted_hz,
        probability=probability,
        flags=mode.flags,
        damping_ratio_limit=mode.damping_ratio_limit,
    )


def _stranger_rates(modes: Sequence[Mode], settings: MatchSettings, low_hz: float, high_hz: float) -> Real:
    """Density of strangers per unit of ln f for each resonance: more where there are many, and for faint ones."""
    if not modes:
        return np.zeros(0)
    octaves = np.log2(high_hz / max(low_hz, settings.audible_hz))
    base = max(settings.strangers_per_octave, 0.3 * len(modes) / max(octaves, 1.0)) / np.log(2)
    frequency = np.array([m.frequency_hz for m in modes])
    # Height of each spectral peak: initial amplitude over decay rate.
    peak = np.array([m.level_db - 20 * np.log10(m.damping_ratio * m.frequency_hz) for m in modes])
    near = np.abs(np.log2(frequency[:, None] / frequency[None, :])) < 0.75
    below = np.where(near, peak[None, :], -np.inf).max(axis=1) - peak
    faint = 1 / (1 + np.exp(-(below - 18) / 3))
    doubtful = np.array(
        [any(flag in m.flags for flag in ("hum", "single-tap")) or m.damping_ratio > 0.04 for m in modes]
    )
    return np.asarray(base * (0.3 + 3 * faint) * np.where(doubtful, 4.0, 1.0))


def _grow(beam: _Beam, model: _Model, mode: Mode, stranger_rate: float) -> _Beam:
    """All hypotheses extended by one resonance: every mode it can be, or a stranger; the best are kept."""
    y = float(np.log(mode.frequency_hz))
    count, total = len(beam.weight), len(model.mean)
    predicted = model.mean + beam.state @ model.slopes.T
    along = ((beam.spread @ model.slopes.T) * model.slopes.T).sum(axis=1)
    u_y = max(mode.frequency_u_hz / mode.frequency_hz, _LEAST_U)
    heard = model.heard(predicted)
    silent = np.log1p(-heard)
    split = model.bending_count
    index = np.arange(total)
    last = np.where(index < split, beam.last[:, :1], beam.last[:, 1:] + split)
    # Sum over the orders passed over between the last one placed and the candidate.
    cumulative = np.concatenate((np.zeros((count, 1)), np.cumsum(silent, axis=1)), axis=1)
    skipped = cumulative[:, :-1] - np.take_along_axis(cumulative, last + 1, axis=1)
    scores, rows = [beam.weight + np.log(stranger_rate)], [np.arange(count)]
    labels, owns = [np.full(count, -1)], [np.zeros(count)]
    for loose in (False, True):
        own = (_LOOSE if loose else 1.0) * model.own
        variance = along + own**2 + u_y**2
        gap = y - predicted
        score = (
            beam.weight[:, None] + np.log(heard) + skipped - 0.5 * (gap**2 / variance + np.log(2 * np.pi * variance))
        )
        row, column = np.nonzero((index > last) & (gap**2 < _REACH**2 * variance))
        scores.append(score[row, column] + np.log(_LOOSE_ODDS if loose else 1 - _LOOSE_ODDS))
        rows.append(row)
        labels.append(column)
        owns.append(own[column])
    return _keep_best(
        beam,
        model,
        (y, u_y),
        np.concatenate(scores),
        np.concatenate(rows),
        np.concatenate(labels),
        np.concatenate(owns),
    )


def _keep_best(
    beam: _Beam, model: _Model, measured: tuple[float, float], scores: Real, rows: Index, labels: Index, owns: Real
) -> _Beam:
    """The hypotheses worth keeping, with their unknowns updated by what was measured (ln f and its uncertainty)."""
    y, u_y = measured
    split = model.bending_count
    best = np.argsort(-scores)[: model.settings.hypotheses]
    best = best[scores[best] > scores[best[0]] - 25.0]
    rows, labels, owns = rows[best], labels[best], owns[best]
    grown = _Beam(model)
    grown.weight = scores[best]
    grown.labels = np.concatenate((beam.labels[rows], labels[:, None]), axis=1)
    grown.last = beam.last[rows].copy()
    grown.state, grown.spread = beam.state[rows].copy(), beam.spread[rows].copy()
    placed = np.flatnonzero(labels >= 0)
    if len(placed):
        which = labels[placed]
        slope = model.slopes[which]
        cross = np.einsum("hpq,hq->hp", grown.spread[placed], slope)
        variance = np.einsum("hp,hp->h", slope, cross) + owns[placed] ** 2 + u_y**2
        gain = cross / variance[:, None]
        gap = y - (model.mean[which] + np.einsum("hp,hp->h", slope, grown.state[placed]))
        grown.state[placed] += gain * gap[:, None]
        grown.spread[placed] -= gain[:, :, None] * cross[:, None, :]
        twist = which >= split
        grown.last[placed[~twist], 0] = which[~twist]
        grown.last[placed[twist], 1] = which[twist] - split
    return grown


def _passed_over_to_the_end(beam: _Beam, model: _Model, high_hz: float) -> Real:
    """Log-probability of not hearing the orders above the last placed that would still lie in the range."""
    predicted = model.mean + beam.state @ model.slopes.T
    silent = np.log1p(-model.heard(predicted))
    index = np.arange(len(model.mean))
    last = np.where(index < model.bending_count, beam.last[:, :1], beam.last[:, 1:] + model.bending_count)
    open_orders = (index > last) & (predicted < np.log(high_hz))
    return np.asarray(np.where(open_orders, silent, 0.0).sum(axis=1))


def _read(
    modes: Sequence[Mode], beam: _Beam, weight: Real, model: _Model, prediction: Prediction, settings: MatchSettings
) -> Identification:
    split = model.bending_count
    best = np.zeros(len(modes), dtype=np.int64)
    probability = np.zeros(len(modes))
    for i in range(len(modes)):
        # Torsion orders are not told apart for the odds: what matters is which resonances are bending, and which.
        share = np.bincount(beam.labels[:, i] + 1, weights=weight, minlength=len(model.mean) + 1)
        top = int(np.argmax(share))
        best[i], probability[i] = top - 1, share[top]
    bending = (best >= 0) & (best < split) & (probability >= settings.least_probability)
    sure = np.flatnonzero(bending)
    # Another reading is one that gives another order to any of them; that one of them is a stranger is its own small risk.
    other = beam.labels[:, sure]
    shifted = np.any((other != best[sure]) & (other >= 0) & (other < split), axis=1)
    odds, runner_up = _runner_up(other[shifted], weight[shifted], float(weight[~shifted].sum()), best[sure], split)
    ambiguous = len(sure) < settings.least_modes or odds < settings.least_odds
    placed = []
    for i, mode in enumerate(modes):
        label = int(best[i]) if probability[i] >= settings.least_probability else -1
        family: Family = "other" if label < 0 else "bending" if label < split else "torsion"
        order = None if label < 0 else label + 1 if label < split else label - split + 1
        predicted = None
        if family == "bending":
            predicted = prediction.bending_hz[label]
        elif family == "torsion" and prediction.torsion_hz is not None:
            predicted = prediction.torsion_hz[label - split]
        placed.append(_placed(mode, family, order, predicted, float(probability[i])))
    heard = next((p for p in placed if p.family == "bending" and p.order == 1), None)
    first_hz = first_u_hz = None
    if not ambiguous:
        first_hz, first_u_hz = (
            (heard.frequency_hz, heard.frequency_u_hz) if heard else _infer_first(beam, weight, ~shifted, model)
        )
    return Identification(
        modes=tuple(placed),
        odds=odds,
        runner_up=runner_up,
        ambiguous=ambiguous,
        first_hz=first_hz,
        first_u_hz=first_u_hz,
        first_heard=heard is not None and not ambiguous,
    )


def _runner_up(labels: Index, weight: Real, right: float, best: Index, split: int) -> tuple[float, str]:
    """Odds of the best reading of the surely placed bending modes against the next best, and that one in words."""
    if not len(best):
        return 0.0, "no mode is placed with confidence"
    if not len(labels) or weight.sum() <= 0:
        return 1e6, "none"
    readings, which = np.unique(labels, axis=0, return_inverse=True)
    shares = np.bincount(which.ravel(), weights=weight)
    top = int(np.argmax(shares))
    shift = np.where((readings[top] >= 0) & (readings[top] < split), readings[top] - best, 0)
    if np.all(shift == shift[0]) and shift[0] != 0:
        words = f"every bending order {abs(int(shift[0]))} {'higher' if shift[0] > 0 else 'lower'}"
    else:
        changed = [str(int(b) + 1) for b, r in zip(best, readings[top], strict=True) if b != r]
        words = f"bending order {', '.join(changed)} read as something else"
    return min(right / max(float(shares[top]), 1e-300), 1e6), words


def _infer_first(beam: _Beam, weight: Real, agrees: NDArray[np.bool_], model: _Model) -> tuple[float, float]:
    """First bending mode [Hz] and standard uncertainty from the unknowns of all hypotheses that share the reading."""
    slope, weight = model.slopes[0], weight[agrees] / weight[agrees].sum()
    values = model.mean[0] + beam.state[agrees] @ slope
    variance = np.einsum("p,hpq,q->h", slope, beam.spread[agrees], slope) + model.own[0] ** 2
    mean = float(weight @ values)
    spread = float(np.sqrt(weight @ (variance + (values - mean) ** 2)))
    return float(np.exp(mean)), float(np.exp(mean)) * spread
