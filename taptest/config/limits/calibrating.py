"""Figures that decide about calibrations, studies and constructions that are learned."""

from __future__ import annotations

from dataclasses import dataclass

from taptest.config.limits.declared import PRACTICE, limit


@dataclass(frozen=True)
class RoomCalibrationLimits:
    """When claps tell how a room decays."""

    least_silence_s: float = limit(0.5, "s", PRACTICE, "silence that is needed before the first clap")
    headroom_db: float = limit(10.0, "dB", "ISO 3382-2, 5.3", "how far the noise lies below what is fitted, at least")
    most_tonal_db: float = limit(-5.0, "dB", "noise -2.5, a ski -7 to -10", "spectral flatness below which it rings")
    curved_ratio: float = limit(0.10, "1", "ISO 3382-2, B.4", "T30 over T20 less 1, above which a decay has two rates")


@dataclass(frozen=True)
class ClockLimits:
    """When a tapped reference bar tells the recorder's clock, and whether it was the bar."""

    useful_u_rel: float = limit(1e-3, "1", "crystals are right within 1e-4", "a clock known no better corrects nothing")
    least_factor: float = limit(0.99, "1", PRACTICE, "smallest clock factor of a stored calibration")
    most_factor: float = limit(1.01, "1", PRACTICE, "largest clock factor of a stored calibration")
    least_modes: int = limit(3, "modes", "two fit any factor and slenderness", "modes of the bar that must be found")
    mode_tolerance: float = limit(0.012, "1", "torsion is farther off", "a mode this near a predicted order is placed")
    widest_factor: float = limit(0.20, "1", PRACTICE, "how far off the file's ladder a bar may ring")
    most_gaps: float = limit(0.35, "1", "set on simulated bars", "share of orders in between that may be missing")
    most_scatter: float = limit(0.004, "1", "a struck bar has 0.002", "scatter about the common factor of a bar")
    rehang_u_rel: float = limit(2e-5, "1", PRACTICE, "uncertainty of a bar's mode from hanging and tapping it anew")
    noticed_frequency: float = limit(2e-4, "1", PRACTICE, "change of frequency in a ring-down that is worth a word")
    noticed_damping: float = limit(0.05, "1", PRACTICE, "change of damping in a ring-down that is worth a word")


@dataclass(frozen=True)
class LoopLimits:
    """What is assumed of the loops that a ski hangs in, and what is accepted."""

    bounce_hz: float = limit(2.5, "Hz", PRACTICE, "bounce of a hung ski that is assumed")
    bounce_damping: float = limit(0.10, "1", "elastic cord; " + PRACTICE, "damping ratio of the bounce that is assumed")
    first_hz: float = limit(30.0, "Hz", PRACTICE, "first bending mode that is assumed")
    accepted_bounce_hz: tuple[float, float] = limit((0.2, 20.0), "Hz", PRACTICE, "bounce that is accepted")
    accepted_first_hz: tuple[float, float] = limit((3.0, 1000.0), "Hz", PRACTICE, "first mode that is accepted")
    visible: float = limit(
        12.0, "1", "noise reaches 3.5 once in 1000", "line over spectrum from which a bounce is seen"
    )
    uneven_load: float = limit(0.06, "1", PRACTICE, "load off one half from which the loops should hang differently")
    stiff_ratio: float = limit(8.0, "1", PRACTICE, "first mode over bounce below which softer loops are advised")


@dataclass(frozen=True)
class CalibrationLimits:
    """What is taken from stored calibrations."""

    largest_u_rel: float = limit(0.5, "1", PRACTICE, "largest relative uncertainty of a stored calibration")
    drift_old_days: float = limit(1.0, "d", PRACTICE, "age of the last reference from which to be reminded of it")
    surely_off: float = limit(2.0, "u", "95 %", "uncertainties that a clock or a slope is off by before it corrects")


