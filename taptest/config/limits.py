"""Every figure that decides about a ski, a tap, a pair or a measurement, in one place.

Each field says in its metadata what it is in (``unit``), where it comes from (``source``: a standard, "common practice, no
source", or what it was "set on") and what it does (``effect``). Those that are ``settable`` may be overridden in
``taptest.toml``. Constants that only make an algorithm work, and decide nothing, stay private beside their code.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

PRACTICE = "common practice, no source"


def limit(
    default: Any, unit: str, source: str, effect: str, *, settable: bool = False, least: Any = None, most: Any = None
) -> Any:
    """A field of a class of limits; ``least`` and ``most`` are what a settable one may be set to."""
    metadata = {"unit": unit, "source": source, "effect": effect, "settable": settable, "least": least, "most": most}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class ListeningLimits:
    """What can be listened to."""

    least_low_hz: float = limit(5.0, "Hz", "what a recording's records resolve", "lowest start of the range")


@dataclass(frozen=True)
class ReverberationLimits:
    """Reverberation times that any door accepts: a setting, a measurement, a stored calibration."""

    shortest_s: float = limit(0.05, "s", "below it no room rings", "shortest reverberation time that is accepted")
    longest_s: float = limit(20.0, "s", "a cathedral has 10 s (from memory)", "longest reverberation time accepted")


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
class FormatLimits:
    """Which files are taken as recordings."""

    least_sample_rate_hz: float = limit(8_000.0, "Hz", PRACTICE, "sound sampled more slowly is refused")
    low_sample_rate_hz: float = limit(
        32_000.0, "Hz", "wireless headsets take 8 or 16 kHz", "sound sampled more slowly is flagged"
    )
    most_sample_rate_hz: int = limit(768_000, "Hz", "no converter samples faster", "more is a damaged header")
    least_pickup_rate_hz: float = limit(200.0, "Hz", PRACTICE, "pickups sampled more slowly are refused")
    pickup_rate_per_band: float = limit(
        2.56, "", PRACTICE + ": how digitisers filter", "a pickup is believed up to its sample rate over this"
    )
    shortest_s: float = limit(0.1, "s", "shorter than a tap", "shorter recordings are refused")
    longest_s: float = limit(7_200.0, "s", "two hours of session", "longer recordings are refused")
    most_decoded_bytes: int = limit(1_500_000_000, "B", "what fits into memory", "larger recordings are refused")
    most_channels: int = limit(64, "", "no recorder has more", "more is a damaged header")
    uneven_share: float = limit(
        0.05,
        "of an interval",
        "shifts a sample of a ring at a tenth of the sample rate by 3 % of its amplitude, where anything is this uneven",
        "a time stamp of a pickup's series further off an even spacing is refused",
    )
    clipped_drop: float = limit(
        12.0,
        "resolutions",
        "a natural top that is flat for n samples falls by 8 at most within n more (derived)",
        "a flat top of a pickup is clipped where the signal falls further beside it",
    )


@dataclass(frozen=True)
class AgreementLimits:
    """When taps that were recorded under one id sound like one ski."""

    same_ski: float = limit(
        0.005,
        "1",
        "taps of a ski of the demonstration differ by 0.0032 at most, the skis of a pair by 0.0035 to 0.015",
        "typical difference of modes above which two taps are of two skis",
    )
    farthest: float = limit(0.04, "1", PRACTICE, "difference above which two modes are not the same one")
    strong_db: float = limit(-20.0, "dB", PRACTICE, "level below the strongest down to which modes are compared")
    audible_db: float = limit(-30.0, "dB", PRACTICE, "level down to which they are looked for in the other tap")
    most_modes: int = limit(8, "modes", PRACTICE, "strongest modes that are compared, at most")
    least_modes: int = limit(3, "modes", PRACTICE, "modes that both taps need, or nothing is said")
    uncertain: float = limit(2.0, "u", "95 %", "standard uncertainties that a difference must exceed")


@dataclass(frozen=True)
class InputLimits:
    """What is wrong with a microphone's input: levels are of full scale."""

    loud_noise_db: float = limit(
        -50.0, "dB", PRACTICE, "noise from which a light tap hardly stands out by the 40 dB that a good fit needs"
    )
    no_microphone_db: float = limit(-130.0, "dB", "24 bits round louder in this band", "noise of no microphone at all")
    hum_db: float = limit(-60.0, "dB", PRACTICE, "line of the mains hum from which it is reported")
    zero_run_s: float = limit(0.02, "s", "no sound crosses zero for so long", "run of exact zeros of a noise gate")
    too_loud_db: float = limit(-1.0, "dB", PRACTICE, "peak from which the level should be turned down")
    clipped_at: float = limit(0.9985, "1", "half a step of 9 bits below full scale", "sample that counts as clipped")
    shortest_check_s: float = limit(2.0, "s", PRACTICE, "sound that a check of an input needs")


