"""How a room decays, for a terminal."""

from math import pi
from pathlib import Path

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.room import BandDecay, RoomResult
from taptest.core.errors import shown
from taptest.present.text.tables import counted, hanging, number, pinned, prose, ruled_table, with_u
from taptest.signal.room import ROOM_FACTOR

_LEGEND = (
    "reverberation: time to fall by 60 dB, ± one standard uncertainty; from: range that was fitted, T30 over 30 dB; "
    "above noise: of the decays; noise: of the silence, in dB of full scale; hides: damping, as a share of critical, from "
    "which a mode in the middle of the band is not told from the room."
)
_SHORT = "T10 is less than the standard asks for (20 dB at least); louder claps or a quieter hour give more."
_CURVED = "falls fast first and slowly later: two rooms or a corridor; the time is between both."


def room_view(result: RoomResult, stored: Path | None, width: int) -> Group:
    """Table of bands, what it means for damping, hum, and where the calibration was stored."""
    headings = [
        ("band\nHz", "right"),
        ("reverberation\ns", "right"),
        ("from", "left"),
        ("decays", "right"),
        ("above noise\ndB", "right"),
        ("noise\ndB", "right"),
        ("hides\n%", "right"),
    ]
    table = ruled_table(width, headings)
    for band in result.bands:
        table.add_row(
            number(band.centre_hz, 0),
            with_u(band.reverberation_s, band.reverberation_u_s, 2),
            band.method or "-",
            str(band.decays),
            number(band.range_db, 0),
            number(band.noise_db, 0),
            number(_hidden_percent(band), 2),
        )
    remarks = [(f"{band.centre_hz:.0f} Hz", "yellow", f"{band.why_not}.") for band in result.bands if band.why_not]
    remarks += [(f"{band.centre_hz:.0f} Hz", "yellow", _CURVED) for band in result.bands if band.curved]
    if any(band.method == "T10" for band in result.bands):
        remarks.append(("T10", "yellow", _SHORT))
    parts: list[RenderableType] = [pinned(table, width), Text(), prose(_LEGEND, style="dim"), Text()]
    if remarks:
        parts += [hanging(remarks), Text()]
    return Group(*parts, hanging([("heard", "bold", _heard(result)), ("hum", "bold", _hum(result)), kept(stored)]))


def kept(stored: Path | None) -> tuple[str, str, str]:
    """Line that says where a calibration went."""
    return "stored", "bold", "nothing, as asked" if stored is None else shown(stored, 200)


def _hidden_percent(band: BandDecay) -> float | None:
    """Damping of a mode that decays in ROOM_FACTOR times the room's time: zeta = ln 1000/(2 pi f T)."""
    if band.reverberation_s is None:
        return None
    return 100 * 6.9078 / (2 * pi * band.centre_hz * ROOM_FACTOR * band.reverberation_s)


def _heard(result: RoomResult) -> str:
    places = counted(len(result.recordings), "recording")
    return f"{counted(result.decays, 'decay')} in {places}"


def _hum(result: RoomResult) -> str:
    if result.hum is None:
        return "none found"
    lines = zip(result.hum.lines_hz, result.hum.levels_db, strict=True)
    return f"mains of {result.hum.fundamental_hz:.2f} Hz: " + ", ".join(f"{hz:.0f} Hz {db:.0f} dB" for hz, db in lines)
