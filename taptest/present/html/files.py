"""Where pages go: onto the disk in one step, and to paper through a browser without a window, where one is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from taptest.core.errors import ReportError, shown

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
_MARK = b'<meta name="generator" content="taptest report">'
_MARK_WITHIN = 400
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LONGEST_S = 600


@contextmanager
def replacing(path: str | Path) -> Iterator[TextIO]:
    """A text file that takes the place of ``path`` when it is complete, and leaves nothing behind when it is not.

    Raises:
        ReportError: what is there already is no report, or the place cannot be written to.
    """
    path = Path(path)
    check_replaceable(path)
    try:
        handle, draft = tempfile.mkstemp(prefix=".taptest-", suffix=".html", dir=path.parent)
    except OSError as refused:
        raise _unwritable(path, refused) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            yield file
        Path(draft).chmod(0o644)  # a draft is for its owner alone; the report is for handing over
        Path(draft).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(draft).unlink()
        raise


def check_replaceable(path: Path) -> None:
    """Raise where nothing can be written, or where writing would take away something that is no report.

    Raises:
        ReportError: a folder, a place in no folder, or a file that no report begins like.
    """
    name = shown(path, 200)
    if path.is_dir():
        raise ReportError(f"{name}: is a folder; name a file in it")
    if not path.parent.is_dir():
        raise ReportError(f"{name}: cannot be written, as there is no such folder; make it first")
    if path.exists() and not path.is_file():
        raise ReportError(f"{name}: is a pipe or a device; choose another name")
    try:
        with path.open("rb") as file:
            begin = file.read(_MARK_WITHIN)
    except FileNotFoundError:
        return
    except OSError as refused:
        raise ReportError(f"{name}: cannot be read ({refused.strerror}); choose another name") from None
    if begin and _MARK not in begin and not begin.startswith(b"%PDF-"):
        raise ReportError(f"{name}: is there and no report of taptest; choose another name")


def find_browser() -> str:
    """Path of a browser that can print.

    Raises:
        ReportError: none of the names is on the search path.
    """
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        raise ReportError(
            "no browser to print with was found (looked for chromium, google-chrome and microsoft-edge); install Debian's "
            "package chromium, or open the page in any browser and print it to a file"
        )
    return found


def print_to_pdf(page: str | Path, target: str | Path, browser: str) -> None:
    """Print an HTML file on the browser's usual paper; the target is replaced when the print is complete.

    Raises:
        ReportError: the browser fails, takes more than ten minutes, or leaves no PDF.
    """
    with tempfile.TemporaryDirectory(prefix="taptest-") as folder:
        printed = Path(folder) / "page.pdf"
        # A browser's sandbox refuses to start for root; the page is our own and may load and run nothing foreign.
        sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [browser, *_FLAGS, *sandbox, f"--user-data-dir={folder}/profile", f"--print-to-pdf={printed}"]
        command.append(Path(page).resolve().as_uri())
        who = shown(browser, 200)
        try:
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_LONGEST_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as refused:
            raise ReportError(f"{who} did not print: {shown(refused, 200)}; print the page yourself") from None
        if not printed.exists() or not printed.read_bytes().startswith(b"%PDF-"):
            said = done.stderr.decode("utf-8", "replace").strip().splitlines()
            why = f": {shown(said[-1], 200)}" if said else ""
            raise ReportError(f"{who} printed nothing{why}; open the page in a browser and print it there")
        try:
            shutil.copyfile(printed, target)
        except OSError as refused:
            raise _unwritable(Path(target), refused) from None


def _unwritable(path: Path, refused: OSError) -> ReportError:
    return ReportError(f"{shown(path, 200)}: cannot be written ({refused.strerror}); choose another place")
