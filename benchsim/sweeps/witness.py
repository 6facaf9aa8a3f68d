"""Who looks at a bench while it runs, and keeps what a technician or a log could: numbers and last words, no story.

Nothing is read that only the simulation knows; that a fault was laid is told in the trace and not looked at here.
Listens to what the judge's followers tell of the links, and to happenings that somebody at the machine sees or hears.
"""

from collections import Counter

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge import Judge
from benchsim.links.audit_text import AuditText
from benchsim.seats.payment_desks import LOST

SPAN = 4096  # of a touch coordinate


class Witness:
    """`settings`: what is known of the machine beforehand (its size, the prices on the tags); `utc`: the right time at the
    start, None where it is not known.
    """

    def __init__(self, judge: Judge, settings, utc: int | None = None):
        self.judge, self.settings, self.utc = judge, settings, utc
        self._word = judge.book.kit.word.ticks
        self.book = judge.book
        # off the links
        self.screens: list[tuple[int, str]] = []
        self.taps: list[tuple[int, int, int]] = []
        self.coins, self.bills, self.cards = Counter(), Counter(), Counter()
        self.drops = self.paid = 0
        self.turning: dict[tuple, int] = {}
        self.turns: list[int] = []
        self.most_turning = 0
        # kit link
        self.frames, self.broken, self.requests = Counter(), Counter(), Counter()
        self.tries = 0
        self.waits: list[int] = []
        self.credited = Counter()
        self.owed = 0
        self.vends, self.vend_status, self.outcomes = [], Counter(), Counter()
        self.devices: dict[int, tuple[int, int]] = {}
        self.losses, self.events = Counter(), Counter()
        self.told_clock: str | None = None
        self.survey: list[int] | None = None
        self.counters: dict | None = None
        self.supply: list[int] = []
        self.cause: int | None = None  # of the board's last start
        self.told_air: int | None = None
        self.lockout = 0
        self.cold: dict | None = None
        self.audit: str | None = None
        self.text: AuditText | None = None  # what was read last
        self.holes = 0  # broken frames with words missing
        self.lit: bool | None = None  # the screen; None: never
        self.lights: dict[str, bool] = {}  # of the payment devices
        # bus and panel
        self.asked, self.quiet, self.naks, self.spoilt = Counter(), Counter(), Counter(), Counter()
        self.resets, self.starts = Counter(), Counter()
        self.spoilt_in_turns = 0
        self.reports = self.bad_reports = self.panel_starts = 0
        self.rates: dict[str, str] = {}
        self.places = Counter()
        self.held_since: int | None = None
        self.longest = 0
        for kind, call in {
            "happening": self._happening, "kit.frame": self._frame, "kit.request": self._request, "kit.try": self._try,
            "kit.answer": self._answer, "kit.events": self._events, "bus.done": self._exchange, "panel.frame": self._report,
            "audit.text": self._text,
        }.items():  # fmt: skip
            judge.calls(kind).append(call)

    # ---- off the links

    def _happening(self, happening) -> None:
        data, now = happening.data, happening.time
        match happening.seat, happening.kind:
            case "host", "screen":
                self.screens.append((now, data["text"]))
            case "host", "power":
                self.lit = data["on"] or (None if self.lit is None else False)
            case "bench", "lights":
                self.lights = data
            case "panel", "power":
                self.panel_starts += data["on"]
            case "panel", "tap":
                self.taps.append((now, data["row"], data["column"]))
            case _, "coin":
                self.coins["back" if data["to"] == "return" else "in"] += 1
            case _, "bill":
                self.bills[data["to"]] += 1
            case _, "card":
                self.cards[data["state"]] += 1
            case _, "payout":
                self.paid += data["value"]
            case "machine", "drop":
                self.drops += 1
            case "machine", "cold":
                self.cold = data
            case _, "audit":
                self.audit = data["state"]
            case "machine", "coil":
                self._coil((data["row"], data["column"]), data["state"], now)

    def _coil(self, where: tuple, state: str, now: int) -> None:
        if state == "start":
            self.turning[where] = now
            self.most_turning = max(self.most_turning, len(self.turning))
        elif where in self.turning:
            self.turns.append(now - self.turning.pop(where))

    # ---- kit link

    def _frame(self, heard) -> None:
        side = "host" if heard.out else "board"
        self.frames[side] += 1
        self.broken[side] += bool(heard.broken)
        self.holes += bool(heard.broken) and heard.worst_gap >= self._word

    def _request(self, x) -> None:
        self._tried(x)
        self.requests[x.name] += 1
        if x.name == "CLOCK" and self.utc is not None and x.fields:
            away = abs(x.fields["utc"] - self.utc - self.judge.now // TICKS_PER_SECOND)
            self.told_clock = "wrong" if away > 86_400 else "right"
        if x.name == "VEND" and x.fields and self.taps:
            self.vends.append((x.fields["row"], x.fields["column"]) == self.taps[-1][1:])

    def _try(self, x, heard, previous) -> None:
        self._tried(x)

    def _tried(self, x) -> None:
        self.tries += 1

    def _answer(self, x, heard) -> None:
        self.waits.append(x.waited)
        fields = heard.message.fields
        if x.name == "VEND":
            self.vend_status[x.status] += 1
        elif x.name == "RESET" and x.ok:
            self.cause = fields["cause"]
        elif x.name == "SURVEY-READ" and x.ok:
            self.survey = fields["rows"]
        elif x.name == "COUNTERS" and x.ok:
            self.counters = fields

    def _events(self, x, heard, fresh) -> None:
        for event in fresh:
            f = event.fields
            self.events[event.name] += 1
            if event.name == "CREDIT":
                self.credited[f["source"]] += 1
            elif event.name == "VEND-DONE":
                self.outcomes[f["outcome"]] += 1
            elif event.name == "PAYOUT":
                self.owed = f["owed"]
            elif event.name == "DEVICE":
                self.devices[f["address"]] = f["condition"], f["code"]
                self.losses[f["address"]] += f["condition"] == LOST
            elif event.name == "TEMPERATURE":
                self.told_air = f["tenths"]
            elif event.name == "LOCKOUT":
                self.lockout = f["reason"] if f["set"] else 0
            elif event.name == "SUPPLY":
                self.supply.append(f["millivolts"])

    # ---- bus, panel

    def _exchange(self, x) -> None:
        seat = x.seat
        if seat is None:
            return
        self.asked[seat] += 1
        self.quiet[seat] += x.kind is None
        self.naks[seat] += x.kind == "nak"
        spoilt = x.again or any(heard.broken for heard in x.answers)
        self.spoilt[seat] += spoilt
        self.spoilt_in_turns += spoilt and bool(self.turning)
        self.resets[seat] += x.name == "RESET"
        self.starts[seat] += any(message.name == "JUST RESET" for message in x.messages)
        if x.answers and seat not in self.rates:
            self._rate(seat, x.answers[0])

    def _rate(self, seat: str, heard) -> None:
        """How long the words of a device are, by its first answer of several."""
        if len(heard.words) < 3 or heard.broken:
            return
        off = (heard.end - heard.start) / len(heard.words) / self.book.bus.word.ticks - 1
        self.rates[seat] = "right" if abs(off) < 0.015 else "slow" if off > 0 else "fast"

    def _text(self, text: AuditText, heard) -> None:
        self.text = text

    def _report(self, heard) -> None:
        self.reports += 1
        self.bad_reports += heard.message is None
        if heard.message is None:
            return
        if heard.message["down"]:
            if self.held_since is None and self.taps:
                self.places[self._place(heard.message["x"], heard.message["y"])] += 1
            self.held_since = heard.start if self.held_since is None else self.held_since
            self.longest = max(self.longest, heard.start - self.held_since)
        else:
            self.held_since = None

    def _place(self, x: int, y: int) -> str:
        """Where the panel says that the last tap was."""
        _, row, column = self.taps[-1]
        fx, fy = (2 * column + 1) / (2 * self.settings.columns), (2 * row + 1) / (2 * self.settings.rows)
        px, py = x / SPAN, y / SPAN
        for name, (gx, gy) in {"right": (fx, fy), "upside down": (1 - fx, 1 - fy), "axes swapped": (fy, fx)}.items():
            if abs(px - gx) < 0.02 and abs(py - gy) < 0.02:
                return name
        return "elsewhere"
