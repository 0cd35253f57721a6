"""Figures that decide about recordings, taps, noise, rooms and modes that are heard."""

from __future__ import annotations

from dataclasses import dataclass

from taptest.config.limits.declared import PRACTICE, limit


@dataclass(frozen=True)
class ListeningLimits:
    """What can be listened to."""

    least_low_hz: float = limit(5.0, "Hz", "what a recording's records resolve", "lowest start of the range")


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
class InputLimits:
    """What is wrong with a microphone's input: levels are of full scale."""

    loud_noise_db: float = limit(
        -50.0, "dB", PRACTICE, "noise from which a light tap hardly stands out by the 40 dB that a good fit needs"
    )
    no_microphone_db: float = limit(-130.0, "dB", "24 bits round louder in this band", "noise of no microphone at all")
    hum_db: float = limit(-60.0, "dB", PRACTICE, "line of the mains hum from which it is reported")
    zero_run_s: float = limit(0.02, "s", "no sound crosses zero for so long", "run of exact zeros of a noise gate")
    too_loud_db: float = limit(-1.0, "dB", PRACTICE, "peak from which the level should be turned down")
    shortest_check_s: float = limit(2.0, "s", PRACTICE, "sound that a check of an input needs")


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
class ReverberationLimits:
    """Reverberation times that any door accepts: a setting, a measurement, a stored calibration."""

    shortest_s: float = limit(0.05, "s", "below it no room rings", "shortest reverberation time that is accepted")
    longest_s: float = limit(20.0, "s", "a cathedral has 10 s (from memory)", "longest reverberation time accepted")


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
class PlaybackLimits:
    """What is played for comparison by ear."""

    shortest_s: float = limit(0.2, "s", PRACTICE, "shortest sound that is accepted")
    longest_s: float = limit(10.0, "s", PRACTICE, "longest sound that is accepted")
    most_clips: int = limit(1_000, "sounds", PRACTICE, "sounds in one playlist")
    most_lowered_db: float = limit(12.0, "dB", PRACTICE, "how far the quietest sound may pull down the others")
    laptop_low_hz: float = limit(150.0, "Hz", PRACTICE, "tones below are hardly audible from a laptop")
