"""The work done by the workers of a cluster, which see the same files at the same paths."""

from __future__ import annotations

import contextlib
import gc
import queue
from collections.abc import Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.archive.files import SoundFile
from taptest.archive.job import Crew, Outcome, analyse_file, lost, stamped
from taptest.config.settings import Settings
from taptest.core.errors import ArchiveError, PackageError, shown
from taptest.core.version import VERSION

if TYPE_CHECKING:
    from distributed import Client, Future

_ANSWER_S = 10.0  # how long a scheduler may take to answer
_PATIENCE_S = 120.0  # how long it may be without workers
_LOOK_S = 5.0
_IN_HAND = 4  # files for every thread of the cluster: enough that none waits, few enough that little is lost


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
    return lambda files, settings: _shared(files, settings, address, patience_s)


def _shared(files: Iterable[SoundFile], settings: Settings, address: str, patience_s: float) -> Iterator[Outcome]:
    with _client(address) as client:
        threads = _threads(client, address)
        done: queue.SimpleQueue[Future] = queue.SimpleQueue()
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
    with contextlib.suppress(OSError, RuntimeError):
        found: dict[str, Any] = client.run_on_scheduler(_known_workers)
        return found
    return {}


def _known_workers(dask_scheduler: Any = None) -> dict[str, int]:
    return {address: state.nthreads for address, state in dask_scheduler.workers.items()}


def _threads(client: Client, address: str) -> int:
    with contextlib.suppress(Exception):  # a timeout has a type that depends on the version
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


def _outcome(future: Future, file: SoundFile, settings: Settings, address: str) -> Outcome:
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
