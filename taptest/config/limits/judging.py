"""Figures that decide about tables, predictions, verdicts, pairs, comparisons, results on snow and a logbook."""

from __future__ import annotations

from dataclasses import dataclass

from taptest.config.limits.declared import PRACTICE, limit


@dataclass(frozen=True)
class TableLimits:
    """Which values a table, an option or a prediction takes, least and most; anything else is a slip of the unit or the hand."""

    length_m: tuple[float, float] = limit(
        (0.3, 2.6), "m", "wider than any cross-country ski", "length of a ski, and span of the two supports"
    )
    place_m: tuple[float, float] = limit(
        (0.05, 2.6), "m", "within the longest ski", "distance from the tail of rig, balance point and binding"
    )
    mass_kg: tuple[float, float] = limit((0.05, 5.0), "kg", "wider than any cross-country ski", "mass as hung")
    binding_mass_kg: tuple[float, float] = limit((0.005, 2.0), "kg", "wider than any binding", "mass of the binding")
    stiffness_n_per_m: tuple[float, float] = limit(
        (200.0, 40_000.0), "N/m", "a few N/mm at 1.4 m are usual", "two-support bending stiffness"
    )
    flattening_n_per_m: tuple[float, float] = limit(
        (40_000.0, 1_000_000.0), "N/m", "200 to 250 N/mm are usual", "is taken for flattening stiffness and refused"
    )
    temperature_c: tuple[float, float] = limit((-50.0, 60.0), "°C", PRACTICE, "temperature of a ski")
    snow_temperature_c: tuple[float, float] = limit((-60.0, 60.0), "°C", PRACTICE, "temperature of a run on snow")
    glide_m: tuple[float, float] = limit((0.5, 5_000.0), "m", PRACTICE, "glide-out distance")
    glide_s: tuple[float, float] = limit((0.5, 3_600.0), "s", PRACTICE, "glide time")
    speed_m_per_s: tuple[float, float] = limit((0.2, 60.0), "m/s", PRACTICE, "trap speed")
    lead_m: tuple[float, float] = limit((-500.0, 500.0), "m", PRACTICE, "lead in a paired glide")
    feel_score: tuple[float, float] = limit((0.0, 100.0), "points", PRACTICE, "feel score")
    frequency_hz: tuple[float, float] = limit((1.0, 20_000.0), "Hz", "what is audible", "frequency in a study")
    damping_percent: tuple[float, float] = limit((0.001, 100.0), "%", PRACTICE, "damping ratio in a study")
    shift_percent: tuple[float, float] = limit((-50.0, 50.0), "%", PRACTICE, "shift of a ski in a study")


@dataclass(frozen=True)
class BeamLimits:
    """What is unusual of a ski whose frequencies are predicted."""

    usual_length_m: tuple[float, float] = limit((1.2, 2.2), "m", PRACTICE, "outside a length is remarked on")
    usual_mass_kg: tuple[float, float] = limit((0.3, 1.2), "kg", PRACTICE, "outside a mass is remarked on")
    usual_ei_n_m2: tuple[float, float] = limit((40.0, 600.0), "N m²", PRACTICE, "outside a stiffness is remarked on")
    least_ei_n_m2: float = limit(1.0, "N m²", "a value in N/mm gives less", "a softer ski is refused")
    least_span: float = limit(0.4, "of the length", PRACTICE, "a shorter span is remarked on")
    flattening_span_m: float = limit(0.8, "m", PRACTICE, "from this span on a flattening stiffness is told")


