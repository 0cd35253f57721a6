"""Spectra and decays for other programs: universal files (dataset 58) and HDF5, read back and compared after writing.

What is written of a recording: the mean power spectral density of its good taps, the decay of every mode, and the modes.
The extra ``exchange`` brings what writes them (pyuff, h5py). Universal files are read back by this project's own reader,
so that a file which its writer alone understands is noticed.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from taptest.config.settings import Settings
from taptest.core.durable import write_durably
from taptest.core.errors import ExchangeError, TaptestError, shown
from taptest.core.version import VERSION
from taptest.export.cells import contents, refusal
from taptest.io.recording import Recording
from taptest.io.universal import UniversalFunction, read_functions
from taptest.signal.analysis import Analysis, Mode
from taptest.signal.traces import mean_power, ring_down_trace

Real = NDArray[np.float64]

SCHEMA = "taptest.spectra/1"
_STEP_MARK = "first_hz="  # stands in every universal spectrum of ours
SUFFIXES = (".uff", ".unv", ".h5", ".hdf5")
MAX_FILE_BYTES = 512_000_000
MAX_VALUES = 20_000_000
MAX_RECORDINGS = 10_000
_FULL_SCALE = "FS"
_POWER_DENSITY, _GENERAL = 9, 0
_FREQUENCY, _TIME, _UNKNOWN = 18, 17, 0
_MOTIONS = {"displacement": 8, "velocity": 11, "acceleration": 12}
_DIGITS_58 = 2e-11  # of a value in double precision as text, E20.12
_DIGITS_STEP = 1e-5  # of an abscissa, E13.5
_MODE_VALUES = ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u", "level_db", "taps")


@dataclass(frozen=True, eq=False)
class Decay:
    """How one mode dies away: level [dB] against the fitted start over the time [s] after the contact, (points,) each."""

    frequency_hz: float
    frequency_u_hz: float
    damping_ratio: float
    damping_ratio_u: float
    level_db: float
    taps: int
    time_s: Real
    decay_db: Real


@dataclass(frozen=True, eq=False)
class TapSpectrum:
    """What is written of one recording.

    ``power_density`` (bins,): 2 |X(f)|² / (fs² T), the mean over the good taps, each over the T = ``record_s`` after the contact
    without a window, one-sided, in ``unit``² / Hz: its integral over frequency is the mean square of that record (Parseval).
    ``unit``: the SI unit of a pickup, or "FS", the full scale of a sound file.
    """

    path: str
    sample_rate_hz: float
    quantity: str
    unit: str
    channel: int
    taps: int
    record_s: float
    frequency_hz: Real
    power_density: Real
    decays: tuple[Decay, ...]


def tap_spectrum(recording: Recording, analysis: Analysis, settings: Settings) -> TapSpectrum | None:
    """Spectrum and decays of what was found in a recording; None where it has no good tap."""
    rate = float(analysis.sample_rate_hz)
    mean = mean_power(recording, analysis, low_hz=settings.low_hz, high_hz=analysis.high_hz(settings))
    if mean is None:
        return None
    quantity, unit, scale, file_rate = "sound", _FULL_SCALE, 1.0, rate
    if analysis.pickup is not None:
        channel = analysis.pickup.channels[analysis.channel - 1]
        quantity, unit, scale = channel.quantity, channel.unit or _FULL_SCALE, channel.full_scale
        file_rate = analysis.pickup.sample_rate_hz
    traces = ((mode, ring_down_trace(recording, analysis, mode)) for mode in analysis.modes)
    decays = tuple(_decay(mode, trace.time_s, trace.level_db) for mode, trace in traces if trace is not None)
    return TapSpectrum(
        Path(analysis.path).name,
        file_rate,
        quantity,
        unit,
        analysis.channel,
        len(analysis.accepted),
        mean.samples / rate,
        mean.frequencies_hz,
        np.asarray(2 * mean.power * scale**2 / (rate * mean.samples)),
        decays,
    )


def _decay(mode: Mode, time_s: Real, level_db: Real) -> Decay:
    values = {name: getattr(mode, name) for name in _MODE_VALUES}
    return Decay(**values, time_s=time_s, decay_db=level_db)


def check_spectra_name(path: str | Path) -> None:
    """Before anything is analysed: whether a file of this name could be written, and would take away nothing but spectra.

    Raises:
        ExchangeError: unknown suffix, no such folder, something else is there, or the extra is missing.
    """
    target = Path(path)
    if target.suffix.casefold() not in SUFFIXES:
        raise refusal(target, f"has no known suffix; name it {', '.join(SUFFIXES[:-1])} or {SUFFIXES[-1]}")
    if not target.absolute().parent.is_dir():
        raise refusal(target, "there is no such folder; make it first")
    _library(target)
    if target.exists() and not _holds_spectra(target):
        raise refusal(target, "is there and holds no spectra of taptest; choose another name")


def write_spectra(path: str | Path, spectra: Sequence[TapSpectrum]) -> None:
    """Write spectra and decays in the format that the suffix names, whole or not at all, and compare what is then there.

    Raises:
        ExchangeError: as `check_spectra_name`, nothing to write, it cannot be written, or it does not come back the same.
    """
    target = Path(path)
    check_spectra_name(target)
    if not spectra:
        raise refusal(target, "nothing to write: no recording has a good tap")
    try:
        data = _universal_bytes(target, spectra) if _is_universal(target) else _hdf_bytes(target, spectra)
        if not _same(target, data, spectra):
            raise refusal(target, "not written: it did not read back as it was; choose the other format and report it")
        write_durably(target, data)
        written = target.read_bytes()
    except OSError as problem:
        raise refusal(target, f"cannot be written ({shown(problem, 100)}); check the folder and the disk") from problem
    if written != data:
        raise refusal(target, "does not hold what was written to it; check the disk and write it again")


def read_spectra(path: str | Path) -> tuple[TapSpectrum, ...]:
    """What `write_spectra` wrote to an HDF5 file.

    Raises:
        ExchangeError: missing, too large, damaged, of another schema, or the extra is missing.
    """
    source = Path(path)
    return _from_hdf(source, contents(source, MAX_FILE_BYTES))


def _holds_spectra(path: Path) -> bool:
    if _is_universal(path):
        with suppress(OSError):
            return path.is_file() and _STEP_MARK.encode() in path.read_bytes()
        return False
    try:
        return bool(read_spectra(path))
    except ExchangeError:
        return False


def _is_universal(path: Path) -> bool:
    return path.suffix.casefold() in (".uff", ".unv")


def _library(path: Path) -> Any:
    try:
        if _is_universal(path):
            import pyuff

            return pyuff
        import h5py
    except ImportError:
        raise refusal(path, "needs the extra 'exchange': pip install 'taptest[exchange]'") from None
    return h5py


def _universal_bytes(path: Path, spectra: Sequence[TapSpectrum]) -> bytes:
    pyuff = _library(path)
    sets = [each for number, spectrum in enumerate(spectra, 1) for each in _universal_sets(pyuff, number, spectrum)]
    with tempfile.TemporaryDirectory(prefix="taptest-") as folder:
        draft = Path(folder) / "draft.uff"
        try:
            pyuff.UFF(str(draft)).write_sets(sets, mode="add")
        except Exception as problem:  # it raises nothing more precise
            raise refusal(path, f"pyuff cannot write it ({shown(problem, 80)}); choose .h5") from problem
        return draft.read_bytes()


def _universal_sets(pyuff: Any, number: int, spectrum: TapSpectrum) -> list[dict[str, Any]]:
    common = {
        "binary": 0,
        "id4": _ascii(f"recording {spectrum.path}, channel {spectrum.channel}"),
        "id5": f"taptest {VERSION}",
        "rsp_ent_name": "ski",
        "rsp_node": number,
        "rsp_dir": 3,
        "ref_ent_name": "NONE",
        "z_axis_value": 0.0,
        **dict.fromkeys(("ver_num", "load_case_id", "ref_node", "ref_dir"), 0),
        **dict.fromkeys(("orddenom_spec_data_type", "z_axis_spec_data_type"), 0),
    }
    unit = _FULL_SCALE if spectrum.unit == _FULL_SCALE else spectrum.unit.replace("²", "^2")
    hz = spectrum.frequency_hz
    step = float(hz[1] - hz[0]) if len(hz) > 1 else 1.0
    density = pyuff.prepare_58(
        **common,
        func_type=_POWER_DENSITY,
        id1="mean power spectral density of taps, one-sided, no window",
        id2=f"taps={spectrum.taps} record_s={spectrum.record_s:.9g} sample_rate_hz={spectrum.sample_rate_hz:.9g}",
        id3=f"{_STEP_MARK}{float(hz[0])!r} step_hz={step!r}",
        x=hz,
        data=spectrum.power_density,
        abscissa_spacing=1,
        abscissa_min=float(hz[0]),
        abscissa_inc=step,
        abscissa_spec_data_type=_FREQUENCY,
        abscissa_axis_units_lab="Hz",
        ordinate_spec_data_type=_MOTIONS.get(spectrum.quantity, _UNKNOWN),
        ordinate_axis_units_lab=f"({unit})^2/Hz",
    )
    decays = [
        pyuff.prepare_58(
            **common,
            func_type=_GENERAL,
            id1=f"decay of the mode at {decay.frequency_hz:.6g} Hz",
            id2=f"frequency_hz={decay.frequency_hz:.9g} frequency_u_hz={decay.frequency_u_hz:.3g} taps={decay.taps}",
            id3=f"damping_ratio={decay.damping_ratio:.9g} damping_ratio_u={decay.damping_ratio_u:.3g}",
            x=decay.time_s,
            data=decay.decay_db,
            abscissa_spacing=0,
            abscissa_min=0.0,
            abscissa_inc=0.0,
            abscissa_spec_data_type=_TIME,
            abscissa_axis_units_lab="s",
            ordinate_spec_data_type=_UNKNOWN,
            ordinate_axis_units_lab="dB",
        )
        for decay in spectrum.decays
    ]
    return [density, *decays]


def _ascii(text: str) -> str:
    return shown(text, 76).encode("ascii", "replace").decode()[:80]


def _same(path: Path, data: bytes, spectra: Sequence[TapSpectrum]) -> bool:
    """Whether the bytes say what was to be written."""
    try:
        if _is_universal(path):
            return _same_functions(read_functions(path.name, data), spectra)
        back = _from_hdf(path, data)
    except TaptestError:
        return False
    return len(back) == len(spectra) and all(_equal(got, put) for got, put in zip(back, spectra, strict=True))


def _same_functions(functions: Sequence[UniversalFunction], spectra: Sequence[TapSpectrum]) -> bool:
    wanted = []
    for spectrum in spectra:
        wanted.append((_POWER_DENSITY, spectrum.frequency_hz, spectrum.power_density))
        wanted += [(_GENERAL, decay.time_s, decay.decay_db) for decay in spectrum.decays]
    return len(functions) == len(wanted) and all(
        got.function_type == kind
        and len(got.values) == len(values)
        and np.allclose(got.abscissa, abscissa, rtol=_DIGITS_STEP, atol=0.0)
        and np.allclose(got.values, values, rtol=_DIGITS_58, atol=0.0)
        for got, (kind, abscissa, values) in zip(functions, wanted, strict=True)
    )


def _equal(one: Any, other: Any) -> bool:
    pairs = ((getattr(one, field.name), getattr(other, field.name)) for field in fields(one) if field.name != "decays")
    left, right = (getattr(each, "decays", ()) for each in (one, other))
    return all(np.array_equal(*pair) for pair in pairs) and len(left) == len(right) and all(map(_equal, left, right))


def _hdf_bytes(path: Path, spectra: Sequence[TapSpectrum]) -> bytes:
    h5py = _library(path)
    stream = io.BytesIO()

    def put(holder: Any, name: str, text: str) -> None:
        # Of fixed length: texts of any length lie in a heap, and damage there can have the library search it for ever.
        encoded = text.encode("utf-8")
        holder.attrs.create(name, encoded, dtype=h5py.string_dtype("utf-8", max(len(encoded), 1)))

    with h5py.File(stream, "w") as file:
        put(file, "schema", SCHEMA)
        put(file, "program", f"taptest {VERSION}")
        for number, spectrum in enumerate(spectra, 1):
            group = file.create_group(f"recordings/{number:05d}")
            for name in ("path", "quantity", "unit"):
                put(group, name, shown(getattr(spectrum, name), 200))
            for name in ("sample_rate_hz", "channel", "taps", "record_s"):
                group.attrs[name] = getattr(spectrum, name)
            group["frequency_hz"] = spectrum.frequency_hz
            group["power_density"] = spectrum.power_density
            put(group["frequency_hz"], "unit", "Hz")
            put(group["power_density"], "unit", f"({spectrum.unit})²/Hz")
            decays = group.create_group("decays")
            for at, decay in enumerate(spectrum.decays, 1):
                place = decays.create_group(f"{at:03d}")
                for name in _MODE_VALUES:
                    place.attrs[name] = getattr(decay, name)
                place["time_s"], place["decay_db"] = decay.time_s, decay.decay_db
                put(place["time_s"], "unit", "s")
                put(place["decay_db"], "unit", "dB")
    return stream.getvalue()


def _from_hdf(path: Path, data: bytes) -> tuple[TapSpectrum, ...]:
    h5py = _library(path)
    left = [MAX_VALUES]

    def attribute(holder: Any, name: str) -> Any:
        if holder.attrs.get_id(name).dtype.kind not in "Sifu":
            raise refusal(path, f"'{shown(name)}' is no number and no text of fixed length; write it again")
        value = holder.attrs[name]
        return value.decode("utf-8") if isinstance(value, bytes) else value

    def values(group: Any, name: str) -> Real:
        # A link out of the file, or a length that is only claimed, is not followed.
        if not isinstance(group.get(name, getlink=True), h5py.HardLink):
            raise refusal(path, f"'{shown(name)}' is missing or a link; write it again")
        dataset = group[name]
        if not isinstance(dataset, h5py.Dataset) or dataset.ndim != 1 or dataset.dtype != np.float64:
            raise refusal(path, f"'{shown(name)}' is no row of numbers in double precision; write it again")
        if dataset.external or dataset.is_virtual or dataset.chunks is not None:
            raise refusal(path, f"'{shown(name)}' is stored elsewhere or packed; write it again")
        left[0] -= dataset.size
        if left[0] < 0 or dataset.size * 8 > len(data):
            raise refusal(
                path, f"claims {dataset.size} values in '{shown(name)}', more than it can hold; write it again"
            )
        return np.asarray(dataset[()], dtype=np.float64)

    def groups(parent: Any, name: str) -> list[Any]:
        if not isinstance(parent.get(name, getlink=True), h5py.HardLink) or len(parent[name]) > MAX_RECORDINGS:
            raise refusal(path, f"'{shown(name)}' is missing, a link or too large; write it again")
        inside = parent[name]
        return [inside[key] for key in sorted(inside) if isinstance(inside.get(key, getlink=True), h5py.HardLink)]

    kinds: dict[Any, Any] = {"str": str, "int": int, "float": float}

    def read(kind: Any, group: Any, **given: Any) -> Any:
        """A `TapSpectrum` or a `Decay`, each value from where its kind is kept."""
        for each in fields(kind):
            if each.name not in given:
                of_kind = kinds.get(each.type)
                given[each.name] = values(group, each.name) if of_kind is None else of_kind(attribute(group, each.name))
        return kind(**given)

    def spectrum(group: Any) -> TapSpectrum:
        decays = tuple(read(Decay, place) for place in groups(group, "decays"))
        return cast(TapSpectrum, read(TapSpectrum, group, decays=decays))

    try:
        with h5py.File(io.BytesIO(data), "r") as file:
            if "schema" not in file.attrs or attribute(file, "schema") != SCHEMA:
                raise refusal(path, f"is no file of the schema {SCHEMA}")
            return tuple(spectrum(group) for group in groups(file, "recordings"))
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, OverflowError) as problem:
        raise refusal(path, f"is no HDF5 file of spectra, or a damaged one ({shown(problem, 80)})") from problem
    except MemoryError:
        raise refusal(path, "is damaged: it claims more than fits into memory") from None