@dataclass(frozen=True)
class PlaybackLimits:
    """What is played for comparison by ear."""

    shortest_s: float = limit(0.2, "s", PRACTICE, "shortest sound that is accepted")
    longest_s: float = limit(10.0, "s", PRACTICE, "longest sound that is accepted")
    most_clips: int = limit(1_000, "sounds", PRACTICE, "sounds in one playlist")
    most_lowered_db: float = limit(12.0, "dB", PRACTICE, "how far the quietest sound may pull down the others")
    laptop_low_hz: float = limit(150.0, "Hz", PRACTICE, "tones below are hardly audible from a laptop")


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
class TapLimits:
    """What counts as a tap heard by a microphone, and which taps are used."""

    attack_db: float = limit(
        9.0, "dB", "set on taps and beating rings", "rise within 3 ms from which a contact is heard"
    )
    detect_db: float = limit(8.0, "dB", "set on quiet taps", "level over the noise from which a contact is heard")
    aftershock_s: float = limit(0.15, "s", PRACTICE, "two contacts closer than this are one bad tap")
    hidden_s: float = limit(0.43, "s", "set on bounces", "how long a ring may hide a second, weaker contact")
    first_bounce_s: float = limit(0.018, "s", "set on bounces", "before it a bounce is lost in the wake of the contact")
    quiet_db: float = limit(12.0, "dB", "set on quiet taps", "a tap closer to the noise is too quiet")
    contact_s: float = limit(0.003, "s", PRACTICE + ": 1-3 ms with a soft tip", "the hammer has left the ski by then")
    shortest_s: float = limit(0.25, "s", "set on taps in series", "a shorter ring is cut short")
    longest_s: float = limit(6.0, "s", "no ski rings longer", "what is fitted of a ring at most")
    least_decay_db: float = limit(
        10.0, "dB", "set on taps in series", "a ring that falls less before it ends is cut short"
    )
    least_ring_s: float = limit(0.045, "s", "set on knocks", "what is over sooner is no ring")
    burst: float = limit(
        16.0, "1", "good taps in rooms stay below 13", "unpredicted energy from which a bounce is told"
    )
    burst_at_rise: float = limit(6.0, "1", "set on taps into rings", "the same where the level jumps as well")
    least_bounce: float = limit(
        10**-3.8, "1", "set on bounces", "a weaker bounce, against the first contact, is passed"
    )
    steady: float = limit(0.8, "1", "the slowest ring of a bar falls by more", "a floor that keeps up so far has moved")
    floor_drop: float = limit(
        0.4, "1", "set on recorders' automatic gain", "noise below so much of before: gain turned"
    )
    floor_rise: float = limit(
        2.5, "1", "set on recorders' automatic gain", "noise above so much of before: gain turned"
    )
    gate_db: float = limit(6.0, "dB", "set on noise gates", "sudden fall under a ring from which a gate has closed")
    clipped_level: float = limit(0.9985, "of full scale", "rounding and dither", "two samples as high are clipped")
    swelling: float = limit(0.7, "1", "set on voices", "as loud a third of a second later is no ring")
    other_sounds: float = limit(2.0, "1", "set on talk and music", "so many other sounds for each tap: none is used")


@dataclass(frozen=True)
class PickupTapLimits:
    """What counts as a tap in the series of a pickup, and which are used."""

    rise: float = limit(6.0, "1", "set on simulated pickups", "rise in energy from which a contact is found")
    detect: float = limit(10.0, "1", "set on simulated pickups", "energy over the floor from which a contact is found")
    quiet_db: float = limit(15.0, "dB", "set on simulated pickups", "a tap closer to the noise is too quiet")
    together_s: float = limit(0.15, "s", PRACTICE, "two contacts closer than this are one bad tap")
    contact_s: float = limit(0.004, "s", PRACTICE + ": 1-3 ms with a soft tip", "the hammer has left the ski by then")
    shortest_s: float = limit(0.4, "s", "set on simulated pickups", "a shorter ring is cut short")
    longest_s: float = limit(6.0, "s", "no ski rings longer", "what is fitted of a ring at most")
    bounce_hz: float = limit(2000.0, "Hz", "a bounce then has eight samples", "sampled more slowly no bounce is told")


@dataclass(frozen=True)
class NoiseLimits:
    """What is taken for mains hum, and for noise."""

    hum_line: float = limit(12.0, "1", "set on silences", "power over the noise from which a harmonic is hum")
    hum_line_alone: float = limit(30.0, "1", "one in a hundred silences by chance", "the same for a single harmonic")
    mains_spread: float = limit(0.012, "1", PRACTICE + ": grids keep 1 %", "how far mains may be off 50 or 60 Hz")
    hum_top_hz: float = limit(1000.0, "Hz", PRACTICE, "hum is looked for up to here")
    ringing_on: float = limit(2.0, "1", "3 standard deviations of five blocks", "a louder later silence still rings")


