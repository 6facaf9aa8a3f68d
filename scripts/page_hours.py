#!/usr/bin/env python3
"""Hours of a live bench with its page open: does memory stay bounded, does the page answer to hands?

    scripts/page_hours.py [--hours N] [--out FILE.jsonl]     two hours by default; Ctrl-C or a TERM ends it with its verdict

`benchsim serve` shows the demo bench at real time in a headless Chromium. A person comes by now and then: buys, lays a
fault card and takes it away, looks at an exchange, looks back. Each minute is noted: memory of the server and of the
page (after its garbage is collected), what hangs in the page, and how long a click takes until its effect is drawn.
A minute in which the computer stood still (a process that was stopped, a lid that was closed) says so in `stood_s`; if it
was so long that the page lost its server and came anew, in `anew`.
"""

import argparse
import contextlib
import json
import re
import signal
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from shutil import which

ROOT = Path(__file__).resolve().parent.parent
CHROMIUM = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]
PORT = 8517
MINUTE = 60.0
SETTLED = 10  # minutes after which nothing new has to be kept: ten minutes can be looked back
GROWTH = 1.15  # the last quarter over the quarter after settling, at most
PROMPT_MS = 500  # a click seen later than this feels slow; common practice
# In the page, so that no way to the browser is counted: press, and wait until what should be seen is drawn.
PRESS = """async ([button, seen, text]) => {
  const key = [...document.querySelectorAll('button')].find(
    (one) => (one.getAttribute('aria-label') || one.textContent).trim() === button);
  const there = () => [...document.querySelectorAll(seen)].some((one) => new RegExp(text).test(one.textContent));
  const began = performance.now();
  key.click();
  while (!there() && performance.now() - began < 30000) await new Promise(requestAnimationFrame);
  return performance.now() - began;
}"""
PRESSED = "button[aria-pressed='true']"
MEASURED = (
    ("1/4 s", PRESSED, "^1/4 s$"), ("1 s", PRESSED, "^1 s$"), ("4 s", PRESSED, "^4 s$"), ("1 s", PRESSED, "^1 s$"),
    ("pause", PRESSED, "^go on$"), ("go on", "button", "^pause$"),
)  # fmt: skip


class Stops(threading.Thread):
    """Counts seconds in which this computer, or this program, stood still."""

    def __init__(self):
        super().__init__(daemon=True)
        self.seconds = 0.0

    def run(self) -> None:
        """For ever."""
        last = time.monotonic()
        while True:
            time.sleep(0.25)
            now = time.monotonic()
            self.seconds += now - last if now - last > 2 else 0
            last = now


class Ended(Exception):
    """Somebody wants the verdict now."""


def _end(*_) -> None:
    raise Ended


# ---- a person at the page


def buys(page) -> None:
    """With two coins, and takes product and change."""
    for _ in range(2):
        _press(page, "put in a coin of 2.00")
        page.wait_for_timeout(1500)
    _press(page, "selection B3")
    page.wait_for_timeout(6000)
    _press(page, "return lever")
    page.wait_for_timeout(3000)
    _press(page, "take")


def lays_a_card(page) -> None:
    """For twenty seconds."""
    for _ in range(2):
        page.evaluate("""() => [...document.querySelectorAll('button')].find(
            (one) => one.textContent.trim() === 'Harness of the coin changer unplugged').click()""")
        page.wait_for_timeout(20_000)


def reads_an_exchange(page) -> None:
    """Of each link, and the one before."""
    for link in ("bus", "kit"):
        _press(page, link)
        page.wait_for_timeout(500)
        _press(page, "earlier")
        page.wait_for_timeout(500)


def looks_back(page) -> None:
    """And comes back."""
    slider = page.get_by_label("look back in time")
    slider.evaluate("one => { one.value = 300; one.dispatchEvent(new Event('input')); }")
    page.wait_for_timeout(2000)
    _press(page, "now")


PERSON = (reads_an_exchange, buys, looks_back, lays_a_card, reads_an_exchange, buys)  # one a minute, over and over


def _press(page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).first.click()


# ---- what is noted


def noted(page, probe, server: int, stops: Stops, stood: float) -> dict:
    """Figures of one minute."""
    clicks = [page.evaluate(PRESS, list(one)) for one in MEASURED]
    probe.send("HeapProfiler.collectGarbage")
    told = {one["name"]: one["value"] for one in probe.send("Performance.getMetrics")["metrics"]}
    return {
        "server_mb": round(_resident(server), 1),
        "page_heap_mb": round(told["JSHeapUsedSize"] / 1e6, 2),
        "page_nodes": int(told["Nodes"]),
        "page_listeners": int(told["JSEventListeners"]),
        "click_ms": round(statistics.median(clicks), 1),
        "click_worst_ms": round(max(clicks), 1),
        "behind": "slower than" in page.locator(".bench-top").inner_text(),
        "stood_s": round(stops.seconds - stood, 1),
    }


