"""Who does the work: this process, several processes of this machine, or the workers of a cluster, which see the same files."""

from __future__ import annotations

import gc
import queue
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from itertools import chain, islice
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.archive.files import SoundFile
from taptest.archive.run import Crew, Outcome, analyse_file, lost, stamped
from taptest.config.settings import Settings
from taptest.core.errors import ArchiveError, PackageError, shown
from taptest.core.processes import processes
from taptest.core.version import VERSION

if TYPE_CHECKING:
    from distributed import Client

_DEATHS = 8  # files in a row whose process died: then it is not the files
_ANSWER_S = 10.0  # how long a scheduler may take to answer
_PATIENCE_S = 120.0  # how long it may be without workers
_LOOK_S = 5.0
_IN_HAND = 4  # files for every process or thread: enough that none waits, few enough that little is lost


def local_crew(workers: int) -> Crew:
    """A crew of so many processes; with one, this process does the work itself."""
    if workers > 1:
        return lambda files, settings: _among_processes(files, settings, workers)
    return lambda files, settings: (analyse_file(file, settings) for file in files)


def _among_processes(files: Iterable[SoundFile], settings: Settings, workers: int) -> Iterator[Outcome]:
    """Outcomes as they come. Processes get paths, not samples.

    A process that dies takes the whole pool with it. What was in hand then is tried again one by one, so that the file
    that kills is found and the others lose nothing.
    """
    left = iter(files)
    deaths = 0
    while True:
        in_hand: dict[str, SoundFile] = {}
        with suppress(BrokenProcessPool), processes(workers) as pool:
            assert pool is not None
            futures: set[Future[Outcome]] = set()
            while True:
                for file in islice(left, _IN_HAND * workers - len(futures)):
                    in_hand[file.path] = file
                    futures.add(pool.submit(analyse_file, file, settings))
                if not futures:
                    return
                done, futures = wait(futures, return_when=FIRST_COMPLETED)
                for future in done:
                    outcome = future.result()
                    del in_hand[outcome.file.path]
                    deaths = 0
                    yield outcome
        for file in in_hand.values():
            alone = _alone(file, settings)
            deaths = 0 if alone is not None else deaths + 1
            if deaths == _DEATHS:
                raise ArchiveError(
                    f"the processes that analyse keep dying, {deaths} in a row; look whether memory runs out, start"
                    " fewer workers, and start again: what was done is kept"
                )
            yield _died(file, settings) if alone is None else alone


def _alone(file: SoundFile, settings: Settings) -> Outcome | None:
    """One file in a process of its own; None if that died of it."""
    with suppress(BrokenProcessPool), ProcessPoolExecutor(1, mp_context=get_context("spawn")) as process:
        return process.submit(analyse_file, file, settings).result()
    return None


def _died(file: SoundFile, settings: Settings) -> Outcome:
    return lost(
        stamped(Outcome(file, settings)),
        "the process that analysed it died, which a damaged file or too little memory can do; look whether it plays, and"
        " copy it again",
    )


# --- a cluster -----------------------------------------------------------------------------------------------------------


def cluster_crew(address: str, *, patience_s: float = _PATIENCE_S) -> Crew:
    """The workers of the dask scheduler at an address such as ``tcp://HOST:8786``; ``patience_s`` is for when all are gone.

    Only paths go out and outcomes come back. A file whose worker is lost is given to another one.

    Raises:
        PackageError: dask.distributed is not installed.
        ArchiveError: no scheduler answers, there are no workers, one has another version of taptest or does not see the
            files, or all of them went away; some of these only when the work begins.
    """
    try:
        import distributed  # noqa: F401 (better known now than after a night)
    except ImportError:
        raise PackageError(
            "a cluster needs the package dask.distributed, which is not installed; install taptest with its extra 'cluster'"
        ) from None
    return lambda files, settings: _among_machines(files, settings, address, patience_s)


