"""The work done on this machine: in this process, or shared among several."""

from __future__ import annotations

import signal
import threading
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from taptest.archive.files import SoundFile
from taptest.archive.job import Crew, Outcome, analyse_file, lost, stamped
from taptest.config.settings import Settings
from taptest.core.errors import ArchiveError

_DEATHS = 8  # files in a row whose process died: then it is not the files


def local_crew(workers: int) -> Crew:
    """A crew of so many processes; with one, this process does the work itself."""
    if workers > 1:
        return lambda files, settings: _shared(files, settings, workers)
    return lambda files, settings: (analyse_file(file, settings) for file in files)


def _shared(files: Iterable[SoundFile], settings: Settings, workers: int) -> Iterator[Outcome]:
    """Outcomes as they come. Processes get paths, not samples, and one thread each for linear algebra.

    A process that dies takes the whole pool with it. What was in hand then is tried again one by one, so that the file
    that kills is found and the others lose nothing.
    """
    from concurrent.futures.process import BrokenProcessPool

    from joblib import Parallel, delayed, parallel_config

    in_hand: dict[str, SoundFile] = {}

    def handed_out() -> Iterator[object]:
        for file in left:
            in_hand[file.path] = file
            yield delayed(analyse_file)(file, settings)

    left = iter(files)
    deaths = 0
    while True:
        with parallel_config(backend="loky", inner_max_num_threads=1):
            # Batches would only delay results: a recording takes far longer than handing it over.
            pool = Parallel(n_jobs=workers, return_as="generator_unordered", batch_size=1)
        with _interrupts_ignored():  # processes inherit it, and leave Ctrl-C to this one
            outcomes = pool(handed_out())
        try:
            for outcome in outcomes:
                in_hand.pop(outcome.file.path, None)
                deaths = 0
                yield outcome
            return
        except BrokenProcessPool:
            for path, file in list(in_hand.items()):
                outcome = _alone(file, settings)
                deaths = 0 if outcome is not None else deaths + 1
                if deaths == _DEATHS:
                    raise ArchiveError(
                        f"the processes that analyse keep dying, {deaths} in a row; look whether memory runs out, start"
                        " fewer workers, and start again: what was done is kept"
                    ) from None
                del in_hand[path]
                yield _died(file, settings) if outcome is None else outcome
        finally:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", UserWarning)  # that results remain unused: whoever stops knows that
                outcomes.close()


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Only the main thread may decide on signals; started by another one, processes hear an interrupt themselves."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _alone(file: SoundFile, settings: Settings) -> Outcome | None:
    """One file in a process of its own; None if that died of it."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        try:
            return process.submit(analyse_file, file, settings).result()
        except BrokenProcessPool:
            return None


def _died(file: SoundFile, settings: Settings) -> Outcome:
    return lost(
        stamped(Outcome(file, settings)),
        "the process that analysed it died, which a damaged file or too little memory can do; look whether it plays, and"
        " copy it again",
    )