@dataclass(frozen=True)
class LadderLimits:
    """What is asked of the modes of a ski before it is judged by them."""

    least_odds: float = limit(
        20.0, "to 1", "set on simulated skis", "best reading of the mode numbers against the next, below it ambiguous"
    )
    least_probability: float = limit(0.95, "", "set on simulated skis", "of the place of one resonance")
    least_placed: int = limit(2, "modes", "one mode says nothing about the others", "bending modes, below it ambiguous")
    least_modes: int = limit(
        4, "modes", "set on 200 simulated skis and random tones", "bending modes, below it a recheck"
    )
    least_spanned: float = limit(
        0.6, "", "set on 200 simulated skis and random tones", "share of the orders between lowest and highest"
    )
    least_loud: float = limit(
        0.4, "", "set on 200 simulated skis and random tones", "share of the loud tones that have a place"
    )
    loud_db: float = limit(15.0, "dB", "set on 200 simulated skis and random tones", "below the loudest: loud tones")
    most_uncertain: float = limit(
        0.005,
        "",
        PRACTICE + ": a tap moves a mode by less than 0.1 %, hanging anew by about that",
        "relative uncertainty of a typical mode beyond which the taps disagree",
    )


@dataclass(frozen=True)
class GroupLimits:
    """By what the skis of one kind are judged against each other."""

    least_skis: int = limit(
        10,
        "skis",
        "a factor of 4.44 at 10 skis, tolerance tables",
        "from which on the group sets the limits",
        settable=True,
        least=8,
        most=100,
    )
    least_ranked: int = limit(
        5, "skis", "Grubbs' test is weak below", "from which on the farthest of a small group is tested"
    )
    least_generation: int = limit(
        5, "skis", "set on simulated lots", "from which on a generation has a centre of its own"
    )
    confidence: float = limit(
        0.95, "", "ISO 16269-6 uses it (from memory)", "of tolerance limits", settable=True, least=0.5, most=0.99
    )
    length_step_mm: float = limit(30.0, "mm", PRACTICE, "lengths no farther apart are one class")
    physics_factor: float = limit(
        2.576, "u", "99 % of a normal distribution", "group's centre from its prediction before it is remarked on"
    )
    least_shift_spread: float = limit(
        0.001, "", PRACTICE + ": hanging anew", "spread of tone that no group is narrower than"
    )
    least_damping_spread: float = limit(0.02, "", PRACTICE + ": hanging anew", "the same of damping")
    least_mass_spread: float = limit(0.003, "", PRACTICE + ": weighing anew", "the same of mass")
    least_stiffness_spread: float = limit(0.01, "", PRACTICE + ": bending anew", "the same of stiffness")
    least_pattern_modes: int = limit(
        3, "modes", "two deviations and their mean say nothing", "modes for a residual chi-square"
    )
    screen_share: float = limit(
        0.2,
        "",
        "set on simulated lots",
        "rechecks by mass, stiffness, damping pattern and all together, over the false-alarm rate",
    )
    least_together: int = limit(3, "statistics", "set on simulated lots", "needed to look at all together")
    warm_k: float = limit(5.0, "K", PRACTICE + ": about -0.1 % a kelvin", "range of temperatures that is remarked on")


@dataclass(frozen=True)
class VerdictLimits:
    """How statistics become a verdict and its reasons."""

    least_taps: int = limit(
        3, "taps", PRACTICE, "good taps, below it no outlier but a recheck", settable=True, least=1, most=10
    )
    recheck_score: float = limit(
        1.5, "of the limit", "a lot may hold several flexes on purpose", "mass or stiffness beyond it ask for a recheck"
    )
    fits_score: float = limit(
        0.5, "of the limit", "about two standard deviations of the group", "mass or stiffness up to it fit"
    )
    far_mode: float = limit(3.0, "u", "99.7 % of a normal distribution", "a mode surely off from the others")


@dataclass(frozen=True)
class ClusterLimits:
    """When a group looks like two builds."""

    least_skis: int = limit(12, "skis", "set on simulated lots", "below it no clusters are looked for")
    least_share: float = limit(0.2, "", "fewer are outliers, no build", "of the smaller cluster")
    least_cluster: int = limit(4, "skis", "fewer are outliers, no build", "in the smaller cluster")
    significance: float = limit(
        0.05,
        "",
        "set on simulated lots",
        "chance that one cluster looks like two, shared among four quantities",
    )


