"""What a session of hours takes does not depend on the largest array that it ever held."""

import ctypes
import os
import platform
import subprocess
import sys

import pytest

from taptest.core.processes import give_back_large_arrays

# A large array raises the size up to which glibc keeps what is freed (mallopt(3)); a smaller one is then kept.
CODE = """
import sys
import numpy as np
from taptest.core.processes import give_back_large_arrays
def resident_mb():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
if sys.argv[1] == "yes":
    give_back_large_arrays()
before = np.ones(3_000_000)
del before
empty = resident_mb()
smaller = np.ones(1_500_000)
del smaller
print(resident_mb() - empty)
"""


def kept_mb(told):
    """What of a smaller array stays with a process that was told, or not, to give back large ones."""
    # Other tests' libraries (dask.distributed) tell glibc to trim by its environment, which a process would inherit.
    env = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    done = subprocess.run([sys.executable, "-c", CODE, told], capture_output=True, text=True, check=True, env=env)
    return float(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc keeps large blocks and can be told not to")
def test_large_arrays_go_back_to_the_system():
    assert kept_mb("yes") < 6.0
    assert kept_mb("no") > 6.0  # the control


@pytest.mark.parametrize("problem", [AttributeError, OSError, TypeError])
def test_elsewhere_nothing_happens(monkeypatch, problem):
    asked = []

    def refuse(name):
        asked.append(name)
        raise problem

    monkeypatch.setattr(ctypes, "CDLL", refuse)
    assert give_back_large_arrays() is None and asked == [None]
