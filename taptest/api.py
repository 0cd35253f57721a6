"""What ``taptest`` offers to Python programs: the commands as functions, whose results print, draw and become tables."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from numpy.typing import ArrayLike

from taptest.beam.construction import Construction, load_construction
from taptest.beam.predict import SkiMeasurements
from taptest.calibrate.use import with_calibrations
from taptest.config.file import read_settings
from taptest.config.settings import Settings
from taptest.core.errors import RecordingError, shown
from taptest.identify.measured_lot import MeasuredLot, measure_lot
from taptest.identify.predicted import Change, LotPrediction, PredictedSki, predict_lot, predict_ski
from taptest.io.recording import Recording, from_samples, read_recording
from taptest.io.series import Reading, Sensitivity
from taptest.screen.check import check_measured
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Analysis
from taptest.signal.analysis import analyse as analyse_recording
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot
from taptest.tables.lot import read_lot as read_table

if TYPE_CHECKING:
    from typing import Literal

    from taptest.comparison.compare import Comparison
    from taptest.logbook.book import Logbook
    from taptest.pairing.limits import PairLimits
    from taptest.pairing.verdict import PairsResult
    from taptest.snow.relate import Relation

PathLike = str | os.PathLike[str]
LotLike = PathLike | Lot


def read_lot(path: PathLike) -> Lot:
    """The skis of a table (csv, xlsx), every bad cell named in ``problems`` and every good row kept.

    Args:
        path: of the table.

    Returns:
        The lot: ``rows`` of facts in SI units, ``problems`` and ``notes``.

    Raises:
        LotError: nothing can be read: no such file, not a table, no column ``ski_id``.

    Example:
        >>> import taptest
        >>> lot = taptest.read_lot("recordings_demo/lot.csv")
        >>> len(lot.rows), lot.rows[0].ski_id, lot.rows[0].mass_kg
        (26, 'C01L', 0.539)
    """
    return read_table(os.fspath(path))


def lot_of(skis: Sequence[SkiFacts], name: str = "skis") -> Lot:
    """A lot of skis that stand in no table; paths of recordings and constructions start from the present folder.

    Args:
        skis: facts in SI units; only ``ski_id`` must be known.
        name: what messages call it.
    """
    return Lot(Path(name), tuple(skis), ())


def analyse(
    recording: PathLike | ArrayLike,
    sample_rate_hz: int | None = None,
    settings: Settings | None = None,
    *,
    pickup_rate_hz: float | None = None,
    sensitivity: str | None = None,
) -> Analysis:
    """Taps, resonances and half-power damping heard in a recording, as ``taptest analyse`` tells them.

    Args:
        recording: the path of a sound file or of a pickup's file, or samples, (frames,) or (frames, channels), with 1.0 as full
            scale.
        sample_rate_hz: of samples; a sound file says it itself.
        settings: range, room and channel; None for the defaults. Stored calibrations are not looked at.
        pickup_rate_hz: of a pickup's text file without a column of times.
        sensitivity: what a pickup's volts mean, as "100 mV/g".

    Returns:
        The analysis, which keeps its recording: ``modes``, ``taps``, ``spectrum()``, ``samples``.

    Raises:
        RecordingError: the file or the samples cannot be analysed.

    Example:
        A made-up bar that rings at 200 Hz with 1 % of critical damping, tapped once after half a second of hiss:

        >>> import numpy as np, taptest
        >>> time_s = np.arange(48_000) / 48_000 - 0.5
        >>> ring = np.exp(-0.01 * 2 * np.pi * 200 * time_s) * np.sin(2 * np.pi * 200 * time_s)
        >>> hiss = np.random.default_rng(1).normal(0, 1e-4, len(time_s))
        >>> heard = taptest.analyse(np.where(time_s > 0, 0.5 * ring, 0) + hiss, 48_000)
        >>> [f"{mode.frequency_hz:.1f} Hz, damping {100 * mode.damping_ratio:.1f} %" for mode in heard.modes]
        ['200.0 Hz, damping 1.0 %']
    """
    kept = _recording(recording, sample_rate_hz, pickup_rate_hz, sensitivity)
    return replace(analyse_recording(kept, settings or Settings()), recording=kept)


def _recording(
    recording: PathLike | ArrayLike, sample_rate_hz: int | None, pickup_rate_hz: float | None, sensitivity: str | None
) -> Recording:
    if isinstance(recording, str | os.PathLike):
        if sample_rate_hz is not None:
            raise RecordingError(
                f"{shown(recording, 200)}: a file says its sample rate itself; leave out sample_rate_hz"
            )
        meaning = None if sensitivity is None else Sensitivity.parse(sensitivity)
        plain = pickup_rate_hz is None and meaning is None
        return read_recording(os.fspath(recording), None if plain else Reading(pickup_rate_hz, meaning))
    if sample_rate_hz is None:
        raise RecordingError("samples: how fast they were taken is not known; give sample_rate_hz, such as 48000")
    return from_samples(recording, sample_rate_hz)


def predict(
    construction: PathLike | Construction,
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
    settings: Settings | None = None,
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
        settings: for the uncertainties of rig and scale.

    Raises:
        ConstructionError: no such construction, or measurements from which nothing can be predicted.

    Example:
        >>> import taptest
        >>> ski = taptest.predict("uniform_bar", length_m=1.9, mass_kg=0.52, stiffness_n_per_m=3100, span_m=1.4)
        >>> [round(frequency_hz, 1) for frequency_hz in ski.prediction.bending_hz[:3]]
        [25.1, 69.2, 135.6]
    """
    rig = (settings or Settings()).rig
    known = construction if isinstance(construction, Construction) else load_construction(os.fspath(construction))
    measurements = SkiMeasurements(
        length_m=length_m,
        mass_kg=mass_kg,
        stiffness_n_per_m=stiffness_n_per_m,
        span_m=span_m,
        rig_centre_m=rig_centre_m,
        binding_mass_kg=binding_mass_kg,
        binding_m=binding_m,
        stiffness_u_rel=rig.stiffness_u_rel,
        mass_u_rel=rig.mass_u_rel,
    )
    return predict_ski(known, measurements, change=Change(change_mass_percent, change_stiffness_percent))