@dataclass(frozen=True)
class PairingLimits:
    """What makes a good pair where nobody says otherwise, and how well the differences of two skis are known.

    Of each difference two steps: matched up to the first, close up to the second.
    """

    mass_g: tuple[float, float] = limit((5.0, 10.0), "g", PRACTICE, "matched and close in mass")
    stiffness_percent: tuple[float, float] = limit((3.0, 5.0), "% of the mean", PRACTICE, "the same in stiffness")
    frequency_percent: tuple[float, float] = limit((1.0, 3.0), "% of the mean", PRACTICE, "the same in frequency")
    damping_percent: tuple[float, float] = limit((20.0, 40.0), "% of the mean", "own choice", "the same in damping")
    balance_mm: tuple[float, float] = limit((5.0, 10.0), "mm", "own choice", "the same in the balance point")
    length_mm: float = limit(5.0, "mm", PRACTICE, "skis farther apart in length are no pair")
    mass_u_g: float = limit(1.0, "g", PRACTICE, "how weighing repeats on one scale, k = 1")
    stiffness_u_percent: float = limit(1.0, "%", PRACTICE, "how bending repeats on one rig, k = 1")
    balance_u_mm: float = limit(1.0, "mm", PRACTICE, "how balancing repeats, k = 1")
    hung_anew_u_rel: float = limit(0.001, "1", PRACTICE, "hanging a ski anew moves what its modes share by so much")
    mode_anew_u_rel: float = limit(0.0005, "1", PRACTICE, "and a single mode, against the others")
    damping_anew_u_rel: float = limit(0.02, "1", PRACTICE, "and the damping of a mode")
    build_u_rel: float = limit(0.005, "1", "assumed", "scatter of a kind about what stiffness and mass predict")
    sure: float = limit(
        2.576, "u", "99 % of a normal distribution", "tones this far from the prediction are remarked on"
    )
    uneven: float = limit(
        0.01, "1", "good skis of a kind have 0.003 to 0.005 (assumed)", "spread between modes told of"
    )
    most_skis: int = limit(3_000, "skis", "what memory and a minute allow", "larger piles are refused")


@dataclass(frozen=True)
class CompareLimits:
    """When groups differ, and what else may make them seem to."""

    confidence: float = limit(0.95, "1", PRACTICE, "of intervals; what is left to 1 is the significance of differences")
    least_confidence: float = limit(
        0.80, "1", "own choice", "intervals that so few units hold less surely are left out"
    )
    warm_k: float = limit(3.0, "K", PRACTICE + ": about -0.1 % a kelvin", "groups farther apart are remarked on")


@dataclass(frozen=True)
class SnowLimits:
    """How well runs on snow tell skis apart, and what goes with them."""

    significance: float = limit(0.05, "1", PRACTICE, "significance of the F test that skis differ, and of relations")
    weak: float = limit(0.5, "1", "half is error", "reliability of a ski's mean below which it is weak")
    least_dof: int = limit(4, "1", PRACTICE, "degrees of freedom that an estimate of the error needs")
    least_model_dof: int = limit(5, "1", PRACTICE, "degrees of freedom that a model of all properties needs")
    power: float = limit(0.8, "1", "four times in five is usual", "chance to find the least correlation that is told")
    least_runs_for_drift: int = limit(6, "runs", PRACTICE, "runs of a session before its drift is taken out")


@dataclass(frozen=True)
class LogbookLimits:
    """When a ski counts as changed, and when two entries cannot be of the same ski."""

    coverage_factor: float = limit(
        2.0,
        "",
        "GUM, JCGM 100:2008, 6.2: expanded uncertainty with k = 2",
        "a change beyond k u is more than repeating it",
    )
    hung_anew_u_rel: float = limit(
        0.001,
        "",
        PRACTICE,
        "assumed of the tone where no study says how well it repeats to hang a ski anew",
    )
    damping_anew_u_rel: float = limit(0.05, "", PRACTICE, "the same of the damping")
    frequency_per_kelvin: float = limit(
        0.001, "1/K", PRACTICE, "uncertainty of a change of tone for each kelvin that is not corrected"
    )
    same_length_m: float = limit(0.005, "m", PRACTICE, "more apart, two lengths are of two skis under one id")
    same_mass_rel: float = limit(0.02, "", PRACTICE, "more apart, two masses are of two skis under one id")
