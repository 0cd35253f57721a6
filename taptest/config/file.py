"""``taptest.toml``: settings and limits that are remembered, beside a lot or in the user's settings folder.

A value that is given on the command line goes first, then the file beside the lot, then the user's own. A file may hold::

    [settings]
    low_hz = 20
    room_s = 0.4
    false_alarm_rate = 0.005
    stiffness_u_percent = 1.0

    [limits.group]
    least_skis = 12
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import fields, replace
from math import isfinite
from pathlib import Path
from typing import Any

from taptest.config.limits import LIMITS, Limits, named_limits
from taptest.config.settings import RigUncertainty, Settings
from taptest.core.documents import DocumentFormat
from taptest.core.errors import LimitsError, SettingsError, shown

NAME = "taptest.toml"
_LARGEST_BYTES = 64 * 1024
_LARGEST_NUMBER = 10**9
# What a file and the command line may set, with the type that is taken.
SETTABLE: dict[str, type] = {
    "low_hz": float,
    "high_hz": float,
    "room_s": float,
    "channel": int,
    "false_alarm_rate": float,
    "stiffness_u_percent": float,
    "mass_u_percent": float,
    "calibrations": str,
}


def user_file() -> Path:
    """The user's own file, whether it is there or not: in ``$TAPTEST_CONFIG``, otherwise in the settings folder of the system."""
    folder = os.environ.get("TAPTEST_CONFIG")
    if folder:
        return Path(folder) / NAME
    from platformdirs import user_config_path

    return user_config_path("taptest", appauthor=False) / NAME


def files_beside(lot: Path | None) -> list[Path]:
    """The files that are there, the one that goes first at the end."""
    own = [] if lot is None else [(lot if lot.is_dir() else lot.parent) / NAME]
    return [path for path in (user_file(), *own) if path.is_file()]


def read_settings(beside: Path | None, given: Mapping[str, Any] | None = None) -> Settings:
    """The settings that hold for a lot: what is ``given`` (None where it is not), then the files, then the defaults.

    Raises:
        LimitsError: a file that cannot be used, by its name and key.
        SettingsError: a value outside what is accepted.
    """
    values: dict[str, Any] = {}
    said_by: dict[str, Path] = {}
    limits = LIMITS
    for path in files_beside(beside):
        own, limits = _read(path, limits)
        values |= own
        said_by |= dict.fromkeys(own, path)
    for name, value in (given or {}).items():
        if value is not None:
            values[name] = value
            said_by.pop(name, None)
    try:
        return _settings(values, limits)
    except SettingsError as problem:
        # Of a range either end may be at fault.
        keys = {
            "low_hz": ("low_hz", "high_hz"),
            "stiffness_u_rel": ("stiffness_u_percent",),
            "mass_u_rel": ("mass_u_percent",),
        }
        files = {str(said_by[key]): None for key in keys.get(problem.setting, (problem.setting,)) if key in said_by}
        if not files:
            raise
        raise LimitsError(f"{', '.join(shown(each, 200) for each in files)}: {problem}") from None


def _settings(values: Mapping[str, Any], limits: Limits) -> Settings:
    rig = RigUncertainty()
    rig = RigUncertainty(
        values.get("stiffness_u_percent", 100 * rig.stiffness_u_rel) / 100,
        values.get("mass_u_percent", 100 * rig.mass_u_rel) / 100,
    )
    plain = {name: value for name, value in values.items() if not name.endswith("_u_percent")}
    return Settings(**plain, rig=rig, limits=limits)


def _read(path: Path, limits: Limits) -> tuple[dict[str, Any], Limits]:
    document = DocumentFormat("settings file", dict, LimitsError, _LARGEST_BYTES).read(path)
    for section in document:
        if section not in ("settings", "limits"):
            raise LimitsError(f"{shown(path, 200)}: '{shown(section)}' is no section; there are settings and limits")
    values = {}
    for name, value in _table(path, document, "settings").items():
        if name not in SETTABLE:
            raise LimitsError(
                f"{shown(path, 200)}: settings.{shown(name)} is no setting; there are {', '.join(SETTABLE)}"
            )
        values[name] = _typed(path, f"settings.{name}", value, SETTABLE[name])
    if "calibrations" in values:
        values["calibrations"] = str(path.parent / values["calibrations"])
    settable = {each.name: each for each in named_limits(limits) if each.settable}
    for group in _table(path, document, "limits"):
        for name, value in _table(path, document["limits"], group).items():
            known = settable.get(f"{group}.{name}")
            if known is None:
                names = ", ".join(settable)
                raise LimitsError(
                    f"{shown(path, 200)}: limits.{shown(group)}.{shown(name)} cannot be set; there are {names}"
                )
            value = _typed(path, f"limits.{known.name}", value, type(known.default))
            if known.least is not None and not known.least <= value <= known.most:
                raise LimitsError(
                    f"{shown(path, 200)}: limits.{known.name} is {value:g}; {known.least:g} to {known.most:g} are accepted"
                )
            limits = replace(limits, **{group: replace(getattr(limits, group), **{name: value})})
    return values, limits


def _table(path: Path, document: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    held = document.get(name, {})
    if not isinstance(held, dict):
        raise LimitsError(f"{shown(path, 200)}: {shown(name)} is {shown(held)}; it must be a section")
    return held


def _typed(path: Path, name: str, value: Any, kind: type) -> Any:
    if (isinstance(value, int) and abs(value) > _LARGEST_NUMBER) or (isinstance(value, float) and not isfinite(value)):
        raise LimitsError(f"{shown(path, 200)}: {name} is {shown(value)}; it must be a number of usual size")
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, kind) or isinstance(value, bool):
        wanted = {float: "a number", int: "a whole number", str: "a text"}[kind]
        raise LimitsError(f"{shown(path, 200)}: {name} is {shown(value)}; it must be {wanted}")
    return value


def not_default(settings: Settings) -> list[str]:
    """What differs from the defaults, such as "false_alarm_rate 0.005", for results to say."""
    usual = Settings()
    told = [
        f"{each.name} {shown(getattr(settings, each.name))}"
        for each in fields(Settings)
        if each.name not in ("limits", "corrections", "rig", "calibrations")
        and getattr(settings, each.name) != getattr(usual, each.name)
    ]
    if settings.rig != usual.rig:
        told.append(
            f"uncertainty of the rig {100 * settings.rig.stiffness_u_rel:g} %, of the scale {100 * settings.rig.mass_u_rel:g} %"
        )
    return told + [f"{each.name} {each.value}" for each in named_limits(settings.limits) if each.value != each.default]