def predict_skis(lot: LotLike, settings: Settings | None = None) -> LotPrediction:
    """The predicted modes of every ski of a lot that gives enough for it; why the others cannot be is in ``refused``."""
    table = _lot(lot)
    return predict_lot(table, rig=(settings or read_settings(table.path)).rig)


def measure(
    lot: LotLike, settings: Settings | None = None, *, workers: int | Executor = 1, keep_analyses: bool = False
) -> MeasuredLot:
    """Every ski of a lot heard, predicted and placed, once: `check`, `pairs`, `compare` and `report` take it in place of the lot.

    Args:
        lot: the path of a table (csv or xlsx), or a lot already read or made with `lot_of`.
        settings: how to listen and to judge, and the folder of calibrations; None for ``taptest.toml`` and the defaults.
        workers: processes to share the recordings among. With more than one, a script needs the usual guard
            ``if __name__ == "__main__"``.
        keep_analyses: leave what was heard in each recording with its ski, as `report` needs it.

    Raises:
        LotError: the table cannot be read at all.
        CalibrationError: there is no such folder of calibrations.
    """
    table = _lot(lot)
    return measure_lot(table, _settings(table, settings), workers=workers, keep_analyses=keep_analyses)


def check(lot: LotLike | MeasuredLot, settings: Settings | None = None, *, workers: int = 1) -> CheckResult:
    """Judge every ski of a lot, as ``taptest check`` does; whatever is wrong with one ski is in the result.

    Args:
        lot: as in `measure`, or what that returned.
        settings: as in `measure`; of a lot that was measured, only how to judge.
        workers: as in `measure`.

    Returns:
        The judged skis, each with its facts, modes, tests, verdict and reasons, and their groups.

    Raises:
        LotError: the table cannot be read at all.
        CalibrationError: there is no such folder of calibrations.

    Example:
        >>> import taptest
        >>> lot = taptest.read_lot("recordings_demo/lot.csv")
        >>> result = taptest.check(taptest.lot_of(lot.rows[:1]))
        >>> [(ski.ski_id, ski.verdict) for ski in result.skis]
        [('C01L', 'pass')]
    """
    return check_measured(_measured(lot, settings, workers))