def _among_machines(
    files: Iterable[SoundFile], settings: Settings, address: str, patience_s: float
) -> Iterator[Outcome]:
    with _client(address) as client:
        threads = _threads(client, address)
        done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        in_hand: dict[str, SoundFile] = {}
        left = iter(files)

        def hand_out(count: int) -> None:
            for file in islice(left, count):
                # Not pure: a cluster that remembers results would not look at a file again that has changed.
                future = client.submit(analyse_file, file, settings, pure=False)
                in_hand[future.key] = file
                future.add_done_callback(done.put)

        first = next(left, None)
        if first is None:
            return
        _compare(client, first)
        left = chain((first,), left)
        hand_out(_IN_HAND * threads)
        waited = 0.0
        while in_hand:
            try:
                future = done.get(timeout=_LOOK_S)
            except queue.Empty:
                waited = 0.0 if _workers(client) else waited + _LOOK_S
                if waited >= patience_s:
                    raise ArchiveError(
                        f"{shown(address, 100)}: no workers are left; start some and start again: what was done is kept"
                    ) from None
                continue
            waited = 0.0
            file = in_hand.pop(future.key)
            yield _outcome(future, file, settings, address)
            future.release()
            hand_out(1)


def _client(address: str) -> Client:
    from distributed import Client

    try:
        return Client(address, timeout=_ANSWER_S)
    except (OSError, ValueError, TypeError) as problem:
        why = type(problem).__name__
    # Half a client is left in a cycle. It takes a lock when it goes; were that left to chance, it could be in the thread that
    # starts the next client, which waits for this lock.
    gc.collect()
    raise ArchiveError(
        f"{shown(address, 100)}: no scheduler of a cluster answers ({why}); start one with 'dask scheduler' and give its"
        " address, such as tcp://192.0.2.7:8786"
    )


def _workers(client: Client) -> dict[str, Any]:
    """Those that the scheduler knows now; none while it is away."""
    with suppress(OSError, RuntimeError):
        found: dict[str, Any] = client.run_on_scheduler(_known_workers)
        return found
    return {}


def _known_workers(dask_scheduler: Any = None) -> dict[str, int]:
    return {address: state.nthreads for address, state in dask_scheduler.workers.items()}


def _threads(client: Client, address: str) -> int:
    with suppress(Exception):  # a timeout has a type that depends on the version
        client.wait_for_workers(1, timeout=_ANSWER_S)
    threads: int = sum(_workers(client).values())
    if not threads:
        raise ArchiveError(
            f"{shown(address, 100)}: the scheduler has no workers; start some with 'dask worker' and its address"
        )
    return threads


def _compare(client: Client, file: SoundFile) -> None:
    """Whether every worker would give the same results, and can.

    Raises:
        ArchiveError: a worker has no taptest or another version, or does not see the file.
    """
    answers = client.run(_introduce, file.path, on_error="return")
    for worker, answer in sorted(answers.items()):
        if not isinstance(answer, tuple):
            what = (
                "has no taptest, or one that it cannot load" if isinstance(answer, ImportError) else shown(answer, 100)
            )
            raise ArchiveError(f"worker {shown(worker, 100)}: {what}; install taptest {VERSION} there")
        version, sees = answer
        if version != VERSION:
            raise ArchiveError(
                f"worker {shown(worker, 100)}: has taptest {shown(version)}, here it is {VERSION}; install the same there"
            )
        if not sees and Path(file.path).exists():
            raise ArchiveError(
                f"worker {shown(worker, 100)}: does not see {shown(file.path, 200)}; the archive must be at the same place on"
                " every machine"
            )


def _introduce(path: str) -> tuple[str, bool]:
    """What a worker says of itself: its version, and whether it sees a file."""
    return VERSION, Path(path).exists()


def _outcome(future: Any, file: SoundFile, settings: Settings, address: str) -> Outcome:
    from distributed import CancelledError, KilledWorker

    try:
        outcome: Outcome = future.result()
    except KilledWorker:
        return lost(
            stamped(Outcome(file, settings)),
            "every worker that analysed it died, which a damaged file or too little memory can do; look whether it plays,"
            " and copy it again",
        )
    except (CancelledError, OSError) as problem:
        raise ArchiveError(
            f"{shown(address, 100)}: the cluster is gone ({type(problem).__name__}); start again when it is back: what was"
            " done is kept"
        ) from None
    if outcome.software != VERSION:
        raise ArchiveError(
            f"a worker that came later has taptest {shown(outcome.software)}, here it is {VERSION}; install the same"
            " there"
        )
    return outcome
