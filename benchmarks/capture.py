"""What listening costs: ``python benchmarks/capture.py``. Nothing is asserted.

The demonstration recordings are replayed, as fast as they are taken and in real time, in blocks of 10 ms.

- verdict latency: from the end of a ring to the verdict in hand; the wait in the sound itself and the computing after it.
- load: processor time over the time of the sound, as a share of one core.
- memory: resident set after each round, which should not grow.
"""

from __future__ import annotations

import os
import platform
import resource
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from places import DEMO

from taptest.capture.listener import Listener
from taptest.capture.sources import FileSource
from taptest.capture.stream import Block, HeardTap
from taptest.io.recording import read_recording

SOUNDS = sorted(DEMO.glob("*.flac"))
BLOCK_S = 0.01
LIVE_FILES = 4
ROUNDS = 8


def memory_mb() -> float:
    """Resident set now, or the largest so far where the system does not tell [MB]."""
    statm = Path("/proc/self/statm")
    if statm.exists():
        return int(statm.read_text().split()[1]) * resource.getpagesize() / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def replayed() -> None:
    """All recordings as fast as possible."""
    waits, computing, sound_s, work_s = [], [], 0.0, 0.0
    for path in SOUNDS:
        recording = read_recording(path)
        samples = recording.samples.astype(np.float32)
        listener, size = Listener(recording.sample_rate_hz), round(BLOCK_S * recording.sample_rate_hz)
        sound_s += recording.duration_s
        for start in range(0, len(samples), size):
            began = time.process_time()
            events = listener.feed(Block(samples[start : start + size]))
            took = time.process_time() - began
            work_s += took
            for tap in (event for event in events if isinstance(event, HeardTap)):
                ring_end_s = tap.onset_s + tap.analysis.taps[0].ring_s
                if tap.analysis.taps[0].ring_s > 0.26:  # a second contact may hide for so long in a shorter one
                    waits.append((start + size) / recording.sample_rate_hz - ring_end_s)
                    computing.append(took)
    total = np.array(waits) + np.array(computing)
    print(f"{len(SOUNDS)} recordings, {sound_s:.0f} s, {len(total)} taps")
    print(f"verdict after the ring's end  median {np.median(total):.3f} s, longest {total.max():.3f} s", end="")
    print(f" (of which computing: median {1000 * np.median(computing):.0f} ms, longest {1000 * max(computing):.0f} ms)")
    print(f"processor time                {100 * work_s / sound_s:.1f} % of one core")


def live() -> None:
    """A few recordings in real time: what another thread would see."""
    late, sound_s = [], 0.0
    began_cpu = time.process_time()
    for path in SOUNDS[-LIVE_FILES:]:
        source = FileSource(path, 1.0)
        listener, began = Listener(source.sample_rate_hz), time.monotonic()
        frames = 0
        for block in source.blocks():
            frames += len(block.samples)
            for tap in (event for event in listener.feed(block) if isinstance(event, HeardTap)):
                late.append(time.monotonic() - began - tap.onset_s - tap.analysis.taps[0].ring_s)
        sound_s += frames / source.sample_rate_hz
    print(f"in real time, {len(late)} taps   median {np.median(late):.3f} s, longest {max(late):.3f} s", end="")
    print(f", {100 * (time.process_time() - began_cpu) / sound_s:.1f} % of one core with reading the files")


def steady() -> None:
    """Memory, listening to the same recordings over and over with one listener."""
    sounds = [read_recording(path).samples.astype(np.float32) for path in SOUNDS[:6]]
    listener, used = Listener(48_000), []
    for _ in range(ROUNDS):
        for samples in sounds:
            for start in range(0, len(samples), 4_800):
                listener.feed(Block(samples[start : start + 4_800]))
        used.append(memory_mb())
    minutes = ROUNDS * sum(map(len, sounds)) / 48_000 / 60
    print(f"memory over {minutes:.0f} min        {', '.join(f'{each:.0f}' for each in used)} MB")


if __name__ == "__main__":
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores, {platform.machine()}")
    replayed()
    live()
    steady()
