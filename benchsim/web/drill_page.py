"""Drills at the page: the same drill as in a terminal, kept step by step, so that a reload loses nothing."""

import json
from pathlib import Path

from nicegui import run, ui

from benchsim.drills.book import Entry, opened
from benchsim.drills.debrief import debrief
from benchsim.drills.drill import PART_MINUTES, PLUG_MINUTES, SAFE_MINUTES, Drill, Step, parts, plugs
from benchsim.drills.sets import LEVELS, SETS, set_up
from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.sweeps.dictionary import Dictionary, load_dictionary
from benchsim.sweeps.observables import LOOKS
from benchsim.web.parts import Key, Table, Words, tag
from benchsim.web.shown import Shown


class DrillPage:
    """One trainee's page, beside a bench that can show it all. `book`: the file of results."""

    def __init__(self, stand: Shown, dictionary: Path | None, book: Path, nickname: str = ""):
        self.stand, self.settings, self.path, self.book_path = stand, stand.settings, dictionary, book
        self.dictionary: Dictionary | None = None
        self.drill: Drill | None = None
        self.entry: Entry | None = None
        self.busy = False  # with a step
        with tag("header", "bench-top"):
            tag("h1", "", "Drill: what is wrong with this machine?")
            tag("a", "", "to the bench", href="/")
            tag("a", "", "for mentors", href="/mentor")
            self.note = Words("span", "soft", role="status", aria_live="polite")
        with tag("div", "bench drill"):
            with tag("div", "column"):
                self._begin_part(nickname)
                self.story = self._card("Story")
                self._step_part()
            with tag("div", "column"):
                with tag("section", "card", aria_label="what was seen"):
                    tag("h2", "", "What you did, what it told")
                    self.spent = Words("p", "mono", role="status")
                    self.told = Table(("step", "minutes", "told"), "steps")
                with tag("section", "card", aria_label="debrief"):
                    tag("h2", "", "Debrief")
                    self.debrief = tag("pre", "mono debrief", role="status")
                    with self.debrief:
                        self.debrief_words = Words()
                    self.again = tag("div", "row")
        if nickname:
            ui.timer(0.1, self._resume, once=True)

    # ---- building

    def _card(self, title: str) -> Words:
        with tag("section", "card", aria_label=title.lower()):
            tag("h2", "", title)
            return Words("p")

    def _begin_part(self, nickname: str) -> None:
        self.chosen = {"nickname": nickname, "set": next(iter(SETS)), "level": "any", "faults": "1"}
        with tag("section", "card", aria_label="begin"):
            tag("h2", "", "Begin")
            with tag("div", "row"):
                self.name = name = tag("input", "key", type="text", maxlength=30, value=nickname, aria_label="nickname", placeholder="nickname")
                name.on("input", lambda event: self._choose("nickname", event.args), js_handler="(e) => emit(e.target.value)")
                self._select("set", {name: name for name in SETS}, "which drills")
                self._select("level", {"any": "any level"} | {str(one): f"level {one}" for one in LEVELS}, "level")
                self._select("faults", {"1": "one fault", "2": "two faults"}, "how many faults")
                Key("begin or go on", self._go_on)

    def _select(self, name: str, values: dict[str, str], label: str) -> None:
        made = tag("select", "key", aria_label=label)
        made.on("change", lambda event: self._choose(name, event.args), js_handler="(e) => emit(e.target.value)")
        with made:
            for value, text in values.items():
                tag("option", "", text, value=value)

    def _step_part(self) -> None:
        with tag("section", "card", aria_label="steps"):
            tag("h2", "", "Look")
            with tag("div", "looks"):
                for look in LOOKS.values():
                    Key(f"{look.says} ({look.minutes:g} min)", lambda look=look: self._step(Step("look", look.name)))
            tag("h2", "", "Cause")
            cards = {card.id: f"{card.group}: {card.title}" for card in load_cards().values()}
            self._choice("card", cards, ("confirm it by hand", "confirm"), ("name it as the cause", "name"))
            tag("h2", "", f"Plug ({PLUG_MINUTES} min)")
            self._choice("plug", {one: one for one in plugs()}, ("seat it again", "reseat"))
            tag("h2", "", f"Part ({PART_MINUTES} min)")
            self._choice("part", {one: one for one in parts()}, ("change it", "change"))
            self.caution = tag("div", "caution", role="alert")

    def _choice(self, name: str, values: dict[str, str], *does: tuple[str, str]) -> None:
        """One of several things, and keys that do something with it."""
        self.chosen[name] = next(iter(values))
        with tag("div", "row"):
            self._select(name, values, name)
            for text, kind in does:
                Key(text, lambda kind=kind: self._step(Step(kind, self.chosen[name])))

    # ---- what the trainee does

    def _choose(self, name: str, value: object) -> None:
        if isinstance(value, str):
            self.chosen[name] = value
        if name == "nickname":
            self.name.props["value"] = value  # so that it stands when the page is drawn again

    async def _resume(self) -> None:
        """A page that is loaded again goes on with the drill that is open, and begins none."""
        if not self.book_path.exists():
            return
        with opened(self.book_path) as book:
            is_open = book.open_one(self.chosen["nickname"]) is not None
        if is_open:
            await self._go_on()

    async def _go_on(self) -> None:
        if self.path is None:
            self.note.set("no dictionary here: make one with benchsim sweep, and give --dictionary FILE")
            return
        nickname = self.chosen["nickname"].strip()
        level = int(self.chosen["level"]) if self.chosen["level"] in map(str, LEVELS) else None
        self.note.set("one moment")
        try:
            self.dictionary = self.dictionary or load_dictionary(self.path)
            with opened(self.book_path) as book:
                entry, two = book.open_one(nickname), self.chosen["faults"] == "2"
                wanted = entry or Entry(0, nickname, self.chosen["set"], level, book.next_seed(nickname), two, [])
                drill, story = await run.io_bound(
                    set_up, self.dictionary, self.settings, wanted.name, wanted.seed, wanted.level, wanted.two
                )
                if entry is None:
                    number = book.begin(nickname, wanted.name, wanted.level, wanted.seed, drill)
                    wanted = wanted._replace(number=number)
            for step in wanted.steps:
                await run.io_bound(drill.take, step)
        except UsageError as error:
            self.note.set(str(error))
            return
        self.drill, self.entry = drill, wanted
        self.debrief_words.set("")
        self.again.clear()
        faults = " Two things are wrong." if len(drill.hidden) > 1 else ""
        self.story.set(f"{story}{faults} You have {drill.budget:g} minutes.")
        self.note.set(f"drill {wanted.number} of {nickname}")
        ui.run_javascript(f"history.replaceState(null, '', '/drill?as=' + encodeURIComponent({json.dumps(nickname)}))")
        self._show()

    async def _step(self, step: Step, asked: bool = False) -> None:
        if self.drill is None or self.drill.over:
            self.note.set("begin a drill first")
            return
        if self.busy:
            return
        self.busy = True
        try:
            if not asked and (hurts := self.drill.hurts(step)):
                self._ask(step, hurts)
                return
            await run.io_bound(self.drill.take, step)
            with opened(self.book_path) as book:
                book.keep(self.entry.number, self.drill)
        except UsageError as error:
            self.note.set(str(error))
            return
        finally:
            self.busy = False
        self._show()

    def _ask(self, step: Step, hurts: list[str]) -> None:
        """What would hurt is said before it is done."""
        self.caution.clear()
        with self.caution:
            tag("h2", "", "Caution")
            for hurt in hurts:
                tag("p", "", hurt)
            with tag("div", "row"):
                Key(f"make it safe first ({SAFE_MINUTES} min)", lambda: self._step(step, asked=True))
                Key("go on as it is", lambda: self._step(step._replace(safe=False), asked=True))
                Key("back", self.caution.clear)

    # ---- showing

    def _show(self) -> None:
        drill = self.drill
        self.caution.clear()
        self.spent.set(f"{drill.minutes:g} of {drill.budget:g} minutes")
        self.told.set([
            (f"{told.step.kind} {told.step.what}", f"{told.minutes:g}", "\n".join(told.lines)) for told in reversed(drill.told)
        ])  # fmt: skip
        if drill.over:
            self.debrief_words.set("\n".join(debrief(drill, drill.score())).strip())
            with self.again:
                Key("lay it at the bench and look", self._lay)

    def _lay(self) -> None:
        """What was wrong begins at the bench, which shows it on its links."""
        on = self.stand.picture()["faults"]
        for name in self.drill.hidden:
            if name not in on:
                self.stand.switch(name)
        ui.navigate.to("/")
