"""A headless Chromium driven over its debugging pipe (Chrome DevTools Protocol): no driver, no port, nothing to install."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from support.system import missing

FLAGS = [
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--mute-audio",
    "--autoplay-policy=no-user-gesture-required",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
]

# The browser speaks on its descriptors 3 and 4, whatever they are here; high numbers are out of the way meanwhile.
LAUNCH = (
    "import os, sys\n"
    "os.dup2(int(sys.argv[1]), 103), os.dup2(int(sys.argv[2]), 104)\n"
    "os.dup2(103, 3), os.dup2(104, 4)\n"
    "os.execv(sys.argv[3], sys.argv[3:])\n"
)


def chromium():
    """Path of the browser, or the test is skipped."""
    for name in ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable"):
        if found := shutil.which(name):
            return found
    missing("no Chromium is installed (Debian package chromium)")
    raise AssertionError


class Browser:
    """One page. ``requests`` are addresses asked for, ``complaints`` what console and log say."""

    def __init__(self):
        self.requests, self.complaints = [], []
        self._profile = tempfile.mkdtemp()
        to_child, self._to = os.pipe()
        self._from, from_child = os.pipe()
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        arguments = [chromium(), *FLAGS, *sandbox, f"--user-data-dir={self._profile}", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", LAUNCH, str(to_child), str(from_child), *arguments],
            pass_fds=(to_child, from_child),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_child)
        os.close(from_child)
        self._number, self._rest, self._events = 0, b"", []
        self._session = None
        page = next(each for each in self.call("Target.getTargets")["targetInfos"] if each["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=page["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        """One command of the protocol and its result."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer["error"]
                return answer["result"]
            self._note(answer)

    def _read(self, seconds=120):
        until = time.monotonic() + seconds
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], max(until - time.monotonic(), 0))
            assert ready, "the browser does not answer"
            part = os.read(self._from, 1 << 20)
            assert part, "the browser has gone"
            self._rest += part
        message, self._rest = self._rest.split(b"\0", 1)
        return json.loads(message)

    def _note(self, event):
        method, params = event.get("method"), event.get("params", {})
        self._events.append(method)
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.complaints.append(str(params["args"]))
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(str(params["exceptionDetails"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.complaints.append(params["entry"]["text"])

    def open(self, path, *, width=1280, height=900, dark=False, scripts=True):
        """Load a file and wait until it is there."""
        self.requests, self.complaints, self._events = [], [], []
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )
        self.media(dark=dark)
        self.call("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.call("Page.navigate", url=Path(path).resolve().as_uri())
        while "Page.loadEventFired" not in self._events:
            self._note(self._read())
        self.evaluate("1")
        return self

    def media(self, *, dark=False, kind=""):
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media=kind, features=[scheme])

    def evaluate(self, expression):
        """Value of a JavaScript expression, awaited."""
        answer = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def screenshot(self, path, *, whole=False):
        image = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(image["data"]))

    def pdf(self, path, **how):
        printed = self.call("Page.printToPDF", preferCSSPageSize=False, printBackground=True, **how)
        Path(path).write_bytes(base64.b64decode(printed["data"]))

    def close(self):
        self._session = None
        for descriptor in (self._to, self._from):
            os.close(descriptor)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._profile, ignore_errors=True)
