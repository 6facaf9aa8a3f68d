"""The page: one for each browser, all over the same stand."""

import json
from importlib.resources import files

from nicegui import ui

from benchsim.bench import LINKS
from benchsim.events import ticks
from benchsim.reports.cautions import COILS
from benchsim.web.explain import explain
from benchsim.web.parts import OUTCOMES, Coils, Faults, Glass, Hands, Key, Lines, Table, Words, seat_rows, tag
from benchsim.web.shown import Shown
from benchsim.web.stand import SPEEDS

REFRESH = 0.15  # seconds between two pictures
SPANS = {"1/4 s": 0.25, "1 s": 1.0, "4 s": 4.0}
SIDES = {"bus": ("board", "devices"), "kit": ("host", "board"), "panel": ("", "panel"), "audit": ("auditor", "board")}
KEYS = "Keys: p pause or go on, s step, e next exchange, Home now"
LAST_WORD = "A stall of this computer is known only after it: benchsim judge of the recording has the last word."
REAL_KEYS = "Keys: p hold the picture or go on, Home now"


def _shipped(name: str) -> str:
    return files("benchsim.web").joinpath(name).read_text("utf-8")


def add_look() -> None:
    """The style of all pages."""
    ui.add_head_html(f"<style>{_shipped('look.css')}</style>")


