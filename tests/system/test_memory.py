"""What a session of hours takes does not depend on the largest array that it ever held."""

import ctypes
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


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc keeps large blocks and can be told not to")
@pytest.mark.parametrize(("told", "kept"), [("yes", False), ("no", True)])
def test_large_arrays_go_back_to_the_system(told, kept):
    done = subprocess.run([sys.executable, "-c", CODE, told], capture_output=True, text=True, check=True)
    assert (float(done.stdout) > 6.0) == kept, done.stdout


@pytest.mark.parametrize("problem", [AttributeError, OSError, TypeError])
def test_elsewhere_nothing_happens(monkeypatch, problem):
    asked = []

    def refuse(name):
        asked.append(name)
        raise problem

    monkeypatch.setattr(ctypes, "CDLL", refuse)
    assert give_back_large_arrays() is None and asked == [None]
