"""A finished run in named values: what the screen said, what came of test sales, the service page, how the links
went, which rules were broken.

    Observer(judge, settings)  looks on; after the judge is closed `seen()` says all
"""

from collections import defaultdict

from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND, ticks
from benchsim.links.audit_text import does_not_close
from benchsim.seats import screen as words
from benchsim.sweeps.observables import count, share, yes
from benchsim.sweeps.witness import Witness

MESSAGES = {
    "starting": words.STARTING, "no-board": words.NO_BOARD, "no-panel": words.NO_PANEL, "panel-held": words.PANEL_HELD,
    "no-prices": words.NO_PRICES, "locked-blind": words.LOCKED_BLIND,
    "door-open": words.DOOR_OPEN, "locked": words.LOCKED, "ready": words.READY, "turning": words.TURNING,
    "sold": words.SOLD, "not-delivered": words.NOT_DELIVERED, "refused": words.REFUSED, "sold-out": words.SOLD_OUT,
}  # fmt: skip
OUTCOMES = ("delivered", "no-drop", "not-turned", "not-home", "refused", "stopped", "cut")  # of VEND-DONE
REACTS = ticks(1.0)  # a tap is answered by the screen within this; a coin that follows it changes the screen later
SOON = ticks(6.0)  # for the screen to be ready
CONDITIONS = ("lost", "ready", "fault")
CAUSES = ("power-on", "watchdog", "brown-out")  # in the answer to RESET
LOCKOUTS = ("none", "too warm", "sensor")  # reasons
SOURCES = {"coin": 1, "bill": 2, "card": 3}  # of CREDIT


