"""How long a report takes, how large it gets and how much memory it needs: ``python benchmarks/bench_report.py [SKIS…]``.

Nothing is asserted. The lot is that of the demonstration over and over, under new names; without an argument 24 and 300
skis are reported, the larger lot also without its sounds. CPU seconds of all processes are given besides the time,
since the time depends on what else a machine does.
"""

import csv
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from places import DEMO


def make_lot(folder: Path, count: int) -> Path:
    """A table of so many skis, whose recordings are those of the demonstration."""
    with (DEMO / "lot.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for sound in DEMO.glob("*.flac"):
        shutil.copy(sound, folder)
    path = folder / "lot.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        for at in range(count):
            row = rows[at % len(rows)]
            turn = at // len(rows)
            table.writerow({**row, "ski_id": f"{row['ski_id']}-{turn}", "pair_id": f"{row['pair_id']}-{turn}"})
    return path


def family_bytes(pid: int) -> int:
    """Resident memory of a process and its children, where the system tells it in /proc."""
    total = 0
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
            if int(entry.name) == pid or int(fields[1]) == pid:
                total += int((entry / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        except (OSError, ValueError):
            continue
    return total


def report(count: int, *options: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lot, page = make_lot(folder, count), folder / "report.html"
        command = [sys.executable, "-m", "taptest", "report", str(lot), "-o", str(page), *options]
        before, started, peak = os.times(), time.perf_counter(), 0
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while running.poll() is None:
            peak = max(peak, family_bytes(running.pid))
            time.sleep(0.2)
        taken, after = time.perf_counter() - started, os.times()
        cpu = after.children_user + after.children_system - before.children_user - before.children_system
        told = " ".join(options) or "with sounds"
        print(
            f"report, {count:3d} skis, {told:11}  {taken:6.1f} s, {cpu:6.1f} CPU s = {cpu / count:.2f} a ski,"
            f" {page.stat().st_size / 1e6:5.1f} MB, {peak / 1e6:.0f} MB of memory in all processes"
        )


if __name__ == "__main__":
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, {platform.machine()}")
    for count in [int(argument) for argument in sys.argv[1:]] or [24, 300]:
        report(count)
        if count > 100:
            report(count, "--no-audio")
