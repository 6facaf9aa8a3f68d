"""Cashless reader (MDB/ICP 4.3 §7): its states, a card's session, vends.

Not modelled: real cards and networks, revalue (always denied), negative vend, data entry, always idle.
"""

from typing import ClassVar

from benchsim.seats.peripheral import IDENTITY, Peripheral

INACTIVE, DISABLED, ENABLED, SESSION_IDLE, VEND = range(1, 6)  # as OUT OF SEQUENCE tells them
_SESSION = {SESSION_IDLE, VEND}
_ANY = {INACTIVE, DISABLED, ENABLED, SESSION_IDLE, VEND}

# In which states a command is in order. What is not listed always is.
_ALLOWED = {
    "VEND REQUEST": {SESSION_IDLE}, "VEND CANCEL": {VEND}, "VEND SUCCESS": {VEND}, "VEND FAILURE": {VEND},
    "SESSION COMPLETE": {SESSION_IDLE}, "READER ENABLE": _ANY - {INACTIVE}, "READER DISABLE": _ANY - {INACTIVE},
    "READER CANCEL": {ENABLED, DISABLED}, "CASH SALE": _ANY - {INACTIVE},
}  # fmt: skip


class Cashless(Peripheral):
    """`card(funds)`, `pull()`. Amounts in minor units (scale x what goes over the bus)."""

    SPEC = "cashless"
    SETTINGS: ClassVar[dict] = {
        "level": 2,
        "currency": "1978",  # ISO 4217 numeric after a 1
        "scale": 1,
        "decimals": 2,
        "response_s": 5,
        "wide": False,  # offers 32-bit money (level 3)
        "decide_s": 0.8,  # from VEND REQUEST to its answer
    }
    HANDLERS: ClassVar[dict[str, str]] = {
        "SETUP CONFIG": "_config", "SETUP PRICES": "_prices", "IDENTIFICATION": "_identification",
        "FEATURES": "_features", "READER ENABLE": "_enable", "READER DISABLE": "_disable", "READER CANCEL": "_cancel",
        "VEND REQUEST": "_vend", "VEND CANCEL": "_vend_cancel", "VEND SUCCESS": "_success",
        "VEND FAILURE": "_failure", "SESSION COMPLETE": "_complete", "CASH SALE": "_cash_sale",
        "REVALUE REQUEST": "_no_revalue", "REVALUE LIMIT": "_no_revalue", "TIME AND DATE": "_time",
    }  # fmt: skip

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        self.state = INACTIVE
        self.funds: int | None = None  # of the card in the reader; None: not known, or no card
        self.never_answers = False  # a fault: VEND REQUEST stays without an answer
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.cleared()

    def cleared(self) -> None:
        self.state = INACTIVE
        self._set_up: set[str] = set()
        self._wanted = False  # READER ENABLE was the last word
        self._price: int | None = None  # of the vend under way
        self._approved = False
        self._leaving = False  # the card was pulled while a vend was under way

    def halted(self) -> None:
        if self.state in _SESSION:
            self._tell("out")
        self.funds = None

    # ---- the customer

    @property
    def takes(self) -> bool:
        """Would it begin a session with a card?"""
        return self.on and self.state == ENABLED

    def card(self, funds: int | None) -> bool:
        """A card with these funds (None: it does not tell) is held up. False: not taken now."""
        if not self.on or self.state != ENABLED:
            self.happen("card", funds=funds, state="refused")
            return False
        self.funds, self.state, self._leaving = funds, SESSION_IDLE, False
        self._tell("in")
        more = {"media": bytes(4), "payment": 0, "data": bytes(2)} if self.bus.mode.level >= 2 else {}
        if self.bus.mode.wide:
            more |= {"language": "en", "currency": self.settings["currency"], "options": 0}
        self.report("BEGIN SESSION", funds=self._most() if funds is None else self._shown(funds), **more)
        return True

    def pull(self) -> None:
        """The customer takes the card or walks away."""
        if self.state == SESSION_IDLE:
            self.report("SESSION CANCEL REQUEST")
        self._leaving = self.state == VEND

    def malfunction(self, code: int) -> None:
        """The reader reports an error of its own (high nibble: what kind)."""
        self.report("MALFUNCTION", error=code)

    def lose_session(self) -> None:
        """A fault: the session is gone and nobody was told."""
        if self.state in _SESSION:
            self._tell("out")
            self._end()

    def _tell(self, state: str) -> None:
        self.happen("card", funds=self.funds, state=state)

    def _most(self) -> int:
        return 0xFFFFFFFF if self.bus.mode.wide else 0xFFFF

    def _shown(self, amount: int) -> int:
        """An amount as the bus carries it; the greatest value stands for "not known"."""
        return min(amount // self.settings["scale"], self._most() - 1)

    # ---- set-up

    def _answer(self, message):
        if self.state not in _ALLOWED.get(message.name, _ANY):
            return self._out_of_sequence()
        return super()._answer(message)

    def _out_of_sequence(self) -> bytes:
        more = {"state": self.state} if self.bus.mode.level >= 2 else {}
        return self.reply("OUT OF SEQUENCE", **more)

    def _config(self, level: int, columns: int, rows: int, display: int) -> bytes:
        s = self.settings
        self._done("SETUP CONFIG")
        return self.reply(
            "CONFIG", level=min(level, s["level"]), currency=s["currency"], scale=s["scale"], decimals=s["decimals"],
            response_s=s["response_s"], options=0b0011,
        )  # fmt: skip

    def _prices(self, highest: int, lowest: int, currency: str = "") -> bytes:
        self._done("SETUP PRICES")
        return b""

    def _done(self, step: str) -> None:
        self._set_up.add(step)
        if self.state == INACTIVE and len(self._set_up) == 2:
            self.state = DISABLED

    def _identification(self, **_) -> bytes:
        more = {"features": 0b10 if self.settings["wide"] else 0} if self.bus.mode.level >= 3 else {}
        return self.reply("IDENTIFICATION", serial="000000000003", model="READER", **IDENTITY, **more)

    def _features(self, features: int) -> bytes:
        offered = 0b10 if self.settings["wide"] else 0
        self.bus.mode = self.spec.mode(self.settings["level"], features & offered)
        return b""

    def _enable(self) -> bytes:
        self._wanted = True
        if self.state == DISABLED:
            self.state = ENABLED
        return b""

    def _disable(self) -> bytes:
        self._wanted = False
        if self.state == ENABLED:
            self.state = DISABLED
        return b""

    def _cancel(self) -> bytes:
        return self.reply("CANCELLED")

    def _time(self, stamp: str) -> bytes:
        return b""

    # ---- sessions

    def _vend(self, price: int, item: int) -> bytes:
        self.state, self._price, self._approved = VEND, price, False
        if not self.never_answers:
            self.after(self.settings["decide_s"], self._decide)
        return b""

    def _decide(self) -> None:
        if self.state != VEND or self._approved:
            return
        if self.funds is not None and self._price * self.settings["scale"] > self.funds:
            self._deny()
        else:
            self._approved = True
            self.report("VEND APPROVED", amount=self._price)
            self._tell("approved")

    def _deny(self) -> None:
        self.report("VEND DENIED")
        self._tell("denied")
        self._to_idle()

    def _to_idle(self) -> None:
        self.state, self._price = SESSION_IDLE, None
        if self._leaving:
            self._leaving = False
            self.report("SESSION CANCEL REQUEST")

    def _vend_cancel(self) -> bytes:
        if self._approved:  # decided already: the master has the answer, or gets it before this one
            return b""
        self._to_idle()
        self._tell("denied")
        return self.reply("VEND DENIED")

    def _success(self, item: int) -> bytes:
        if not self._approved:
            return self._out_of_sequence()
        if self.funds is not None:
            self.funds -= self._price * self.settings["scale"]
        self._tell("charged")
        self._to_idle()
        return b""

    def _failure(self) -> bytes:
        self._tell("uncharged")
        self._to_idle()
        return b""

    def _complete(self) -> bytes:
        self._tell("out")
        self._end()
        return self.reply("END SESSION")

    def _end(self) -> None:
        self.state, self.funds, self._price = (ENABLED if self._wanted else DISABLED), None, None

    def _cash_sale(self, price: int, item: int, currency: str = "") -> bytes:
        return b""

    def _no_revalue(self, **_) -> bytes:
        return self.reply("REVALUE DENIED")