class Page:
    """Builds itself for the browser that asks, then follows the stand until it is gone."""

    def __init__(self, stand: Shown):
        self.stand = stand
        self.past: float | None = None  # bench seconds looked back to
        self.span = 1.0
        self._chosen: tuple[str, float] | None = None
        self._round = 0
        add_look()
        ui.add_body_html(f"<script>{_shipped('strips.js')}</script>")
        self._top()
        with tag("div", "bench", id="bench", tabindex=-1):
            with tag("div", "column"):
                self._machine()
            with tag("div", "column"):
                self._wires()
            with tag("div", "column"):
                self._findings()
        ui.on("exchange", lambda event: self._choose(event.args))
        ui.keyboard(self._key, ignore=["input", "select", "textarea"])
        ui.timer(REFRESH, self.refresh)

    # ---- building

    def _top(self) -> None:
        with tag("header", "bench-top"):
            tag("a", "skip", "to the bench", href="#bench")
            tag("h1", "", f"Bench: {self.stand.settings.title}")
            tag("a", "", "drills", href="/drill")
            self.clock = Words("span", "clock", role="timer", aria_label="bench time")
            with tag("div", "row", role="group", aria_label="time"):
                self.pause = Key("pause", self._pause)
                self.speed_keys: dict[float, Key] = {}
                if self.stand.paced:
                    self._pace()
            self.where = Words("span", "soft")
            self.note = Words("span", "soft", role="status", aria_live="polite")
            with tag("div", "row", role="group", aria_label="look back"):
                Words("span", "name").set("look back")
                self.slider = tag("input", "", type="range", min=0, max=1000, value=1000, step=1, aria_label="look back in time")
                self.slider.on("input", lambda event: self._look_back(event.args), js_handler="(e) => emit(+e.target.value)")
                Key("now", self._now)
            self.record = Key("record", self._record)
            if self.stand.paced:
                Key("start anew", self._renew)
            Key("light or dark", self._look)

    def _pace(self) -> None:
        Key("step 0.1 s", lambda: self._step(0.1))
        Key("next exchange", self._exchange)
        Words("span", "name").set("speed")
        for speed in SPEEDS:
            name = f"{speed:g}×"
            self.speed_keys[speed] = Key(name, lambda speed=speed: self._set_speed(speed), aria_label=f"speed {name}")

    def _machine(self) -> None:
        rows, columns = self.stand.settings.rows, self.stand.settings.columns
        with tag("section", "card", aria_label="touchscreen"):
            tag("h2", "", "Touchscreen")
            self.glass = Glass(rows, columns, self._act)
        with tag("section", "card", aria_label="hands"):
            tag("h2", "", "Hands")
            self.hands = Hands(self.stand.coins, self.stand.bills, self._act)
        with tag("section", "card", aria_label="coils"):
            tag("h2", "", "Coils, seen from the front")
            if "board" in self.stand.real:
                Words("p").set(" ".join(COILS))
            self.coils = Coils(rows, columns)

    def _wires(self) -> None:
        with tag("section", "card", aria_label="links"):
            tag("h2", "", "Links: the asking side above the line, the answering side below")
            self.strips = tag("canvas", "", id="strips", role="img", aria_label="links as moving strips; the buttons below step through exchanges")
            with tag("div", "row named", role="group", aria_label="window"):
                Words("span", "name").set("window")
                self.span_keys = {s: Key(name, lambda s=s: self._set_span(s)) for name, s in SPANS.items()}
            with tag("div", "row named", role="group", aria_label="exchange"):
                Words("span", "name").set("exchange")
                for name in SIDES:
                    Key(name, lambda name=name: self._newest(name))
                Key("earlier", lambda: self._neighbour(-1))
                Key("later", lambda: self._neighbour(1))
            self.traffic = Table(("link", "words a second", "words", "broken"), "traffic")
        with tag("section", "card", aria_label="exchange"):
            tag("h2", "", "Exchange: words, times, meaning")
            self.exchange_words = Words("p", "soft")
            self.exchange_words.set("Click into a strip, or choose a link.")
            self.drawing = tag("div", "drawing")
            with self.drawing:
                self._svg = ui.html("", sanitize=False)
            self.said = Table(("time", "who", "what"), "exchange in words")
        with tag("section", "card", aria_label="events"):
            tag("h2", "", "What happened")
            self.lines = Lines("what happened, newest first")

    def _findings(self) -> None:
        with tag("section", "card", aria_label="seats"):
            tag("h2", "", "Seats")
            self.seats = Table(("is", "seat", "state"), "seats")
        with tag("section", "card", aria_label="verdicts"):
            tag("h2", "", "Verdicts so far")
            self.standing = Words("p", "mono", role="status")
            if not self.stand.paced:
                Words("p", "soft").set(LAST_WORD)
            self.findings = Table(("is", "rule", "seat", "found"), "verdicts that need a look")
        with tag("section", "card", aria_label="faults"):
            tag("h2", "", "Fault cards")
            self.faults = Faults(self.stand.cards, self._switch)
        with tag("section", "card soft", aria_label="keys"):
            Words("p").set(KEYS if self.stand.paced else REAL_KEYS)

    # ---- hands of who looks on

    def _act(self, name: str, *values: int) -> None:
        if self.past is not None:
            self.note.set("this is the past: press now first")
            return
        self.note.set(self.stand.act(name, *values))
        self.refresh()

    def _switch(self, name: str) -> None:
        if self.past is None:
            self.note.set(self.stand.switch(name))
            self.refresh()

    def _pause(self) -> None:
        if self.stand.paced:
            self.stand.paused = not self.stand.paused
            self.past = None
        else:  # what is real goes on; only this picture is held
            self.past = None if self.past is not None else self._time()
        self.refresh()

    def _step(self, length: float) -> None:
        self.past = None
        self.stand.step(length)
        self.refresh()

    def _exchange(self) -> None:
        self.past = None
        self.stand.step_exchange()
        self.refresh()

    def _record(self) -> None:
        self.note.set(self.stand.record())
        self.refresh()

    def _renew(self) -> None:
        self.past = None
        self.note.set(self.stand.renew())
        self.refresh()

    def _set_speed(self, speed: float) -> None:
        self.stand.speed = speed
        self.refresh()

    def _set_span(self, span: float) -> None:
        self.span = span
        self.refresh()

    def _look_back(self, part: object) -> None:
        moments = self.stand.moments
        if not isinstance(part, int | float) or not 0 <= part <= 1000:
            return
        first, last = moments[0]["time_s"], moments[-1]["time_s"]
        self.past = None if part == 1000 else first + (last - first) * part / 1000
        self.refresh()

    def _now(self) -> None:
        self.past = None
        self.slider.props["value"] = 1000
        self.slider.update()
        self.refresh()

    def _look(self) -> None:
        ui.run_javascript(
            "const root = document.documentElement;"
            "root.dataset.look = root.dataset.look === 'dark' ? 'light' : 'dark';"
            "localStorage.setItem('bench-look', root.dataset.look);"
        )

    def _key(self, event) -> None:
        if not event.action.keydown or event.action.repeat:
            return
        does = {"p": self._pause, "Home": self._now}
        if self.stand.paced:
            does |= {"s": lambda: self._step(0.1), "e": self._exchange}
        call = does.get(str(event.key))
        if call:
            call()

    # ---- exchanges

    def _choose(self, args: object) -> None:
        """A message of the browser: somebody clicked into a strip."""
        link, at = (args.get("link"), args.get("time")) if isinstance(args, dict) else (None, None)
        if link in LINKS and isinstance(at, int | float) and 0 <= at <= self._time():
            self._show_exchange(link, float(at))

    def _newest(self, link: str) -> None:
        end = self._time()
        pieces = [p for p in self.stand.strip.between(ticks(end - 5), ticks(end)) if p.link == link and p.start_s <= end]
        if pieces:
            self._show_exchange(link, pieces[-1].start_s)
        else:
            self.exchange_words.set(f"{link}: nothing was said in the last 5 s")

    def _neighbour(self, way: int) -> None:
        if self._chosen is None:
            self.exchange_words.set("Choose a link first.")
            return
        link, at = self._chosen
        near = [p.start_s for p in self.stand.strip.between(ticks(at - 5), ticks(at + 5)) if p.link == link]
        further = [t for t in near if (t - at) * way > 1e-9]
        if further:
            self._show_exchange(link, min(further, key=lambda t: abs(t - at)))

    def _show_exchange(self, link: str, at: float) -> None:
        told = explain(self.stand.strip, self.stand.book, link, at)
        if told is None:
            self.exchange_words.set("That is too long ago to be told.")
            return
        self._chosen = link, at
        self.exchange_words.set(f"{link} at {at:.6f} s")
        self._svg.set_content(told.drawing)
        self.said.set([(f"{one.time_s:.6f} s", one.who, one.text) for one in told.said])
        self.refresh()

    # ---- showing

    def _time(self) -> float:
        return self.stand.now() / ticks(1) if self.past is None else self.past

    def refresh(self) -> None:
        """Show how it stands, or stood."""
        stand = self.stand
        picture = stand.picture() if self.past is None else stand.moment_at(self.past)
        time_s = self._time()
        self.clock.set(f"{time_s:.1f} s")
        held = stand.paused if stand.paced else self.past is not None
        self.pause.set("go on" if held else "pause" if stand.paced else "hold the picture", pressed=held)
        self.record.set("stop recording" if stand.recorder else "record", pressed=stand.recorder is not None)
        for speed, key in self.speed_keys.items():
            key.set(pressed=speed == stand.speed)
        for span, key in self.span_keys.items():
            key.set(pressed=span == self.span)
        behind = "the bench has ended" if stand.gone else "slower than the speed asked for" if stand.behind else ""
        self.where.set(f"looking back to {self.past:.1f} s" if self.past is not None else behind)
        self.where.look("past" if self.past is not None else "soft")
        for part in (self.glass, self.hands, self.coils, self.faults):
            part.show(picture)
        self.seats.set(seat_rows(picture["seats"]))
        self._strips(time_s)
        if self._round % 5 == 0 or self.past is not None:
            self._slow(picture)
        self._round += 1

    def _strips(self, time_s: float) -> None:
        pieces = self.stand.strip.between(ticks(max(time_s - self.span, 0)), ticks(time_s))
        drawn = [(p.start_s, p.end_s, p.link, int(p.out), int(p.wrong)) for p in pieces]
        links = [{"name": name, "out": SIDES[name][0], "in": SIDES[name][1]} for name in SIDES]
        chosen = self._chosen and {"link": self._chosen[0], "time": self._chosen[1]}
        self.strips.props["data-shown"] = json.dumps(
            {"pieces": drawn, "links": links, "end": time_s, "span": self.span, "chosen": chosen}
        )
        self.strips.update()

    def _slow(self, picture: dict) -> None:
        self.traffic.set([(name, *map(str, numbers)) for name, numbers in picture["links"].items()])
        counts = picture["standing"]
        self.standing.set(", ".join(f"{counts[name]} {name}" for name in sorted(counts)) or "nothing judged yet")
        found = self.stand.findings()
        self.findings.set(
            [(OUTCOMES[v["outcome"]], v["rule"], v["judged"], v["at"][0]["text"] if v["at"] else "") for v in found[:30]],
            ["bad" if v["outcome"] == "fail" else "" for v in found[:30]],
        )
        self.lines.set(list(self.stand.lines)[-60:][::-1])