@dataclass(frozen=True)
class ModeLimits:
    """Which damped tones are modes of the ski."""

    heard: float = limit(14.0, "1", "2 unknowns: chance 0.1 %", "misfit a mode removes in one tap to be heard in it")
    explained: float = limit(0.75, "1", "set on voices and knocks", "share of a tap that decaying tones must explain")
    resonant: float = limit(0.045, "1", "no ski damps its modes more", "damping ratio up to which a tone is a ring")
    broad: float = limit(0.10, "1", "the thud of the contact", "damping ratio above which a tone is no mode")
    deaf_below_hz: float = limit(130.0, "Hz", "small microphones", "modes below are searched for once more")
    clean: float = limit(1.3, "1", "noise is 1", "power left below that frequency from which they are")
    f_ratio: float = limit(1.5, "1", "set on simulated rooms", "misfit a tone explains over what is left around it")
    overdamped: float = limit(0.5, "1", "no peak at all", "damping ratio above which a component is not a tone")
    shadow_db: float = limit(
        -20.0, "dB", "set on simulated rooms", "next to a strong mode, what is fainter is its echo"
    )
    shadow_width: float = limit(0.02, "1", "set on simulated rooms", "relative distance from which the shadow fades")
    room_scale: float = limit(
        4.0, "1", "two uncertainties then hold 92 to 94 % of modes", "how far a room moves a mode over what it leaves"
    )
    close: float = limit(2.0, "bandwidths", "set on simulated pairs", "neighbours as close are flagged")
    short_decay: float = limit(2.0, "1", "falls by 17 dB", "decay times power in a segment below which it is short")
    known_place: float = limit(0.002, "1", "no part of a room's answer is", "known so well a tone is a mode anyhow")
    same: float = limit(0.004, "1", "set on simulated rooms", "a late decay as near in frequency is of the same mode")
    same_at_most: float = limit(0.02, "1", "modes lie farther apart", "and never farther off than this")


@dataclass(frozen=True)
class RoomLimits:
    """How a known room bears on damping."""

    factor: float = limit(
        1.5, "1", "a settled room then moves damping by 2 % at most", "modes must ring so much longer than the room"
    )
    waits: tuple[float, ...] = limit(
        (0.3, 0.6), "reverberation times", "early the room is wrong, late the noise", "when a mode is fitted once more"
    )
    shared: float = limit(0.5, "1", "two uncertainties then hold 95 % of modes", "correlation of the two late fits")
    reverberant: float = limit(0.016, "1", "18 dB below, as at 0.3 m from a ski", "energy of the room over the direct")
    uncertain: float = limit(0.025, "1", "twice that is 5 %", "relative uncertainty from which damping is flagged")
    sure: float = limit(0.1, "1", "set on simulated rooms", "a late damping known no better does not decide")
    to_limit: float = limit(
        2.2, "u", "95 in 100 modes that simulated rooms limit lie below it", "uncertainties up to the damping's limit"
    )


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
class Limits:
    """All limits, by what they decide about."""

    listening: ListeningLimits = ListeningLimits()
    ladder: LadderLimits = LadderLimits()
    group: GroupLimits = GroupLimits()
    verdict: VerdictLimits = VerdictLimits()
    clusters: ClusterLimits = ClusterLimits()
    reverberation: ReverberationLimits = ReverberationLimits()
    room_calibration: RoomCalibrationLimits = RoomCalibrationLimits()
    clock: ClockLimits = ClockLimits()
    loops: LoopLimits = LoopLimits()
    calibration: CalibrationLimits = CalibrationLimits()
    study: StudyLimits = StudyLimits()
    drift: DriftLimits = DriftLimits()
    temperature: TemperatureLimits = TemperatureLimits()
    plan: PlanLimits = PlanLimits()
    learning: LearningLimits = LearningLimits()
    pairing: PairingLimits = PairingLimits()
    compare: CompareLimits = CompareLimits()
    snow: SnowLimits = SnowLimits()
    logbook: LogbookLimits = LogbookLimits()
    tables: TableLimits = TableLimits()
    format: FormatLimits = FormatLimits()
    tap: TapLimits = TapLimits()
    pickup_tap: PickupTapLimits = PickupTapLimits()
    noise: NoiseLimits = NoiseLimits()
    mode: ModeLimits = ModeLimits()
    room: RoomLimits = RoomLimits()
    beam: BeamLimits = BeamLimits()
    agreement: AgreementLimits = AgreementLimits()
    input: InputLimits = InputLimits()
    playback: PlaybackLimits = PlaybackLimits()


LIMITS = Limits()


@dataclass(frozen=True)
class NamedLimit:
    """One limit with its name ("group.least_skis"), for lists and for setting it."""

    name: str
    value: Any
    default: Any
    unit: str
    source: str
    effect: str
    settable: bool
    least: Any
    most: Any


def named_limits(limits: Limits = LIMITS) -> Iterator[NamedLimit]:
    """Every limit, in the order in which they are written."""
    for group in fields(limits):
        held = getattr(limits, group.name)
        for each in fields(held):
            yield NamedLimit(f"{group.name}.{each.name}", getattr(held, each.name), each.default, **each.metadata)
