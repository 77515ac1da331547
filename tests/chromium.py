"""A headless Chromium for tests: opens a page, hears what it says and asks for, looks at it (DevTools protocol).

A test that needs it takes the fixture `browser` of conftest.py, which skips with a word where the browser (Debian's
package `chromium`) or the library (websocket-client) is missing.
"""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PROGRAMS = ("chromium", "chromium-browser", "chromium-headless-shell")
WAIT = 60.0
"""Seconds: a guard against hanging, for the machine may be busy."""
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--mute-audio"),
    *("--disable-extensions", "--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--disable-default-apps", "--no-default-browser-check", "--metrics-recording-only", "--hide-scrollbars"),
    *("--remote-debugging-port=0", "--remote-debugging-address=127.0.0.1"),
)

LOOK = (Path(__file__).parent / "look_at_page.js").read_text(encoding="utf-8")
"""Defines what a test asks of a page: see there."""


class Tab:
    """A page that is open. `said`: console messages and errors; `asked`: every address that it asked for."""

    def __init__(self, address: str) -> None:
        import websocket

        self._socket = websocket.create_connection(address, timeout=WAIT, suppress_origin=True)
        self._number = 0
        self._events: list[str] = []
        self.said: list[str] = []
        self.asked: list[str] = []
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> Any:
        """Send a command and return what it answers. Raises AssertionError for a refusal."""
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._socket.recv())
            if message.get("id") == self._number:
                assert "error" not in message, f"{method}: {message['error']}"
                return message["result"]
            self._hear(message)

    def open(self, address: str) -> None:
        """Go to an address and wait until it is loaded."""
        self.said, self.asked, self._events = [], [], []
        self.call("Page.navigate", url=address)
        while "Page.loadEventFired" not in self._events:
            self._hear(json.loads(self._socket.recv()))

    def wide(self, pixels: int, high: int = 900) -> None:
        """Make the window so many CSS pixels wide."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=pixels, height=high, deviceScaleFactor=1, mobile=pixels < 600
        )

    def value(self, expression: str) -> Any:
        """Return what the expression is in the page; functions of look_at_page.js may be named."""
        answer = self.call("Runtime.evaluate", expression=f"{LOOK}\n{expression}", returnByValue=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def picture(self) -> bytes:
        """Return the whole page as PNG."""
        return base64.b64decode(self.call("Page.captureScreenshot", captureBeyondViewport=True)["data"])

    def printed(self, width: float, height: float) -> bytes:
        """Return the page as PDF on paper of that size, in inches, where the page itself states none."""
        return base64.b64decode(
            self.call("Page.printToPDF", paperWidth=width, paperHeight=height, preferCSSPageSize=True)["data"]
        )

    def close(self) -> None:
        """Let go of it."""
        self._socket.close()

    def _hear(self, message: dict[str, Any]) -> None:
        method, told = message.get("method", ""), message.get("params", {})
        self._events.append(method)
        if method == "Network.requestWillBeSent":
            self.asked.append(told["request"]["url"])
        elif method == "Runtime.consoleAPICalled":
            self.said.append(" ".join(str(each.get("value", "")) for each in told["args"]))
        elif method == "Runtime.exceptionThrown":
            self.said.append(str(told["exceptionDetails"]))
        elif method == "Log.entryAdded":
            self.said.append(told["entry"]["text"])


def missing() -> str:
    """Return why there is no browser to test with; '' if there is one."""
    if not any(map(shutil.which, PROGRAMS)):
        return "no Chromium here: apt-get install chromium"
    try:
        import websocket  # noqa: F401
    except ImportError:
        return "no websocket-client here: pip install '.[test]'"
    return ""


@contextmanager
def chromium() -> Iterator[Tab]:
    """Start the browser with a profile of its own, and give its one tab."""
    program = next(filter(None, map(shutil.which, PROGRAMS)))
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = (program, *FLAGS, f"--user-data-dir={profile}", "about:blank")
        with subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as browser:
            try:
                tab = Tab(_tab_address(Path(profile) / "DevToolsActivePort", browser))
                yield tab
                tab.close()
            finally:
                browser.terminate()
                browser.wait(WAIT)


def _tab_address(told: Path, browser: subprocess.Popen[bytes]) -> str:
    """Wait for the browser to say where it listens, and return where its tab does."""
    until = time.monotonic() + WAIT
    while not told.exists() or "\n" not in told.read_text():
        assert browser.poll() is None, "the browser ended before it was ready"
        assert time.monotonic() < until, "the browser did not become ready"
        time.sleep(0.02)
    port = int(told.read_text().split()[0])
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=WAIT) as answer:
        tabs = json.load(answer)
    return str(next(each["webSocketDebuggerUrl"] for each in tabs if each["type"] == "page"))
