"""The page as a whole: a server of its own, Debian's Chromium, and what a visitor does."""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from playwright.sync_api import TimeoutError as NotSeenError

ROOT = Path(__file__).parent.parent
REQUIRED = "GRAINSCAN_BROWSER_TESTS"
"""Set to ``required``, a machine without Chromium fails these tests instead of passing over."""

# What Streamlit's own client asks for first when a page other than the first is opened by its
# address: it looks for the server below that address too, and goes on one step higher.
_LOOKS_FOR_SERVER = ("_stcore/health", "_stcore/host-config")


def chromium():
    """Where Chromium is; without one the test is passed over, or fails where it is required."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        line = "Chromium is missing; on Debian: apt-get install chromium"
        if os.environ.get(REQUIRED) == "required":
            pytest.fail(line)
        pytest.skip(line)
    return found


@contextlib.contextmanager
def served(book, *, script="app.py", log=None):
    """The page on a free port, with a stock book of its own; yields its address and process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [
        sys.executable, "-m", "streamlit", "run", script, "--server.port", str(port),
        "--server.headless", "true", "--server.fileWatcherType", "none",
    ]  # fmt: skip
    environment = {**os.environ, "GRAINSCAN_BOOK": str(book), "PYTHONPATH": str(ROOT)}
    with (log or Path(os.devnull)).open("wb") as output:
        process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=output, stderr=subprocess.STDOUT
        )
        try:
            _wait_for(f"http://127.0.0.1:{port}/_stcore/health", process)
            yield f"http://127.0.0.1:{port}", process
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_for(address, process):
    give_up = time.monotonic() + 60
    while time.monotonic() < give_up:
        if process.poll() is not None:
            raise RuntimeError("the server ended at once")
        with contextlib.suppress(OSError), urllib.request.urlopen(address, timeout=2):
            return
        time.sleep(0.1)
    raise RuntimeError("the server did not answer")


class Visitor:
    """One visitor's browser window, and the errors its console showed."""

    def __init__(self, browser, address, *, size=(1280, 900), touch=False):
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=touch, accept_downloads=True
        )
        self.touch = touch
        self.page = self.context.new_page()
        self.page.set_default_timeout(60_000)
        self.address = address
        self.console = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.console.append(str(error)))

    def _heard(self, message):
        where = (message.location or {}).get("url", "")
        if message.type == "error" and not where.endswith(_LOOKS_FOR_SERVER):
            self.console.append(f"{message.text} {where}")

    def open(self, path=""):
        self.page.goto(f"{self.address}/{path}")
        self.settled()

    def settled(self):
        """Wait until the page's script has run to its end and nothing is stale."""
        self.page.wait_for_selector("h1")
        self.page.wait_for_timeout(60)
        self.page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]")

    def go(self, name):
        """Follow the way to another page, as a visitor does."""
        self.page.get_by_role("link", name=name, exact=True).click()
        self.page.get_by_role("heading", name=name, level=1).wait_for()
        self.settled()

    def choose(self, label):
        """Press one of the buttons of a segmented control."""
        self.page.get_by_role("radio", name=label, exact=True).or_(
            self.page.get_by_role("button", name=label, exact=True)
        ).first.click()
        self.settled()

    def pick(self, box, option):
        """Choose from a list that opens."""
        found = self.page.get_by_role("combobox", name=box)
        found.scroll_into_view_if_needed()
        wanted = self.page.get_by_role("option", name=option, exact=True)
        # A list that opens while the page still scrolls to it closes again; so does one that opens
        # while the page runs. A visitor then presses once more.
        for _ in range(5):
            found.tap() if self.touch else found.click()
            with contextlib.suppress(NotSeenError):
                wanted.wait_for(timeout=3000)
                break
        wanted.click()

    def upload(self, *files):
        self.page.locator("input[type=file]").first.set_input_files([str(f) for f in files])

    def word(self):
        """The answer's word, waited for."""
        try:
            self.page.locator(".answer .word").wait_for()
        except NotSeenError:
            said = self.page.get_by_test_id("stMain").inner_text()
            raise AssertionError(f"no answer; the page says: {said}") from None
        self.settled()
        return self.page.locator(".answer .word").inner_text()

    def answer(self):
        """Word, slope and interval of the answer."""
        word = self.word()
        card = self.page.locator(".answer")
        return word, card.locator(".slope").inner_text(), card.locator(".range").inner_text()

    def slide(self, label, steps, *, until):
        """Move a slider by its keys and wait until the answer says something."""
        thumb = self.page.get_by_role("slider", name=label)
        wanted = int(thumb.input_value()) + steps
        # A key that falls into a redrawing of the page may be lost: look before the next one.
        for _ in range(4 * abs(steps)):
            now = int(thumb.input_value())
            if now == wanted:
                break
            thumb.press("ArrowRight" if now < wanted else "ArrowLeft")
        self.page.locator(".answer", has_text=until).wait_for()
        self.settled()

    def download(self, name):
        """The content of what a download button gives."""
        with self.page.expect_download() as waiting:
            self.page.get_by_role("button", name=name).first.click()
        return Path(waiting.value.path()).read_bytes()

    def overflow(self):
        """Pixels by which the page is wider than the window."""
        return self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