def _resident(pid: int) -> float:
    return int(re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1000


def summary(notes: list[dict]) -> dict:
    """First, last and most of each figure; growth is told from minutes after settling, quarter against quarter."""
    told: dict = {"minutes": len(notes), "minutes_with_stops": sum(one["stood_s"] > 0 for one in notes), "anew": sum(one["anew"] for one in notes)}
    settled = notes[SETTLED:]
    quarter = max(1, len(settled) // 4)
    for name in ("server_mb", "page_heap_mb", "page_nodes", "page_listeners", "click_ms", "click_worst_ms"):
        every = [one[name] for one in notes if not (name.startswith("click") and one["stood_s"])]
        told[name] = {"first": every[0], "last": every[-1], "most": max(every)} if every else {}
        if len(settled) >= 4 and not name.startswith("click"):
            early, late = ([one[name] for one in part] for part in (settled[:quarter], settled[-quarter:]))
            told[name]["growth"] = round(statistics.median(late) / statistics.median(early), 3)
    grows = [name for name, one in told.items() if isinstance(one, dict) and one.get("growth", 1) > GROWTH]
    clicks = sorted(one["click_ms"] for one in notes if not one["stood_s"])
    slow = bool(clicks) and clicks[len(clicks) // 2] > PROMPT_MS
    told["verdict"] = ", ".join([f"{name} grows" for name in grows] + ["clicks are slow"] * slow) or "bounded and prompt"
    return told


def play(hours: float, out) -> list[dict]:
    """Serve, look on, note."""
    from playwright.sync_api import Error, sync_playwright

    notes: list[dict] = []
    stops = Stops()
    stops.start()
    with contextlib.ExitStack() as after, contextlib.suppress(Ended):
        words = [sys.executable, "-m", "benchsim", "serve", "--at", str(PORT)]
        server = after.enter_context(subprocess.Popen(words, stdout=subprocess.PIPE, text=True))
        after.callback(server.send_signal, signal.SIGINT)
        url = re.search(r"http://\S+", server.stdout.readline())[0]
        play = after.enter_context(sync_playwright())
        browser = play.chromium.launch(executable_path=which("chromium"), args=CHROMIUM, handle_sigterm=False, handle_sigint=False)
        after.callback(browser.close)
        page = browser.new_page(viewport={"width": 1400, "height": 950})
        page.set_default_timeout(300_000)
        for _ in range(100):
            with contextlib.suppress(Exception):
                page.goto(url)
                break
            time.sleep(0.2)
        page.get_by_text("Choose a product").first.wait_for()
        probe = page.context.new_cdp_session(page)
        probe.send("Performance.enable")
        began, number, stood = time.monotonic(), 0, 0.0
        while (lived := time.monotonic() - began - stops.seconds) < hours * 3600:
            due = began + stops.seconds + (number + 1) * MINUTE
            loads, figures = 0.0, {}
            while not figures:
                try:
                    loads = loads or page.evaluate("performance.timeOrigin")
                    PERSON[number % len(PERSON)](page)
                    page.wait_for_timeout(max(0.0, due - time.monotonic()) * 1000)
                    figures = noted(page, probe, server.pid, stops, stood)
                    figures["anew"] = page.evaluate("performance.timeOrigin") != loads
                except Error as error:  # the page came anew in the middle
                    print(f"minute {number}: {str(error).splitlines()[0]}", file=sys.stderr, flush=True)
                    time.sleep(1)
            one = {"minute": round(lived / 60, 1), **figures}
            stood, number = stops.seconds, number + 1
            notes.append(one)
            print(json.dumps(one), file=out, flush=True)
    return notes


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--out", type=Path, default=Path("page_hours.jsonl"), help="a line of JSON for each minute")
    wanted = parser.parse_args()
    signal.signal(signal.SIGTERM, _end)
    signal.signal(signal.SIGINT, _end)
    with wanted.out.open("w") as out:
        notes = play(wanted.hours, out)
        told = summary(notes) if notes else {"verdict": "ended within the first minute"}
        print(json.dumps(told), file=out, flush=True)
    print(json.dumps(told, indent=2))
    return 0 if told["verdict"] == "bounded and prompt" else 1


if __name__ == "__main__":
    sys.exit(main())
