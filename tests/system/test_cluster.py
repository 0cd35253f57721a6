"""The same work on a real cluster of processes: equal results, lost workers, wrong versions, nobody there."""

import gc
import os
import signal

import pytest
from sqlalchemy import select
from support.archives import make_archive

from taptest.archive import crews
from taptest.archive.crews import cluster_crew, local_crew
from taptest.archive.files import SoundFile, find_sound_files
from taptest.archive.run import run_archive, to_do
from taptest.config.settings import Settings
from taptest.core.errors import ArchiveError, PackageError
from taptest.logbook.archive_results import LoggedResults
from taptest.logbook.book import open_logbook
from taptest.logbook.schema import ANALYSES, MODES
from taptest.present.json.analysis import recording_document

pytestmark = pytest.mark.timeout(120)  # a cluster that hangs should not hold up the rest for ten minutes

SETTINGS = Settings(high_hz=600)


@pytest.fixture(scope="module")
def skis(tmp_path_factory):
    return find_sound_files([str(make_archive(tmp_path_factory.mktemp("cluster"), 8, seconds=1.5))]).files


@pytest.fixture(scope="module")
def workers():
    """Two processes and a scheduler in this one."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50) as running:
        yield running


def heard(outcomes):
    return {outcome.file.name: recording_document(outcome.analysis) for outcome in outcomes}


def pids(running):
    return [worker.process.pid for worker in running.workers.values()]


def test_results_are_equal_to_those_of_this_process(skis, workers):
    outcomes = list(cluster_crew(workers.scheduler_address)(skis, SETTINGS))
    here = list(local_crew(1)(skis, SETTINGS))
    assert heard(outcomes) == heard(here) and len(here) == 8
    assert {each.file: (each.stamp, each.sound_sha256, each.software) for each in outcomes} == {
        each.file: (each.stamp, each.sound_sha256, each.software) for each in here
    }


def test_a_cluster_fills_a_logbook_as_this_process_does(skis, workers, tmp_path):
    contents = {}
    for name, crew in (("here", local_crew(1)), ("there", cluster_crew(workers.scheduler_address))):
        with open_logbook(tmp_path / f"{name}.sqlite") as book:
            results = LoggedResults(book, SETTINGS)
            done = run_archive(to_do(skis, results), results, SETTINGS, crew)
            assert (done.analysed, done.failures) == (8, ())
            columns = (ANALYSES.c.recording, MODES.c.number, MODES.c.frequency_hz, MODES.c.damping_ratio)
            wanted = select(*columns).join(ANALYSES, ANALYSES.c.id == MODES.c.analysis)
            with book.engine.connect() as connection:
                contents[name] = sorted(map(tuple, connection.execute(wanted)))
            assert not to_do(skis, LoggedResults(book, SETTINGS)).pending
    assert contents["here"] == contents["there"] and len({each[0] for each in contents["here"]}) == 8


def test_another_version_is_refused(skis, workers, monkeypatch):
    monkeypatch.setattr(crews, "VERSION", "9.9.9")  # here; the workers have their own
    with pytest.raises(
        ArchiveError, match=r"worker tcp://.*: has taptest 0\..*, here it is 9\.9\.9; install the same there"
    ):
        next(cluster_crew(workers.scheduler_address)(skis, SETTINGS))


def test_a_bad_file_is_an_outcome(skis, workers, tmp_path):
    (tmp_path / "bad.wav").write_bytes(b"RIFF")
    bad = SoundFile("bad.wav", str(tmp_path / "bad.wav"))
    outcomes = {outcome.file: outcome for outcome in cluster_crew(workers.scheduler_address)([bad, skis[0]], SETTINGS)}
    assert "cut short" in outcomes[bad].error and outcomes[skis[0]].error is None


@pytest.mark.skipif(os.name != "posix", reason="kills a process as POSIX has it")
def test_what_a_lost_worker_had_is_done_by_another(skis, workers):
    before = pids(workers)
    outcomes = []
    for outcome in cluster_crew(workers.scheduler_address)(skis, SETTINGS):
        if not outcomes:
            os.kill(before[0], signal.SIGKILL)
        outcomes.append(outcome)
    assert sorted(outcome.file.name for outcome in outcomes) == sorted(file.name for file in skis)
    assert all(outcome.error is None for outcome in outcomes)


def test_a_scheduler_that_does_not_answer_is_named(skis, monkeypatch):
    monkeypatch.setattr(crews, "_ANSWER_S", 0.5)
    for address in ("tcp://127.0.0.1:9", "nonsense://x", "tcp://"):
        with pytest.raises(ArchiveError, match="no scheduler of a cluster answers"):
            next(cluster_crew(address)(skis, SETTINGS))


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "tcp://"])
def test_nothing_is_left_of_a_client_that_could_not_start(skis, monkeypatch, address):
    """What is left of it waits for a lock when it goes, and may go at any time in any thread.

    By ``type`` and not ``isinstance``, which asks a proxy for an object that may be gone already.
    """
    from distributed import Client

    monkeypatch.setattr(crews, "_ANSWER_S", 0.5)
    gc.collect()
    before = {id(each) for each in gc.get_objects() if issubclass(type(each), Client)}
    gc.disable()
    try:
        with pytest.raises(ArchiveError) as refused:
            next(cluster_crew(address)(skis, SETTINGS))
        left = [each for each in gc.get_objects() if issubclass(type(each), Client) and id(each) not in before]
    finally:
        gc.enable()
    assert not left and refused.value.__context__ is None


def test_a_cluster_without_workers_is_refused(skis, monkeypatch):
    from distributed import LocalCluster

    monkeypatch.setattr(crews, "_ANSWER_S", 0.5)
    with (
        LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50) as empty,
        pytest.raises(ArchiveError, match="has no workers; start some"),
    ):
        next(cluster_crew(empty.scheduler_address)(skis, SETTINGS))


def test_workers_that_do_not_see_the_archive_are_named(skis):
    class Client:
        def run(self, function, path, on_error):
            return {"tcp://192.0.2.1:1": function(path), "tcp://192.0.2.2:1": (crews.VERSION, False)}

    with pytest.raises(
        ArchiveError, match=r"192\.0\.2\.2:1: does not see .*00\.flac; the archive must be at the same place"
    ):
        crews._compare(Client(), skis[0])


def test_workers_without_taptest_are_named(skis):
    class Client:
        def run(self, function, path, on_error):
            return {"tcp://192.0.2.1:1": ModuleNotFoundError("No module named 'taptest'")}

    with pytest.raises(ArchiveError, match=r"192\.0\.2\.1:1: has no taptest, .*install taptest"):
        crews._compare(Client(), skis[0])


def test_without_the_package_its_extra_is_named(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(PackageError, match="extra 'cluster'"):
        cluster_crew("tcp://127.0.0.1:8786")
