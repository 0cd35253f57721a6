"""What was heard in one recording, for a terminal."""

import math

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.config.corrections import Corrections
from taptest.config.settings import Settings
from taptest.core.errors import shown
from taptest.present.text.citation import cited
from taptest.present.text.tables import counted, hanging, limit_or, note, number, pinned, prose, ruled_table, with_u
from taptest.signal.analysis import Analysis, Mode

# Each reason: what it means, what to do.
TAP_REASONS = {
    "clipped": ("the sound was overdriven", "turn the recording level down or move the microphone back"),
    "double-hit": ("the ski was touched twice", "hold the hammer loosely and let it bounce off after one touch"),
    "too-quiet": ("hardly above the background", "tap harder or bring the microphone closer"),
    "cut-short": (
        "the next tap or the end came before the ring had died away",
        "wait two seconds after every tap, and before stopping",
    ),
    "noisy": ("something else sounded along (a voice, wind, a machine)", "wait until it is quiet and tap again"),
    "gain-control": (
        "the recorder turned its own level up or down",
        "switch off automatic level, noise suppression and voice enhancement",
    ),
    "no-ring": (
        "a knock, but no ring to go with the other taps",
        "hang the ski free in two soft loops, hands and poles off, and tap again",
    ),
    "dropped-samples": (
        "part of the sound was lost on its way from the microphone",
        "close other programs and tap again",
    ),
}
# What the same reasons mean where no microphone was used.
PICKUP_REASONS = {
    "clipped": (
        "the pickup or its digitiser was driven to its end",
        "tap more softly, or choose a wider range or a less sensitive pickup",
    ),
    "too-quiet": ("hardly above the noise", "tap harder, or choose a narrower range or a more sensitive pickup"),
    "noisy": ("the ski moved before the tap, or something else shook it", "let it hang still and tap again"),
}
MODE_FLAGS = {
    "hum": "lies on a harmonic of the mains; it may be hum and not the ski",
    "room-limited": "rings hardly longer than the room does, or shorter: its damping is heard too high or too low, so only "
    "its upper limit is given, which holds for 95 in 100 such modes; width, Q and decay are as heard",
    "uncertain-damping": "outlasts the room, but too faintly for its damping to be told within 5 %: more taps or a nearer "
    "microphone help",
    "single-tap": "heard in one tap only; tap again to confirm it",
    "close-pair": "overlaps a neighbour, so that its damping is less certain than usual",
    "short-record": "had not decayed far when the record ended; its damping is uncertain",
}
RECORDING_FLAGS = {
    "lossy": "compressed with loss: frequencies stand, damping and weak modes less so; record WAV or FLAC",
    "low-sample-rate": "sampled below 32 kHz, as over a wireless headset; record at 44.1 or 48 kHz",
    "silent-channel": "one channel is silent; check the cable if you need it",
    "bytes-after-sound": "the file goes on after the sound that its header announces; only that sound was read",
    "columns-left-out": "the file holds other things as well, which are left out",
    "coarse-pickup": "sampled below 2 kHz: a hammer that touched the ski twice is not noticed; watch for it yourself",
    "no-tap": "no tap found; tap the hung ski so that it rings clearly above the background",
    "no-good-tap": "no tap can be used; see the reasons above, then record again",
}


def face_view(analysis: Analysis, width: int) -> Group:
    """The view of an analysis alone, without the settings it was made with."""
    return analysis_view(analysis, Settings(), width)


def analysis_view(analysis: Analysis, settings: Settings, width: int, corrections: Corrections | None = None) -> Group:
    """Recording, taps with what is wrong with them, modes and what their remarks mean."""
    parts: list[RenderableType] = [Text.assemble((shown(analysis.path, 200), "bold"), f"  {_sound(analysis)}")]
    if analysis.taps:
        parts += [Text(), _tap_table(analysis, width), *_advice(analysis)]
    if analysis.modes:
        parts += [Text(), _mode_table(analysis.modes, width), Text(), _legend(analysis.modes)]
    parts += [
        Text(),
        hanging([*_remarks(analysis, settings), *(cited(each) for each in (corrections or Corrections()).citations)]),
        Text(),
    ]
    return Group(*parts)


def _sound(analysis: Analysis) -> str:
    kind = "mono" if analysis.channels == 1 else counted(analysis.channels, "channel")
    if analysis.pickup is not None:
        channel = analysis.pickup.channels[analysis.channel - 1]
        what = f"{channel.quantity} of '{shown(channel.name)}'" + ("" if analysis.channels == 1 else f", {kind}")
        return f"{analysis.pickup.sample_rate_hz:.6g} Hz, {analysis.duration_s:.1f} s, {what}"
    return f"{analysis.sample_rate_hz} Hz, {analysis.duration_s:.1f} s, {kind}"


