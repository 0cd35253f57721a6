"""How long taptest takes, as ratios that mean the same on every machine: ``python benchmarks/bench.py``.

Nothing is asserted. Each time is the best of several runs; ratios are against the least work that could do the same.
"""

import math
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

# As the command line does it: the matrices are small, and threads would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import soundfile
from places import ROOT

SAMPLE_RATE_HZ = 48_000
DURATION_S = 10.0
# A made-up ski: frequency [Hz], damping ratio, amplitude.
MODES = [
    (64, 0.010, 0.02),
    (117, 0.010, 0.1),
    (186, 0.008, 0.2),
    (272, 0.009, 0.1),
    (374, 0.009, 0.3),
    (628, 0.009, 0.4),
]


def best(run: Callable[[], object], times: int) -> float:
    """Shortest of several runs [s]."""
    taken = []
    for _ in range(times):
        started = time.perf_counter()
        run()
        taken.append(time.perf_counter() - started)
    return min(taken)


def command(*arguments: str) -> Callable[[], object]:
    """A call of this Python in a process of its own, from the top folder of the project."""
    return lambda: subprocess.run([sys.executable, *arguments], cwd=ROOT, stdout=subprocess.DEVNULL, check=False)


def write_five_taps(path: Path) -> None:
    """Ten seconds with a tap every two, damped sinusoids over a little noise."""
    time_s = np.arange(round(2 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    ring = sum(
        amplitude
        * np.exp(-damping * 2 * math.pi * hz * np.maximum(time_s - 0.5, 0))
        * np.sin(2 * math.pi * hz * np.maximum(time_s - 0.5, 0))
        for hz, damping, amplitude in MODES
    )
    noise = np.random.default_rng(1).normal(0, 1e-4, round(DURATION_S * SAMPLE_RATE_HZ))
    soundfile.write(path, 0.5 * np.tile(ring, 5) + noise, SAMPLE_RATE_HZ, subtype="PCM_16")


def start_up() -> None:
    bare, command_line = (best(command(*words), 7) for words in (("-c", "pass"), ("-m", "taptest", "--help")))
    print(
        f"taptest --help             {command_line:6.3f} s = {command_line / bare:5.1f} x python -c pass ({bare:.3f} s)"
    )


def analysis() -> None:
    from taptest.io.recording import read_recording
    from taptest.signal.analysis import analyse

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "taps.wav"
        write_five_taps(path)
        least = best(lambda: np.fft.rfft(soundfile.read(path)[0]), 5)
        result = analyse(read_recording(path))
        whole = best(lambda: analyse(read_recording(path)), 5)
    heard = f"{len(result.accepted)} taps, {len(result.modes)} modes"
    print(
        f"analyse, 10 s, {heard}  {whole:6.3f} s = {whole / least:5.1f} x reading it and one FFT of it ({least:.3f} s)"
    )


def whole_lot() -> None:
    table = Path("recordings_demo") / "lot.csv"
    with (ROOT / table).open(encoding="utf-8") as lines:
        skis = sum(1 for _ in lines) - 1
    started = time.perf_counter()
    status = subprocess.run(
        [sys.executable, "-m", "taptest", "check", str(table)], cwd=ROOT, stdout=subprocess.DEVNULL, check=False
    ).returncode
    once = time.perf_counter() - started
    print(f"check {table}, {skis} skis, cold  {once:6.2f} s = {1000 * once / skis:.0f} ms a ski, exit status {status}")
    print(f"peak memory  {peak_memory()}")


def peak_memory() -> str:
    """Largest resident set of any process started so far."""
    if os.name != "posix":
        return "not known on this system"
    import resource

    # Linux counts in kilobytes, macOS in bytes.
    unit = 1 if sys.platform == "darwin" else 1024
    return f"{resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * unit / 1e6:.0f} MB (largest process)"


if __name__ == "__main__":
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores, {platform.machine()}")
    start_up()
    analysis()
    whole_lot()
