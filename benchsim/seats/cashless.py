"""Cashless reader (MDB/ICP 4.3 §7), levels 1 to 3: its states, a card's session, vends, revalue, options.

Its states and what leads from one to the next stand in protocols/bus/cashless.toml; an answer moves it when the
controller has acknowledged it. What it has decided before it could say so is in `_decision`.

Not modelled: real cards and networks, several currencies, age verification, file transport, selective display.
"""

from typing import ClassVar

from benchsim.seats.oddities import ODDITIES
from benchsim.seats.peripheral import IDENTITY
from benchsim.seats.setting import CURRENCY, FLAG, Kind, Setting, defaults, one_of, period, some_of, whole
from benchsim.seats.stateful import Stateful

ENABLED, IDLE = "Enabled", "Session Idle"
VENDING = {"Vend", "Negative Vend"}
REFUND_FAILED = 0xC0  # of MALFUNCTION
LEAST_DISPLAY = 14  # characters: a shorter text could not be told from what follows it in an answer
WIDE, NEGATIVE, ENTRY, ALWAYS_IDLE = 1, 3, 4, 5  # feature bits



def _is_range(value) -> bool:
    numbers = type(value) is list and all(type(one) in (int, float) for one in value)
    return numbers and (not value or (len(value) == 2 and 0 <= value[0] <= value[1] < float("inf")))


_RANGE = Kind("a list of two times in seconds, the smaller first, or an empty one", _is_range)