def _tap_table(analysis: Analysis, width: int) -> RenderableType:
    table = ruled_table(
        width, [("tap", "right"), ("at\ns", "right"), ("above noise\ndB", "right"), ("rings\ns", "right"), ("", "left")]
    )
    for count, tap in enumerate(analysis.taps, 1):
        verdict = Text("good", "green") if tap.accepted else Text(f"not used: {', '.join(tap.reasons)}", "yellow")
        at_s = tap.onset / analysis.sample_rate_hz
        table.add_row(str(count), number(at_s, 2), number(tap.snr_db, 0), number(tap.ring_s, 2), verdict)
    return pinned(table, width)


def _advice(analysis: Analysis) -> list[RenderableType]:
    meanings = TAP_REASONS if analysis.pickup is None else TAP_REASONS | PICKUP_REASONS
    lines = [
        (reason, "yellow", f"{what}: {remedy}.")
        for reason, (what, remedy) in meanings.items()
        if any(reason in tap.reasons for tap in analysis.taps)
    ]
    return [Text(), hanging(lines)] if lines else []


def _mode_table(modes: tuple[Mode, ...], width: int) -> RenderableType:
    table = ruled_table(
        width,
        [
            ("frequency\nHz", "right"),
            ("damping\n%", "right"),
            ("width\nHz", "right"),
            ("Q", "right"),
            ("decay\ns", "right"),
            ("level\ndB", "right"),
            ("taps", "right"),
            ("note\ncents", "left"),
            ("remarks", "left"),
        ],
    )
    for mode in modes:
        table.add_row(
            with_u(mode.frequency_hz, mode.frequency_u_hz, 2),
            limit_or(mode.damping_ratio_limit, with_u(100 * mode.damping_ratio, 100 * mode.damping_ratio_u, 2)),
            number(mode.half_power_bandwidth_hz, 2),
            number(mode.quality_factor, 0),
            number(mode.decay_time_s, 2),
            number(mode.level_db, 0),
            str(mode.taps),
            note(mode.tone),
            Text("\n".join(mode.flags), "yellow"),
        )
    return pinned(table, width)


def _legend(modes: tuple[Mode, ...]) -> RenderableType:
    what = (
        "± one standard uncertainty; damping: share of critical damping; width: half-power bandwidth of the fitted "
        "resonance; decay: time to fall by 60 dB; level: against the strongest; taps: number it was heard in."
    )
    flags = {flag for mode in modes for flag in mode.flags}
    met = [(flag, "yellow", f"{meaning}.") for flag, meaning in MODE_FLAGS.items() if flag in flags]
    return Group(prose(what, style="dim"), *([hanging(met)] if met else []))


def _remarks(analysis: Analysis, settings: Settings) -> list[tuple[str, str, str]]:
    good = len(analysis.accepted)
    heard = f"{good} of {counted(len(analysis.taps), 'tap')} used, {counted(len(analysis.modes), 'mode')}"
    top_hz = settings.high_hz if analysis.pickup is None else analysis.high_hz(settings)
    lines = [("heard", "bold", f"{heard} between {settings.low_hz:g} and {top_hz:.4g} Hz")]
    if analysis.channels > 1:
        why = "as asked for" if settings.channel else "taps stand out most in it; --channel takes another"
        lines.append(("channel", "bold", f"{analysis.channel} of {analysis.channels}: {why}"))
    if analysis.noise is not None:
        lines.append(("noise", "bold", _noise(analysis, settings)))
    lines += [("note", "yellow", f"{RECORDING_FLAGS.get(flag, flag)}.") for flag in analysis.flags]
    return lines


def _noise(analysis: Analysis, settings: Settings) -> str:
    assert analysis.noise is not None
    high_hz = analysis.high_hz(settings)
    rms = analysis.noise.rms(settings.low_hz, high_hz)
    level = f"{20 * math.log10(rms):.0f} dB of full scale" if rms > 0 else "none"
    if analysis.pickup is not None:
        channel = analysis.pickup.channels[analysis.channel - 1]
        level = f"{rms * channel.full_scale:.2g} {channel.unit}".strip()
    hum = analysis.noise.hum
    if hum is None:
        return f"{level} in the pauses; no mains hum"
    lines = ", ".join(f"{line:.0f}" for line in hum.lines_hz)
    return f"{level} in the pauses; mains hum of {hum.fundamental_hz:.0f} Hz, heard at {lines} Hz"
