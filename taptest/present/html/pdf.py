"""A page printed to PDF by a browser without a window, where one is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

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


def find_browser() -> str:
    """Path of a browser that can print.

    Raises:
        ReportError: none of the names is on the search path.
    """
    for name in BROWSERS:
        found = shutil.which(name)
        if found:
            return found
    raise ReportError(
        "no browser to print with was found (looked for chromium, google-chrome and microsoft-edge); install Debian's "
        "package chromium, or open the page in any browser and print it to a file"
    )


def print_to_pdf(page: str | Path, target: str | Path, browser: str) -> None:
    """Print an HTML file on the browser's usual paper; the target is replaced when the print is complete.

    Raises:
        ReportError: the browser fails, takes more than ten minutes, or leaves no PDF.
    """
    target = Path(target)
    with tempfile.TemporaryDirectory(prefix="taptest-") as folder:
        printed = Path(folder) / "page.pdf"
        # A browser's sandbox refuses to start for root; the page is our own and may load and run nothing foreign.
        sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [browser, *_FLAGS, *sandbox, f"--user-data-dir={folder}/profile", f"--print-to-pdf={printed}"]
        try:
            done = subprocess.run(
                [*command, Path(page).resolve().as_uri()],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=_LONGEST_S,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as refused:
            raise ReportError(
                f"{shown(browser, 200)} did not print: {shown(refused, 200)}; print the page yourself"
            ) from None
        if not printed.exists() or not printed.read_bytes().startswith(b"%PDF-"):
            said = done.stderr.decode("utf-8", "replace").strip().splitlines()
            why = f": {shown(said[-1], 200)}" if said else ""
            raise ReportError(
                f"{shown(browser, 200)} printed nothing{why}; open the page in a browser and print it there"
            )
        try:
            shutil.copyfile(printed, target)
        except OSError as refused:
            raise ReportError(
                f"{shown(target, 200)}: cannot be written ({refused.strerror}); choose another place"
            ) from None
