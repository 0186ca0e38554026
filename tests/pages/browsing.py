"""A real browser before a real `adapt pages`: its server as a process of its own, and people."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Response

ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run",
)  # fmt: skip
PATIENCE_MS = 180_000  # two cores, shared; the first plan on a fresh machine compiles the search
PHONE, WIDE = {"width": 390, "height": 844}, {"width": 1600, "height": 1000}


def chromium_or_none() -> str | None:
    """Return the program of Debian's chromium, or another of that name; None where none is."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


class Served:
    """`adapt pages` over a logbook. place: the logbook's file; address: where it answers."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.address = ""
        self._process: subprocess.Popen[str] | None = None
        self.start()

    def start(self) -> None:
        """Start it; again at the same port where it ran before."""
        port = self.address.rstrip("/").rpartition(":")[2] or "0"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "adapt", "pages", str(self.place), "--port", port, "--json"],
            stdout=subprocess.PIPE, text=True, env={**os.environ, "OMP_NUM_THREADS": "1"},
            # A shell that runs tests in the background has Ctrl-C ignored, and so would this.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL) and None,
        )  # fmt: skip
        assert self._process.stdout is not None
        told = json.loads(self._process.stdout.readline())
        self.address = told["address"]

    def stop(self) -> int:
        """End it as Ctrl-C does; return its exit status."""
        assert self._process is not None
        self._process.send_signal(signal.SIGINT)
        try:
            status = self._process.wait(timeout=60)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            raise
        assert self._process.stdout is not None
        self._process.stdout.close()
        self._process = None
        return status

    def until_planned(self, job: str) -> None:
        """Wait until a job's plan is there, so that no test waits for what is compiled once."""
        begun = time.monotonic()
        while time.monotonic() - begun < PATIENCE_MS / 1000:
            with urllib.request.urlopen(f"{self.address}job/plan?job={job}", timeout=120) as page:
                if b"data-waiting" not in page.read():
                    return
            time.sleep(0.5)
        raise AssertionError(f"no plan for {job} after {PATIENCE_MS / 1000:.0f} s")


class Person:
    """Somebody at a browser. complaints: what the console said that nobody expected."""

    def __init__(
        self, browser: Browser, served: Served, size: dict[str, int] | None = None
    ) -> None:
        self._served = served
        self.context: BrowserContext = browser.new_context(
            viewport=size or WIDE, locale="en-GB",  # type: ignore[arg-type]
            timezone_id="UTC", accept_downloads=True,
        )  # fmt: skip
        self.context.set_default_timeout(60_000)
        self.complaints: list[str] = []
        self._expected: list[str] = []

    def opens(self, path: str = "") -> Page:
        """Open a page in a tab of its own."""
        page = self.context.new_page()
        page.on("console", self._heard)
        page.on("pageerror", lambda error: self.complaints.append(f"script: {error}"))
        self.goes(page, path)
        return page

    def goes(self, page: Page, path: str) -> Response | None:
        return page.goto(self._served.address + path)

    def expects(self, *said: str) -> None:
        """From now on the console may say this: a browser notes each answer that is a refusal."""
        self._expected += said

    def _heard(self, message: ConsoleMessage) -> None:
        if message.type == "error" and not any(e in message.text for e in self._expected):
            self.complaints.append(message.text)


def waited(page: Page) -> Page:
    """Wait until nothing of a page is on its way any more: no work, no picture."""
    page.wait_for_selector("[data-waiting]", state="detached", timeout=PATIENCE_MS)
    page.wait_for_load_state("load")
    return page


def name_in_focus(page: Page) -> str:
    """Return the name of the field that the keyboard writes into."""
    return str(page.evaluate("document.activeElement.name || ''"))


def tab_to(page: Page, name: str, most: int = 80) -> None:
    """Press Tab until a field has the focus."""
    for _ in range(most):
        if name_in_focus(page) == name:
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{most} times Tab never came to {name}")


def typed_in(page: Page) -> dict[str, Any]:
    """Return what the fields of the entry form hold."""
    return dict(
        page.evaluate(
            "Object.fromEntries([...document.querySelectorAll('#entry input[id], #entry select')]"
            ".filter((e) => e.value).map((e) => [e.name, e.value]))"
        )
    )


def scrolls_sideways(page: Page) -> int:
    """Return by how many pixels the page's body is wider than the window."""
    return int(
        page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    )