def pairs(
    lot: LotLike | MeasuredLot,
    settings: Settings | None = None,
    *,
    limits: PairLimits | None = None,
    pile: bool = False,
    workers: int = 1,
) -> PairsResult:
    """Compare the skis of every pair, or make the best pairs of a pile, as ``taptest pairs`` does.

    Args:
        lot: as in `check`.
        settings: as in `check`.
        limits: how far the two of a pair may differ.
        pile: disregard the pairs of the table.
        workers: as in `measure`.

    Raises:
        LotError: the table cannot be read or names no pairs.
    """
    from taptest.pairing.pairs import judge_pairs

    return judge_pairs(_measured(lot, settings, workers), limits=limits, pile=pile)


def compare(
    *lots: LotLike | MeasuredLot,
    by: Literal["generation", "construction"] = "generation",
    against: str | None = None,
    length_m: float | None = None,
    settings: Settings | None = None,
    workers: int = 1,
) -> Comparison:
    """Generations or constructions side by side, as ``taptest compare`` puts them.

    Args:
        lots: as in `check`; several are taken as one.
        by: what makes a group.
        against: the group that the others are compared with.
        length_m: common length of the first mode; None for the median.
        settings: as in `check`.
        workers: as in `measure`.

    Raises:
        LotError: a table cannot be read, or there are fewer than two groups.
    """
    from taptest.comparison.compare import compare_measured

    measured = [_measured(lot, settings, workers) for lot in lots]
    return compare_measured(measured, by=by, against=against, length_m=length_m)


def relate(lot: LotLike, results: PathLike, settings: Settings | None = None, *, workers: int = 1) -> Relation:
    """Whether mass, stiffness, tone or damping goes with results on snow, as ``taptest relate`` says.

    Args:
        lot: as in `measure`.
        results: the path of a table of runs, one line a run.
        settings: as in `measure`.
        workers: as in `measure`.

    Raises:
        LotError: one of the tables cannot be read.
    """
    from taptest.snow.relate import relate as relate_lot
    from taptest.snow.results import read_snow_results

    table = _lot(lot)
    runs = read_snow_results(Path(results), {row.ski_id for row in table.rows})
    return relate_lot(table, runs, settings=_settings(table, settings), workers=workers)


def report(
    lot: LotLike | MeasuredLot, to: PathLike, settings: Settings | None = None, *, audio: bool = True, workers: int = 1
) -> CheckResult:
    """Check a lot and write one self-contained page, as ``taptest report`` does; what the page says is returned.

    Args:
        lot: as in `check`; one that was measured needs its analyses.
        to: path of the page, such as "report.html"; only an older report is written over.
        settings: as in `check`.
        audio: with players of taps and tones.
        workers: as in `measure`.

    Raises:
        ReportError: the page cannot be written there.
    """
    from taptest.present.html.report import ReportSettings, write_report

    if isinstance(lot, MeasuredLot):
        measured = _measured(lot, settings, workers)
    else:
        measured = measure(lot, settings, workers=workers, keep_analyses=True)
    return write_report(os.fspath(to), measured, ReportSettings(audio=audio))


def open_logbook(where: PathLike | None = None) -> Logbook:
    """The logbook at a path or a database's address; None for ``$TAPTEST_LOGBOOK``, or the one in the user's data folder.

    See `taptest.logbook.book.open_logbook`.
    """
    from taptest.logbook.book import open_logbook as open_book

    return open_book(None if where is None else os.fspath(where))


def _lot(lot: LotLike) -> Lot:
    return lot if isinstance(lot, Lot) else read_table(os.fspath(lot))


def _settings(lot: Lot, settings: Settings | None) -> Settings:
    constructions = tuple(row.construction for row in lot.rows)
    return with_calibrations(settings or read_settings(lot.path), beside=lot.path, constructions=constructions)


def _measured(lot: LotLike | MeasuredLot, settings: Settings | None, workers: int) -> MeasuredLot:
    if not isinstance(lot, MeasuredLot):
        return measure(lot, settings, workers=workers)
    if settings is None:
        return lot
    judging = replace(lot.settings, false_alarm_rate=settings.false_alarm_rate, limits=settings.limits)
    return replace(lot, settings=judging)
