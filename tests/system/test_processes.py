"""Processes that share the work leave Ctrl-C to the one that started them."""

import signal

import pytest

from taptest.core.processes import processes


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="this system holds no signals")
def test_ctrl_c_is_heard_by_the_one_that_started_them_alone():
    with processes(2) as pool:
        held = [pool.submit(signal.pthread_sigmask, signal.SIG_BLOCK, ()) for _ in range(4)]
        assert all(signal.SIGINT in each.result() for each in held)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_one_is_none():
    with processes(1) as pool:
        assert pool is None