@dataclass(frozen=True)
class StudyLimits:
    """Repeatability studies."""

    good_percent: float = limit(10.0, "%", PRACTICE, "% GRR below which a measurement is good")
    fit_percent: float = limit(30.0, "%", PRACTICE, "% GRR above which it is not fit")
    least_categories: int = limit(5, "classes", PRACTICE, "classes of skis that it should tell apart")
    pool_above: float = limit(0.25, "1", PRACTICE, "significance above which the interaction is taken for chance")
    few_operators: int = limit(5, "people", PRACTICE, "fewer hardly tell how people differ")
    same_mode: float = limit(0.05, "1", PRACTICE, "how far the followed mode may lie from before on the same ski")
    like_mode: float = limit(0.10, "1", PRACTICE, "how far it may lie from that of the other skis")
    different_modes: float = limit(1.3, "1", "bending modes lie farther apart", "ratio from which skis' modes differ")


@dataclass(frozen=True)
class DriftLimits:
    """The control chart of a reference."""

    least_points: int = limit(8, "tappings", PRACTICE, "fewer make no limits")
    baseline_points: int = limit(20, "tappings", "NIST/SEMATECH handbook, 6.3.2", "as many settle the limits")
    run_length: int = limit(8, "tappings", PRACTICE, "as many in a row on one side of the centre break a rule")
    far_of_eight: float = limit(2.0, "1", "seven limits are rough", "widths outside from which one of eight counts out")
    same_mode: float = limit(0.03, "1", PRACTICE, "how far a mode may move between tappings")
    together: float = limit(
        0.005, "1", "modes of one object move together", "how far from the shift of all it may move"
    )
    warm_k: float = limit(5.0, "K", "0.1 % a kelvin moves 0.5 %", "difference of temperature that is worth a word")


@dataclass(frozen=True)
class TemperatureLimits:
    """Studies of frequency over temperature."""

    least_span_k: float = limit(8.0, "K", PRACTICE, "span of temperature in one ski that a slope needs")
    least_points: int = limit(4, "measurements", PRACTICE, "measurements that a slope needs")
    largest_slope_per_k: float = limit(0.02, "1/K", "no ski comes near", "largest slope that is believed")


@dataclass(frozen=True)
class PlanLimits:
    """How much to measure."""

    significance: float = limit(0.05, "1", PRACTICE, "significance of the t test that is planned for")
    most_skis: int = limit(2_000, "skis", PRACTICE, "groups are planned up to this size")


@dataclass(frozen=True)
class LearningLimits:
    """Constructions learnt from skis presumed good."""

    least_skis: int = limit(10, "skis", PRACTICE, "as many are needed")
    most_shared_percent: float = limit(3.0, "%", PRACTICE, "scatter in what a ski's modes share that is one kind's")
    most_single_percent: float = limit(2.0, "%", PRACTICE, "scatter of single modes that is one kind's")
    most_left_out: float = limit(0.25, "1", PRACTICE, "share of outliers above which the lot is not of one kind")
    least_orders: int = limit(3, "modes", "two tell no shape", "orders that a third of the skis must have")
    outlier_z: float = limit(3.5, "1", "of 20 good skis one in 100 lots loses one", "robust deviations from the rest")
    rare_z: float = limit(4.0, "1", PRACTICE, "deviations from what is likely, of an order that few skis have")
    least_spread: float = limit(0.001, "1", PRACTICE, "least scatter that is assumed: hanging anew moves a ski so much")
    least_own: float = limit(0.25, "1", PRACTICE, "share of the variance of single modes that is not the taps' own")
    least_for_error: int = limit(3, "skis", PRACTICE, "skis with an order before its error is stated on its own")
    least_judged: int = limit(5, "skis", PRACTICE, "skis that say what scatter of single modes is usual")
    prior_scale: float = limit(0.015, "1", PRACTICE, "what a base is assumed not to know of the scale of all modes")
    prior_shear: float = limit(1.5e-4, "1", "half of a bar of t/L = 0.014", "of shear, at (order + 1/2)² = 1")
    prior_own: float = limit(0.08, "1", PRACTICE, "share of what it admits not to know that no smooth shape explains")
    prior_shapes: tuple[float, ...] = limit(
        (1.0, 1.0, 0.5, 1.0), "1", PRACTICE, "shares of the smooth shapes in the rest"
    )
