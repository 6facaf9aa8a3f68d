"""A served bench and a real browser for it."""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time

import pytest

PATIENT = 120_000  # ms; a busy machine is slow, not wrong
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync",
         "--disable-component-update", "--disable-quic"]  # fmt: skip


class Served:
    """`benchsim serve` in a process of its own."""

    def __init__(self, *words):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        command = [sys.executable, "-m", "benchsim", "serve", *words, "--at", str(self.port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, self.process.communicate(timeout=20)[1]
        self.url = found[0]
        self._await()

    def _await(self) -> None:
        """The address is printed before it is listened at."""
        for _ in range(1200):
            time.sleep(0.05)
            with socket.socket() as probe:
                probe.settimeout(0.1)
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            assert self.process.poll() is None, self.process.communicate()[1]

    def memory_kb(self) -> int:
        """Resident memory."""
        with open(f"/proc/{self.process.pid}/status") as status:
            return int(re.search(r"VmRSS:\s+(\d+)", status.read())[1])

    def open_files(self) -> int:
        """Open descriptors."""
        return len(os.listdir(f"/proc/{self.process.pid}/fd"))

    def stop(self) -> str:
        """Ctrl-C; returns what it said on stderr."""
        self.process.send_signal(signal.SIGINT)
        try:
            return self.process.communicate(timeout=30)[1]
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise


@pytest.fixture(scope="module")  # while it is open a loop of its own runs in this thread: not beside other tests
def browser():
    if BROWSER is None:
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=BROWSER, args=QUIET)
        yield started
        started.close()


@pytest.fixture(scope="module")
def serving():
    """serving(*words): a bench served with these words."""
    all_made = []

    def make(*words):
        all_made.append(Served(*words))
        return all_made[-1]

    yield make
    for made in all_made:
        said = made.stop() if made.process.poll() is None else ""
        assert "Traceback" not in said


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """Where the page records to."""
    return tmp_path_factory.mktemp("records")


@pytest.fixture(scope="module")
def served(serving, records):
    return serving("--record", str(records))


def press(page, name, exact=False):
    """The first key of that name."""
    page.get_by_role("button", name=name, exact=exact).first.click()


def connected(page) -> None:
    """The page shows time: it has its connection, so that what is pressed arrives."""
    page.wait_for_function("/[0-9]/.test((document.querySelector('.clock') || {}).textContent)")


@pytest.fixture
def blank(browser):
    """An empty page; what goes wrong in the browser fails the test."""
    context = browser.new_context(viewport={"width": 1400, "height": 950})
    opened, wrong = context.new_page(), []
    opened.set_default_timeout(PATIENT)
    opened.set_default_navigation_timeout(PATIENT)
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    yield opened
    context.close()
    assert wrong == []


@pytest.fixture
def page(blank, served):
    """A page on it, started anew and at rest."""
    opened = blank
    opened.goto(served.url)
    connected(opened)
    opened.get_by_role("button", name="start anew").click()
    opened.get_by_text("started anew").wait_for()
    press(opened, "speed 10×")
    opened.get_by_text("Choose a product").first.wait_for(timeout=PATIENT)
    opened.wait_for_function("parseFloat(document.querySelector('.clock').textContent) > 4")  # coins are taken by then
    press(opened, "speed 1×", exact=True)
    return opened
