"""Settings shared by all tests: one thread for linear algebra."""

from __future__ import annotations

import os

# Threads make the small matrices of the fits several times slower; numpy reads these once, when it is imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

if os.environ.get("CI"):
    from hypothesis import settings

    # The same examples in every run, so that a change is judged by what it changed.
    settings.register_profile("repeatable", derandomize=True, deadline=None)
    settings.load_profile("repeatable")