class Cashless(Stateful):
    """`card(funds)`, `pull()`. Amounts in minor units (scale x what goes over the bus)."""

    SPEC = "cashless"
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {
        "level": Setting(2, one_of(1, 2, 3), "level it speaks"),
        "currency": Setting("1978", CURRENCY, "ISO 4217 numeric after a 1"),
        "scale": Setting(1, whole(1, 255), "minor units in one unit of an amount"),
        "decimals": Setting(2, whole(0, 4), "decimal places"),
        "response_s": Setting(5, whole(1, 255), "response time that it tells, seconds"),
        "refunds": Setting(True, FLAG, "gives the money back after VEND FAILURE; else it reports a malfunction"),
        "multivend": Setting(True, FLAG, "several vends in one session; else it denies the second"),
        "display": Setting(False, FLAG, "uses the controller's display"),
        "cash_sales": Setting(False, FLAG, "wants to be told of cash sales"),
        "wide": Setting(False, FLAG, "offers 32-bit money (level 3)"),
        "negative_vend": Setting(False, FLAG, "offers negative vend (level 3)"),
        "data_entry": Setting(False, FLAG, "offers data entry (level 3)"),
        "always_idle": Setting(False, FLAG, "offers vends without a session begun before (level 3)"),
        "card_most": Setting(0, whole(0, 0xFFFFFFFE), "most that a card can hold, minor units; 0: no revalue"),
        "decide_s": Setting(0.8, period(), "from VEND REQUEST to its answer; 0: at once, in place of ACK"),
        "online_s": Setting([], _RANGE, "more of that by chance, from and to: a network is asked"),
        "close_s": Setting(0, period(), "from SESSION COMPLETE to END SESSION; 0: at once"),
        "session_s": Setting(0, period(), "a session without a step asks to be cancelled after this; 0: never"),
        "needs_card": Setting(False, FLAG, "a card pulled before the decision: the vend is denied"),
        "binding": Setting(False, FLAG, "a cancel cannot take an approval back that was not told yet"),
        "answers": Setting([], some_of(*ODDITIES), "odd but legal ways to answer"),
    }
    SETTINGS: ClassVar[dict] = defaults(SETTING_CHECKS)
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP CONFIG": "_config", "SETUP PRICES": "_prices", "IDENTIFICATION": "_identification",
        "FEATURES": "_features", "READER ENABLE": "_ack", "READER DISABLE": "_ack", "READER CANCEL": "_cancel",
        "VEND REQUEST": "_vend", "NEGATIVE VEND": "_negative_vend", "VEND CANCEL": "_vend_cancel",
        "VEND SUCCESS": "_success", "VEND FAILURE": "_failure", "SESSION COMPLETE": "_complete",
        "CASH SALE": "_cash_sale", "REVALUE REQUEST": "_revalue", "REVALUE LIMIT": "_limit",
        "TIME AND DATE": "_time", "DATA ENTRY": "_entry",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        self.card_in = False
        self.funds: int | None = None  # of the card in the reader; None: not known, or no card
        self.never_answers = False  # a fault: VEND REQUEST stays without an answer
        self.refund_fails = False  # a fault: the money of a failed vend cannot be given back
        self.sales: list[tuple[int, int]] = []  # price and item of cash sales it was told of
        self.stamp = ""  # the last TIME AND DATE
        self.entered = ""  # the last DATA ENTRY
        self._turn = self._steps = 0
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.cleared()

    def cleared(self) -> None:
        super().cleared()
        self._columns = 0  # of the controller's display, times its rows
        self._end()

    def halted(self) -> None:
        if self.card_in:
            self._tell("out")
        self.card_in, self.funds = False, None

    def _end(self) -> None:
        """No session."""
        self.card_in, self.funds = False, None
        self._price = self._sign = 0  # of the vend under way; what it does to the card's funds
        self._decision: str | None = None  # about it: "approved", "denied", None: not yet
        self._credit = 0  # of the revalue under way
        self._awaits_card = False  # always idle: a vend was asked for, the card is still to come
        self._leaving = False  # the card was pulled while a vend was under way
        self._closing = False  # SESSION COMPLETE came
        self._vends = 0  # of this session
        self._stale()

    def _stale(self) -> None:
        """What was planned for the vend or the session so far has lost its meaning."""
        self._turn += 1

    # ---- the customer

    @property
    def takes(self) -> bool:
        """Would it begin a session with a card, or go on with a vend that awaits one?"""
        return self.on and not self.card_in and (self.at.state == ENABLED or self._awaits_card)

    def card(self, funds: int | None) -> bool:
        """A card with these funds (None: it does not tell) is held up. False: not taken now."""
        if not self.takes:
            self.happen("card", funds=funds, state="refused")
            return False
        self.card_in, self.funds = True, funds
        self._tell("in")
        if self._awaits_card:
            self._awaits_card = False
            self._ponder(self.report)
            return True
        more = {"media": bytes(4), "payment": 0, "data": bytes(2)} if self.bus.mode.level >= 2 else {}
        if self.bus.mode.wide:
            more |= {"language": "en", "currency": self.settings["currency"], "options": 0}
        self.report("BEGIN SESSION", funds=self._most() if funds is None else self._told(funds), **more)
        return True

    def pull(self) -> None:
        """The customer takes the card or walks away."""
        if not self.card_in or self._closing or self._leaving:
            return
        if self._price_open:
            self._leaving = True
            if self.settings["needs_card"] and self._decision is None:
                self._deny()
        else:
            self.report("SESSION CANCEL REQUEST")

    @property
    def _price_open(self) -> bool:
        """A vend is under way: asked for and its end not told."""
        return self.spec.machine.steps.get(self.at.state, self.at.state) in VENDING

    def malfunction(self, code: int) -> None:
        """The reader reports an error of its own (high nibble: 0 media error, 1 invalid media, 2 tamper, 8 reader
        failure, A media jam, C refund failed)."""
        self.report("MALFUNCTION", error=code)

    def lose_session(self) -> None:
        """A fault: the session is gone and nobody was told."""
        if self.card_in:
            self._tell("out")
            self.drop("BEGIN SESSION")
            self.at = self.spec.machine.go(self.at, "END SESSION", True)
            self._end()

    def ask_time(self) -> None:
        """It wants to know time and date (level 2)."""
        if self.bus.mode.level >= 2:
            self.report("TIME REQUEST")

    def ask_entry(self, digits: int) -> bool:
        """It wants the customer to key in something. False: data entry is not enabled."""
        enabled = self._has(ENTRY)
        if enabled:
            self.report("DATA ENTRY REQUEST", entry=digits)
        return enabled

    def cancel_entry(self) -> None:
        """It no longer waits for what is keyed in."""
        if self._has(ENTRY):
            self.report("DATA ENTRY CANCEL")

    def show(self, text: str, seconds: float) -> bool:
        """A text for the controller's display. False: there is none (or one of fewer than 14 characters)."""
        fits = self.settings["display"] and self._columns >= LEAST_DISPLAY
        if fits:
            padded = text[: self._columns].ljust(self._columns)
            self.report("DISPLAY REQUEST", tenths=min(round(seconds * 10), 255), text=padded)
        return fits

    def _tell(self, state: str) -> None:
        self.happen("card", funds=self.funds, state=state)

    def _has(self, feature: int) -> bool:
        return bool(self.bus.mode.features >> feature & 1)

    def _most(self) -> int:
        return 0xFFFFFFFF if self.bus.mode.wide else 0xFFFF

    def _told(self, amount: int) -> int:
        """An amount as the bus carries it; the greatest value stands for "not known"."""
        return min(amount // self.settings["scale"], self._most() - 1)

    # ---- steps

    def taken(self, name: str) -> None:
        if name == "VEND DENIED":
            self._settled()
        elif name == "REVALUE APPROVED":
            self.funds += self._credit
            self._credit = 0
            self._tell("revalued")
        elif name == "END SESSION":
            self._end()

    def moved(self) -> None:
        """A step of a session: from here its own time-out counts."""
        self._steps += 1
        if self.settings["session_s"] and self.at.state == IDLE:
            self.after(self.settings["session_s"], self._timed_out, self._steps)

    def _timed_out(self, steps: int) -> None:
        if steps == self._steps and self.at.state == IDLE:
            self.report("SESSION CANCEL REQUEST")

    # ---- set-up

    def _ack(self) -> bytes:
        return b""

    def _config(self, level: int, columns: int, rows: int, display: int) -> bytes:
        s = self.settings
        self._columns = columns * rows
        self.bus.mode = self.spec.mode(min(level, s["level"]), self.bus.mode.features)
        options = sum(s[name] << bit for bit, name in enumerate(("refunds", "multivend", "display", "cash_sales")))
        return self.reply(
            "CONFIG", level=min(level, s["level"]), currency=s["currency"], scale=s["scale"], decimals=s["decimals"],
            response_s=s["response_s"], options=options,
        )  # fmt: skip

    def _prices(self, highest: int, lowest: int, currency: str = "") -> bytes:
        return b""

    def _offered_features(self) -> int:
        names = {"wide": WIDE, "negative_vend": NEGATIVE, "data_entry": ENTRY, "always_idle": ALWAYS_IDLE}
        return sum(self.settings[name] << bit for name, bit in names.items())

    def _identification(self, **_) -> bytes:
        more = {"features": self._offered_features()} if self.bus.mode.level >= 3 else {}
        return self.reply("IDENTIFICATION", serial="000000000003", model="READER", **IDENTITY, **more)

    def _features(self, features: int) -> bytes:
        self.bus.mode = self.spec.mode(self.bus.mode.level, features & self._offered_features())
        return b""

    def _cancel(self) -> bytes:
        return self.reply("CANCELLED")

    def _time(self, stamp: str) -> bytes:
        self.stamp = stamp
        return b""

    def _entry(self, data: str) -> bytes:
        self.entered = data
        return b""

    def _cash_sale(self, price: int, item: int, currency: str = "") -> bytes:
        self.sales.append((price * self.settings["scale"], item))
        return b""

    # ---- vends

    def _vend(self, price: int, item: int) -> bytes:
        return self._ask(price, -1)

    def _negative_vend(self, price: int, item: int) -> bytes:
        return self._ask(price, +1)

    def _ask(self, price: int, sign: int) -> bytes:
        self._price, self._sign, self._decision = price * self.settings["scale"], sign, None
        self._stale()
        self.drop("BEGIN SESSION")  # always idle: the vend was first
        if self.never_answers:
            return b""
        if not self.card_in:
            self._awaits_card = True
            self.after(max(self.settings["response_s"] - 1, 0), self._no_card, self._turn)
            return b""
        return self._ponder(self.reply)

    def _no_card(self, turn: int) -> None:
        if turn == self._turn and self._awaits_card:
            self._awaits_card = False
            self._deny()

    def _ponder(self, say) -> bytes:
        """Decide, after the time that it takes."""
        online = self.settings["online_s"]
        wait = self.settings["decide_s"] + (self.rng.uniform(*online) if online else 0)
        if not wait:
            return self._decide(self._turn, say)
        self.after(wait, self._decide, self._turn)
        return b""

    def _decide(self, turn: int, say=None) -> bytes | None:
        if turn != self._turn or self._decision:
            return None
        if not self._affordable() or (self._vends and not self.settings["multivend"]):
            return self._deny(say)
        self._decision = "approved"
        self._tell("approved")
        return (say or self.report)("VEND APPROVED", amount=self._price // self.settings["scale"])

    def _affordable(self) -> bool:
        if self.funds is None:
            return self._sign < 0
        after = self.funds + self._sign * self._price
        return 0 <= after <= (self.settings["card_most"] or after)

    def _deny(self, say=None) -> bytes | None:
        self._decision = "denied"
        self._tell("denied")
        return (say or self.report)("VEND DENIED")

    def _settled(self) -> None:
        """The vend is over."""
        self._price, self._decision, self._awaits_card = 0, None, False
        self._stale()
        if self._leaving:
            self._leaving = False
            self.report("SESSION CANCEL REQUEST")

    def _vend_cancel(self) -> bytes:
        if self._decision == "approved":
            if self.settings["binding"] or self.was_said("VEND APPROVED"):
                return b""  # the controller gets the approval, or has it
            self.drop("VEND APPROVED")
        elif self._decision == "denied":
            return self._offer() if len(self._events) == 1 else b""
        self._awaits_card = False
        return self._deny(self.reply)

    def _success(self, item: int) -> bytes:
        self._charge()
        self._vends += 1
        self._settled()
        return b""

    def _charge(self) -> None:
        if self.funds is not None:
            self.funds += self._sign * self._price
        self._tell("charged")

    def _failure(self) -> bytes:
        kept = self._sign < 0 and (self.refund_fails or not self.settings["refunds"])
        if kept:
            self._charge()
        else:
            self._tell("uncharged")
        self._settled()
        return self.reply("MALFUNCTION", error=REFUND_FAILED) if kept else b""

    def _complete(self) -> bytes:
        if self._closing:  # again: its answer was lost
            return self._offer() if len(self._events) == 1 else b""
        self._closing = True
        if self.card_in:
            self._tell("out")
        self.card_in, self.funds = False, None
        if not self.settings["close_s"]:
            return self.reply("END SESSION")
        self.after(self.settings["close_s"], self.report, "END SESSION")
        return b""

    # ---- revalue

    def _room(self) -> int:
        """What may be added to the card, minor units."""
        return 0 if self.funds is None else max(self.settings["card_most"] - self.funds, 0)

    def _revalue(self, amount: int) -> bytes:
        credit = amount * self.settings["scale"]
        if credit > self._room():
            return self.reply("REVALUE DENIED")
        self._credit = credit
        self._stale()
        if not self.settings["decide_s"]:
            return self._revalued(self._turn, self.reply)
        self.after(self.settings["decide_s"], self._revalued, self._turn)
        return b""

    def _revalued(self, turn: int, say=None) -> bytes | None:
        if turn != self._turn:
            return None
        more = {"amount": self._credit // self.settings["scale"]} if self.bus.mode.wide else {}
        return (say or self.report)("REVALUE APPROVED", **more)

    def _limit(self) -> bytes:
        room = self._room()
        return self.reply("REVALUE LIMIT", limit=self._told(room)) if room else self.reply("REVALUE DENIED")
