"""What an archive costs: ``python benchmarks/archive.py [--recordings 2000] [--few 1000] [--many 10000]``.

Nothing is asserted. Recordings are made from the demonstration's, each a little different, so that no two are the same sound.
Run it on an idle machine: the loads and the processor time printed beside each figure tell how idle it was.
"""

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import soundfile
from places import DEMO, ROOT

SAMPLE_RATE_HZ = 48_000
# The command, and what its own process used at most; its workers are not in it.
COMMAND = r"""
import json, re, resource, sys
from pathlib import Path
from taptest.cli import main
sys.argv = ["taptest", *sys.argv[1:]]
try:
    main()
except SystemExit as end:
    if end.code:
        raise
used = resource.getrusage(resource.RUSAGE_SELF)
# Linux hands ru_maxrss down from whoever started the process; the high-water mark is its own.
status = Path("/proc/self/status")
peak = int(re.search(r"VmHWM:\s+(\d+)", status.read_text())[1]) if status.exists() else used.ru_maxrss
print(json.dumps({"peak_kb": peak, "cpu_s": used.ru_utime + used.ru_stime}))
"""


@dataclass(frozen=True)
class Run:
    """One run of the command: time on the clock and of all processors, the parent's peak memory and processor time."""

    wall_s: float
    cpu_s: float
    parent_mb: float
    parent_cpu_s: float
    load: float
    analysed: int


def make_tapped(folder: Path, count: int) -> None:
    """Recordings of two and a half seconds with one or two taps: pieces of the demonstration's at other levels."""
    folder.mkdir()
    originals = [soundfile.read(path, dtype="float64")[0] for path in sorted(DEMO.glob("[cs]0*.flac"))]
    for number in range(count):
        samples = originals[number % len(originals)][: round(2.5 * SAMPLE_RATE_HZ)]
        soundfile.write(
            folder / f"{number:05d}.flac", samples * (1 - 1e-4 * (number // len(originals))), SAMPLE_RATE_HZ
        )


def make_cheap(folder: Path, count: int) -> None:
    """Fifth parts of a second of hiss, in which nothing is found: what is left is the cost of going through files."""
    folder.mkdir()
    random = np.random.default_rng(1)
    for number in range(count):
        soundfile.write(folder / f"{number:05d}.wav", random.normal(0, 1e-3, SAMPLE_RATE_HZ // 5), SAMPLE_RATE_HZ)


def analyse(folder: Path, lines: Path, workers: int) -> Run:
    """The command on a folder."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.perf_counter()
    arguments = ["analyse", str(folder), "--lines", str(lines), "--workers", str(workers), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, *arguments], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True
    )
    wall_s = time.perf_counter() - started
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    document, own = done.stdout.rstrip().rsplit("\n", 1)
    used = json.loads(own)
    return Run(
        wall_s,
        after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        used["peak_kb"] * (1e-6 if sys.platform == "darwin" else 1.024e-3),
        used["cpu_s"],
        os.getloadavg()[0],
        json.loads(document)["analysed"],
    )


def told(what: str, run: Run) -> None:
    """One line on a run."""
    each = f"{1000 * run.wall_s / run.analysed:6.1f} ms each" if run.analysed else " nothing to do"
    print(
        f"{what:34} {run.wall_s:7.1f} s, {each}; processors {run.cpu_s:6.1f} s, of which the parent {run.parent_cpu_s:5.1f} s;"
        f" parent's peak {run.parent_mb:4.0f} MB; load {run.load:.1f}",
        flush=True,
    )


def workers_compared(folder: Path, count: int) -> None:
    """One worker against two, and a run that has little left to do."""
    make_tapped(folder / "tapped", count)
    one = analyse(folder / "tapped", folder / "one.jsonl", 1)
    told(f"{count} recordings, one worker", one)
    two = analyse(folder / "tapped", folder / "two.jsonl", 2)
    told(f"{count} recordings, two workers", two)
    print(f"two workers are {one.wall_s / two.wall_s:.2f} x as fast as one")
    results = [sorted((folder / name).read_text(encoding="utf-8").splitlines()) for name in ("one.jsonl", "two.jsonl")]
    print(f"their results are {'equal' if results[0] == results[1] else 'NOT equal'}")
    kept = (folder / "two.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "two.jsonl").write_text("".join(kept[: count - count // 20]), encoding="utf-8")
    told(f"resumed, {count // 20} left to do", analyse(folder / "tapped", folder / "two.jsonl", 2))
    told("resumed, nothing left to do", analyse(folder / "tapped", folder / "two.jsonl", 2))


def sizes_compared(folder: Path, few: int, many: int) -> None:
    """Time for each recording and memory of the parent, in a small and in a large archive."""
    runs = []
    for count in (few, many):
        make_cheap(folder / f"cheap{count}", count)
        runs.append(analyse(folder / f"cheap{count}", folder / f"cheap{count}.jsonl", 2))
        told(f"{count} short recordings, two workers", runs[-1])
    each = [run.wall_s / run.analysed for run in runs]
    cpu = [run.cpu_s / run.analysed for run in runs]
    print(
        f"at {many} a recording takes {each[1] / each[0]:.3f} x the time of one at {few} ({cpu[1] / cpu[0]:.3f} x by"
        f" processors), and the parent's peak is {runs[1].parent_mb / runs[0].parent_mb:.2f} x"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="What an archive costs.")
    parser.add_argument("--recordings", type=int, default=2000)
    parser.add_argument("--few", type=int, default=1000)
    parser.add_argument("--many", type=int, default=10_000)
    wishes = parser.parse_args()
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    )
    with tempfile.TemporaryDirectory() as scratch:
        workers_compared(Path(scratch), wishes.recordings)
        sizes_compared(Path(scratch), wishes.few, wishes.many)
