"""Construction files written for people: every number with what it means, nothing overwritten by accident."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

from taptest.beam.construction import LONGEST_NAME, SCHEMA, Construction, Learned, load_construction
from taptest.core.durable import sync_folder, write_durably
from taptest.core.errors import CalibrationError, ConstructionError, shown

_PATH_CHARACTERS = 200
_LINE_CHARACTERS = 108


def check_target(path: str | Path, called: str, *, replace: bool = False) -> Path:
    """The path of a construction file that may be written.

    Args:
        path: where.
        called: the construction's name.
        replace: whether a file that is there may go.

    Raises:
        CalibrationError: it does not end in .toml, its folder is missing, or it is there already and not to be replaced; or
            the name is empty, long or not printable.
    """
    target = Path(path)
    if not called.strip() or len(called) > LONGEST_NAME or not called.isprintable():
        raise CalibrationError(
            f"--name is '{shown(called)}': it must be 1 to {LONGEST_NAME} printable characters; name the construction"
        )
    name = shown(target, _PATH_CHARACTERS)
    if "\0" in str(path) or target.suffix.lower() != ".toml" or not target.stem:
        raise CalibrationError(
            f"{name}: a construction file ends in .toml; write -o {shown(target.stem or 'ours', 60)}.toml"
        )
    try:
        if not target.parent.is_dir():
            raise CalibrationError(
                f"{name}: there is no folder {shown(target.parent, _PATH_CHARACTERS)}; make it first"
            )
        if target.is_dir() or (target.exists() and not replace):
            raise CalibrationError(f"{name}: is there already; choose another name, or add --replace")
        with tempfile.TemporaryFile(dir=target.parent):
            pass  # better to know before half an hour of recordings is analysed
    except OSError as problem:
        raise CalibrationError(
            f"{name}: cannot be written there ({problem.strerror or problem}); choose another place"
        ) from problem
    return target


def write_construction(target: Path, construction: Construction) -> None:
    """Write it in one step, having read it back.

    Raises:
        CalibrationError: it cannot be written, or would not be read again.
    """
    name = shown(target, _PATH_CHARACTERS)
    try:
        with tempfile.TemporaryDirectory(prefix=".new-", dir=target.parent) as folder:
            trial = Path(folder, target.name)
            write_durably(trial, construction_text(construction).encode())
            load_construction(str(trial.absolute()))
            trial.replace(target)
        sync_folder(target.parent)
    except ConstructionError as problem:
        raise CalibrationError(f"{name}: what was learnt makes no construction file: {problem}") from problem
    except OSError as problem:
        raise CalibrationError(
            f"{name}: cannot be written ({problem.strerror or problem}); choose another place"
        ) from problem


def construction_text(construction: Construction) -> str:
    """The file's text, `taptest.construction/1`."""
    note = construction.note.replace("\\", "\\\\").replace('"', '\\"')
    lines = [
        f'schema = "{SCHEMA}"',
        f"name = {_text(construction.name)}",
        f'note = """\n{note}"""',
        "",
        "[profile]                    # place over length, from the tail; EI over EI in the middle; mass over its mean",
        *_list("station", construction.station, 9),
        *_list("bending_stiffness", construction.bending_stiffness, 5),
        *_list("mass_per_length", construction.mass_per_length, 5),
        "",
        "[uncertainty]                # one standard uncertainty per bending mode; the last one repeats",
        *_list("frequency_percent", construction.frequency_percent, 3),
    ]
    if construction.learned is not None:
        lines += _learned(construction.learned)
    if construction.torsion is not None:
        ratios = construction.torsion.stiffness_ratio
        lines += ["", "[torsion]                    # GJ/EI; polar radius of gyration"]
        lines += (
            [f"stiffness_ratio = {ratios[0]:.6g}"] if len(set(ratios)) == 1 else _list("stiffness_ratio", ratios, 5)
        )
        lines.append(f"gyration_mm     = {1000 * construction.torsion.gyration_m:.6g}")
    if construction.shear is not None:
        lines += [
            "",
            "[shear]                      # kappa G A L^2 / EI in the middle; thickness for the rotary inertia",
        ]
        lines.append(f"rigidity_ratio  = {construction.shear.rigidity_ratio:.6g}")
        lines.append(f"thickness_mm    = {1000 * construction.shear.thickness_m:.6g}")
    return "\n".join(lines) + "\n"


def _learned(learned: Learned) -> list[str]:
    lines = [
        "",
        "[learned]                    # from measured skis; the uncertainties above hold only together with it",
        "# What the profile's frequency of each bending mode is multiplied by; the last one repeats.",
        *_list("frequency_factor", learned.frequency_factor, 6),
    ]
    if learned.skis_per_order:
        lines.append(
            "# In how many skis each mode was heard. Where it was in none, the factor follows from the other modes."
        )
        lines += _list("skis_per_order", learned.skis_per_order, 6)
    if learned.error_percent:
        lines.append(
            "# Root mean square error of each mode, every ski predicted from the others; 0: heard in fewer than three."
        )
        lines += _list("error_percent", learned.error_percent, 3)
    return [
        *lines,
        "# One standard uncertainty of what all modes of a ski share: rig, balance and build together.",
        f"shared_percent = {learned.shared_percent:.2f}",
        f"skis = {learned.skis}",
        f"left_out = {learned.left_out}",
        f"base = {_text(learned.base)}",
        f"lots = [{', '.join(_text(lot) for lot in learned.lots)}]",
        f"made = {_text(learned.made)}",
        f"software = {_text(learned.software)}",
    ]


def _text(text: str) -> str:
    # A basic string of TOML is one of JSON, but for DEL and for surrogates.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(key: str, values: Sequence[float], digits: int) -> list[str]:
    """``key = [...]``, wrapped."""
    words = [f"{value:.{digits}g}" for value in values]
    head = f"{key:<17} = ["
    lines, line = [], head
    for at, word in enumerate(words):
        piece = word + (", " if at + 1 < len(words) else "]")
        if len(line) + len(piece) > _LINE_CHARACTERS:
            lines.append(line.rstrip())
            line = " " * len(head)
        line += piece
    return [*lines, line]