class Observer(Witness):
    """What was witnessed, in buckets."""

    def seen(self) -> dict[str, str]:
        """Every observable that this run showed. What it did not put to the test is not there."""
        parts = (self._screen(), self._sale(), self._service_page(), self._around(), self._links(), self._rules())
        found = {name: value for part in parts for name, value in part.items()}
        return {name: value for name, value in sorted(found.items()) if value is not None}

    def _screen(self) -> dict:
        texts = [text for _, text in self.screens]
        ready = next((at for at, text in self.screens if text.startswith(words.READY)), None)
        told = {f"screen.says-{name}": yes(any(t.startswith(text) for t in texts)) for name, text in MESSAGES.items()}
        starts = sum(
            text.startswith(words.STARTING) and not before.startswith(words.STARTING)
            for before, text in zip(["", *texts], texts, strict=False)
        )
        last = next((name for name, text in MESSAGES.items() if texts and texts[-1].startswith(text)), "nothing")
        return told | {
            "screen.lit": {None: "never", True: "yes", False: "went dark"}[self.lit],
            "screen.ready": "never" if ready is None else "soon" if ready <= SOON else "late",
            "screen.starts": count(starts),
            "screen.last": last,
            "screen.answers-taps": self._reactions(),
            "screen.price-tapped": self._price(),
        }

    def _reactions(self) -> str | None:
        answered = sum(any(at < told <= at + REACTS for told, _ in self.screens) for at, *_ in self.taps)
        return share(answered, len(self.taps))

    def _price(self) -> str | None:
        """The price that is shown for a tap without money, against the tag on the tray."""
        for at, row, column in self.taps:
            tag = f"price {self.settings.prices[row * self.settings.columns + column] / 100:.2f}"
            shown = [text for told, text in self.screens if at < told <= at + REACTS and "price" in text]
            if shown:
                return "as the tag" if shown[0].endswith(tag) else "another"
        return "none" if self.taps else None

    def _sale(self) -> dict:
        found = {
            "sale.coins": share(self.coins["in"], self.coins.total()),
            "sale.coin-credits": self._credited("coin", self.coins["in"]),
            "sale.bill": self._bill(),
            "sale.bill-credits": self._credited("bill", self.bills["stacked"]),
            "sale.card": self._card(),
            "sale.vends": count(self.outcomes.total()),
            "sale.fell": self._fell(),
            "sale.change-paid": "nothing" if not self.paid else "something",
            "sale.coils-at-once": count(self.most_turning),
            "sale.longest-turn": self._longest_turn(),
        }
        for number, name in enumerate(OUTCOMES):
            found[f"sale.vend-{name}"] = count(self.outcomes[number])
        return found

    def _credited(self, what: str, taken: int) -> str | None:
        return share(min(self.credited[SOURCES[what]], taken), taken)

    def _bill(self) -> str | None:
        for end in ("stacked", "returned", "escrow"):
            if self.bills[end]:
                return end
        return "kept" if self.bills else "nothing"

    def _card(self) -> str:
        for state in ("charged", "uncharged", "denied", "approved"):
            if self.cards[state]:
                return state
        return "session" if self.cards["in"] else "refused" if self.cards["refused"] else "nothing"

    def _fell(self) -> str:
        told = self.outcomes[0]
        return "nothing" if not self.drops else "as told" if self.drops == told else "more" if self.drops > told else "less"

    def _longest_turn(self) -> str:
        if not self.turns:
            return "none"
        longest = max(self.turns) / TICKS_PER_SECOND
        return next(name for most, name in ((1.3, "short"), (2.6, "one turn"), (99, "long")) if longest < most)

    def _service_page(self) -> dict:
        found = {"survey.missing": self._missing(), "counters.time": self.told_clock}
        for seat in ("changer", "validator", "cashless1"):
            if not self.settings.fitted(seat):
                continue
            address = self.book.address_of(seat)
            condition, code = self.devices.get(address, (None, 0))
            known = "never told" if condition is None else CONDITIONS[condition]
            found[f"device.{seat}"] = f"fault {code:02X}" if known == "fault" else known
            found[f"device.{seat}-lost"] = count(self.losses[address])
            if seat in self.lights:
                found[f"lights.{seat}"] = "lit" if self.lights[seat] else "dark"
        if self.counters is not None:
            found["counters.bad-frames"] = count(self.counters["bad_frames"])
            found["counters.starts"] = count(self.counters["starts"])
        return found

    def _around(self) -> dict:
        """Cold, supply and audit: what the board tells of them, what a thermometer and an audit reader say."""
        found = {
            "counters.temperature": "none told" if self.told_air is None else _warmth(self.told_air / 10),
            "counters.lockout": LOCKOUTS[self.lockout],
            "counters.supply": self._sags(),
            "counters.start-cause": None if self.cause is None else CAUSES[self.cause],
            "audit.read": {"begins": "not to its end"}.get(self.audit, self.audit),
        }
        if self.text:
            found["audit.adds-up"] = yes(not does_not_close(self.text))
        if self.cold:
            air, evaporator = self.cold["air"], self.cold["evaporator"]
            found["cold.air"] = _warmth(air)
            found["cold.evaporator"] = "freezing" if evaporator < air - 8 else "as the air"
            if self.told_air is not None:
                found["cold.sensor"] = "right" if abs(self.told_air / 10 - air) < 2.5 else "wrong"
        return found

    def _sags(self) -> str:
        if not self.supply:
            return "none told"
        return next(name for least, name in ((30_000, "good"), (24_000, "sags"), (0, "far too low")) if min(self.supply) >= least)

    def _missing(self) -> str:
        """What the survey lacks of the coils that the machine has."""
        if self.survey is None:
            return "not read"
        s = self.settings
        there = {(r, c) for r, row in enumerate(self.survey) for c in range(s.columns) if row >> c & 1}
        lacking = {(r, c) for r in range(s.rows) for c in range(s.columns)} - there - set(s.missing)
        rows, columns = {r for r, _ in lacking}, {c for _, c in lacking}
        if not lacking:
            return "nothing"
        if not there:
            return "everything"
        if len(lacking) == 1:
            return "one coil"
        if len(columns) == 1 and len(rows) > 2:
            return "a column"
        return "a row" if len(rows) == 1 and len(columns) > 2 else "several"

    def _links(self) -> dict:
        found = {
            "kit.silent": share(self.tries - len(self.waits), self.tries),
            "kit.broken-host": share(self.broken["host"], self.frames["host"]),
            "kit.broken-board": share(self.broken["board"], self.frames["board"]),
            "kit.broken-with-holes": share(self.holes, self.broken.total()),
            "kit.answer-ms": self._wait(),
            "kit.resets": count(self.requests["RESET"]),
            "kit.refused-vends": share(self.vend_status.total() - self.vend_status[0], self.vend_status.total()),
            "kit.vend-place": share(sum(self.vends), len(self.vends)),
            "kit.starts": count(self.events["BOOTED"]),
            "kit.link-lost": count(self.events["LINK-LOST"]),
            "kit.owed": yes(self.owed > 0),
            "bus.words": next((rate for rate in self.rates.values() if rate != "right"), "right") if self.rates else None,
            "bus.broken-while-turning": share(self.spoilt_in_turns, self.spoilt.total()),
            "panel.starts": count(self.panel_starts),
            "panel.reports": count(self.reports),
            "panel.broken": share(self.bad_reports, self.reports),
            "panel.place": self.places.most_common(1)[0][0] if self.places else None,
            "panel.held": "long" if self.longest > ticks(2) else "as tapped" if self.longest else "never",
        }
        for seat in ("changer", "validator", "cashless1"):
            if self.settings.fitted(seat):
                asked = self.asked[seat]
                found |= {
                    f"bus.{seat}-silent": share(self.quiet[seat], asked),
                    f"bus.{seat}-broken": share(self.spoilt[seat], asked),
                    f"bus.{seat}-naks": count(self.naks[seat]),
                    f"bus.{seat}-words": self.rates.get(seat),
                    f"bus.{seat}-resets": count(self.resets[seat]),
                    f"bus.{seat}-starts": count(self.starts[seat]),
                }
        return found

    def _wait(self) -> str | None:
        if not self.waits:
            return None
        typical = sorted(self.waits)[len(self.waits) // 2] / TICKS_PER_MS
        return next(name for most, name in ((5, "under 5"), (20, "5 to 20"), (60, "20 to 60"), (1e9, "over 60")) if typical < most)

    def _rules(self) -> dict:
        """Rules by seat that held or were broken; the unseen and the unsure say nothing."""
        found: defaultdict[str, str] = defaultdict(str)
        for verdict in self.judge.verdicts():
            if verdict.outcome in ("pass", "fail", "warn"):
                found[f"rule.{verdict.rule}.{verdict.judged}"] = "held" if verdict.outcome == "pass" else "broken"
        return dict(found)


def _warmth(celsius: float) -> str:
    return next(name for most, name in ((5.0, "cold"), (8.0, "cool"), (1e9, "warm")) if celsius <= most)
