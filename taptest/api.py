"""What ``taptest`` offers to Python programs: the commands as functions, and their results as plain data."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, overload

from numpy.typing import ArrayLike

from taptest.beam.construction import Construction, load_construction
from taptest.beam.predict import SkiMeasurements
from taptest.calibrate.use import with_calibrations
from taptest.config.file import read_settings
from taptest.config.settings import Settings
from taptest.core.errors import PackageError, RecordingError, TaptestError, shown
from taptest.identify.predicted import Change, LotPrediction, PredictedSki, predict_ski
from taptest.io.recording import from_samples, read_recording
from taptest.present.json.analysis import analysis_document
from taptest.present.json.documents import check_document, prediction_document
from taptest.screen.check import check as check_lot
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Analysis
from taptest.signal.analysis import analyse as analyse_recording
from taptest.tables.lot import Lot, read_lot

if TYPE_CHECKING:
    from pandas import DataFrame

    from taptest.logbook.book import Logbook

_PathLike = str | os.PathLike[str]
_Result = Analysis | Sequence[Analysis] | PredictedSki | LotPrediction | CheckResult


@overload
def analyse(
    recording: _PathLike,
    *,
    low_hz: float = ...,
    high_hz: float = ...,
    room_s: float | None = ...,
    channel: int | None = ...,
) -> Analysis: ...


@overload
def analyse(
    recording: ArrayLike,
    sample_rate_hz: int,
    *,
    low_hz: float = ...,
    high_hz: float = ...,
    room_s: float | None = ...,
    channel: int | None = ...,
) -> Analysis: ...


def analyse(
    recording: _PathLike | ArrayLike,
    sample_rate_hz: int | None = None,
    *,
    low_hz: float = 15.0,
    high_hz: float = 1500.0,
    room_s: float | None = None,
    channel: int | None = None,
) -> Analysis:
    """Taps, resonances and half-power damping heard in a recording, as ``taptest analyse`` tells them.

    Args:
        recording: the path of a sound file, or samples, (frames,) or (frames, channels), with 1.0 as full scale.
        sample_rate_hz: of samples; a file says it itself.
        low_hz: listen from this frequency [Hz], at least 5.
        high_hz: listen up to this frequency [Hz].
        room_s: reverberation time of the room [s], 0.05 to 20, if it is known. Stored calibrations are not looked at.
        channel: channel to use, from 1; None for the one in which taps stand out most.

    Raises:
        RecordingError: the file or the samples cannot be analysed, or an argument is outside its limits.

    A made-up bar that rings at 200 Hz with 1 % of critical damping, tapped once after half a second of hiss:

    >>> import numpy as np, taptest
    >>> time_s = np.arange(48_000) / 48_000 - 0.5
    >>> ring = np.exp(-0.01 * 2 * np.pi * 200 * time_s) * np.sin(2 * np.pi * 200 * time_s)
    >>> hiss = np.random.default_rng(1).normal(0, 1e-4, len(time_s))
    >>> heard = taptest.analyse(np.where(time_s > 0, 0.5 * ring, 0) + hiss, 48_000)
    >>> [f"{mode.frequency_hz:.1f} Hz, damping {100 * mode.damping_ratio:.1f} %" for mode in heard.modes]
    ['200.0 Hz, damping 1.0 %']
    """
    settings = _settings(low_hz, high_hz, room_s, channel)
    if isinstance(recording, str | os.PathLike):
        if sample_rate_hz is not None:
            raise RecordingError(
                f"{shown(recording, 200)}: a file says its sample rate itself; leave out sample_rate_hz"
            )
        return analyse_recording(read_recording(os.fspath(recording)), settings)
    if sample_rate_hz is None:
        raise RecordingError("samples: how fast they were taken is not known; give sample_rate_hz, such as 48000")
    return analyse_recording(from_samples(recording, sample_rate_hz), settings)


def predict(
    construction: _PathLike | Construction,
    *,
    length_m: float,
    mass_kg: float,
    stiffness_n_per_m: float,
    span_m: float,
    rig_centre_m: float | None = None,
    binding_mass_kg: float = 0.0,
    binding_m: float | None = None,
    change_mass_percent: float = 0.0,
    change_stiffness_percent: float = 0.0,
) -> PredictedSki:
    """Natural frequencies that mass and two-support bending stiffness predict, as ``taptest predict`` tells them.

    A uniform bar has f_n = (lambda_n**2 / (2 pi L**2)) sqrt(EI / mu), with EI = k S**3 / 48.

    Args:
        construction: the name of a shipped construction, the path of a ``.toml`` file, or a construction already read.
        length_m: length [m].
        mass_kg: mass as hung [kg], the binding included.
        stiffness_n_per_m: load over deflection between two supports [N/m]; never that of flattening the camber.
        span_m: distance of the two supports [m].
        rig_centre_m: place of the load [m from the tail]; None for the middle.
        binding_mass_kg: the part of the mass that is the binding [kg].
        binding_m: middle of the binding [m from the tail].
        change_mass_percent: also tell what so much more mass would do.
        change_stiffness_percent: also tell what so much more stiffness would do.

    Raises:
        ConstructionError: no such construction, or measurements from which nothing can be predicted.

    >>> import taptest
    >>> ski = taptest.predict("uniform_bar", length_m=1.9, mass_kg=0.52, stiffness_n_per_m=3100, span_m=1.4)
    >>> [round(frequency_hz, 1) for frequency_hz in ski.prediction.bending_hz[:3]]
    [25.1, 69.2, 135.6]
    """
    known = construction if isinstance(construction, Construction) else load_construction(os.fspath(construction))
    measurements = SkiMeasurements(
        length_m=length_m,
        mass_kg=mass_kg,
        stiffness_n_per_m=stiffness_n_per_m,
        span_m=span_m,
        rig_centre_m=rig_centre_m,
        binding_mass_kg=binding_mass_kg,
        binding_m=binding_m,
    )
    return predict_ski(known, measurements, change=Change(change_mass_percent, change_stiffness_percent))


def check(
    lot: _PathLike | Lot,
    settings: Settings | None = None,
    *,
    workers: int = 1,
) -> CheckResult:
    """Judge every ski of a lot, as ``taptest check`` does; whatever is wrong with one ski is in the result.

    Args:
        lot: the path of a table (csv or xlsx), or a lot already read.
        settings: how to listen and to judge, and the folder of calibrations; None for those of ``taptest.toml`` and the
            defaults.
        workers: processes to share the recordings among. With more than one, a script needs the usual guard
            ``if __name__ == "__main__"``.

    Raises:
        LotError: the table cannot be read at all.
        CalibrationError: there is no such folder of calibrations.

    >>> from dataclasses import replace
    >>> import taptest
    >>> from taptest.tables.lot import read_lot
    >>> lot = read_lot("recordings_demo/lot.csv")
    >>> result = taptest.check(replace(lot, rows=lot.rows[:1]))
    >>> [(ski.ski_id, ski.verdict) for ski in result.skis]
    [('C01L', 'pass')]
    """
    table = lot if isinstance(lot, Lot) else read_lot(os.fspath(lot))
    settings = with_calibrations(
        settings or read_settings(table.path),
        beside=table.path,
        constructions=tuple(row.construction for row in table.rows),
    )
    return check_lot(table, settings, workers=workers)


def _settings(low_hz: float, high_hz: float, room_s: float | None, channel: int | None) -> Settings:
    return Settings(low_hz=low_hz, high_hz=high_hz, room_s=room_s, channel=channel)


def open_logbook(where: _PathLike | None = None) -> Logbook:
    """The logbook at a path or a database's address; None for ``$TAPTEST_LOGBOOK``, or the one in the user's data folder.

    See ``taptest.logbook.book.open_logbook``.
    """
    from taptest.logbook.book import open_logbook as open_book

    return open_book(None if where is None else os.fspath(where))


def as_dict(result: _Result) -> dict[str, object]:
    """A result as plain dictionaries, lists, numbers and texts: the document that the command prints with ``--json``.

    Args:
        result: of `analyse` (or several of them), `predict` or `check`, or the prediction of a lot.

    Raises:
        TaptestError: it is something else.

    >>> import taptest
    >>> ski = taptest.predict("uniform_bar", length_m=1.9, mass_kg=0.52, stiffness_n_per_m=3100, span_m=1.4)
    >>> document = taptest.as_dict(ski)
    >>> document["schema"], document["skis"][0]["mass_g"]
    ('taptest.prediction/1', 520.0)
    """
    if isinstance(result, CheckResult):
        return check_document(result)
    if isinstance(result, PredictedSki):
        return prediction_document(LotPrediction((result,), ()))
    if isinstance(result, LotPrediction):
        return prediction_document(result)
    analyses = [result] if isinstance(result, Analysis) else result
    if isinstance(analyses, Sequence) and all(isinstance(each, Analysis) for each in analyses):
        return analysis_document(analyses)
    raise TaptestError(
        f"{type(result).__name__}: is no result that has a document; give what analyse, predict or check returned"
    )


def as_frame(result: _Result) -> DataFrame:
    """A result as a table of pandas: a row for each mode that was heard or predicted, for each ski that was checked.

    Columns are named as in `as_dict`; modes have the recording's ``path`` or the ski's ``ski_id`` before them, and predicted
    ones their ``family``. Lists of words are joined by ``; ``. What consists of several numbers is left out.

    Raises:
        PackageError: pandas is not installed.
        TaptestError: it is no such result.

    >>> import taptest
    >>> ski = taptest.predict("uniform_bar", length_m=1.9, mass_kg=0.52, stiffness_n_per_m=3100, span_m=1.4)
    >>> taptest.as_frame(ski)[["family", "order", "frequency_hz"]].round(1).head(2)
        family  order  frequency_hz
    0  bending      1          25.1
    1  bending      2          69.2
    """
    from taptest.present.json.rows import rows_of

    document = as_dict(result)
    try:
        import pandas
    except ImportError:
        raise PackageError(
            "a table of pandas needs the package pandas, which is not installed; install it, or use as_dict"
        ) from None
    return pandas.DataFrame(rows_of(document))
