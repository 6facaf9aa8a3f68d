"""The touch panel's line, and what the host does with it. Source: touch panel reference."""

from benchsim.events import TICKS_PER_SECOND, LinkInfo
from benchsim.judge.core import Judge
from benchsim.judge.kit_talk import Heard
from benchsim.judge.registry import follows, rule
from benchsim.judge.tally import Moment
from benchsim.links.kit_frames import reader_of
from benchsim.schema.fields import Misfit

REFERENCE = "touch panel reference"


@follows("panel")
class PanelTalk:
    """Bursts of the panel to "panel.frame" (Heard)."""

    def __init__(self, judge: Judge, info: LinkInfo):
        self.judge, self.spec = judge, judge.book.panel
        self.reader = reader_of(self.spec, strict_gaps=not info.chunks)
        self._number = None
        self._frames = judge.calls("panel.frame")
        judge.calls("happening.power").append(self._power)

    def burst(self, burst) -> None:
        """Bytes of the panel; the host says nothing on this line."""
        if burst.out:
            return
        deadline = self.reader.deadline
        if deadline is not None and burst.start > deadline:
            self._tell(self.reader.expire(burst.start))
        if self.reader.begun is None and self._number is None:
            self._number = self.judge.number()
        self._tell(self.reader.feed(burst))
        if self.reader.begun is not None and self._number is None:
            self._number = self.judge.number()

    def close(self, end: int) -> None:
        """What the end cuts is not judged."""
        deadline = self.reader.deadline
        if deadline is not None and end > deadline:
            self._tell(self.reader.expire(end))

    def _tell(self, frames) -> None:
        for frame in frames:
            number, self._number = self._number, None
            heard = Heard(frame, number or self.judge.number(), self.spec.answers, self.spec)
            if not heard.broken:
                try:
                    heard.message = self.spec.parse_report(heard.body)
                    self.judge.heard(heard.seat)
                except Misfit as misfit:
                    heard.misfit = misfit
            for call in self._frames:
                call(heard)

    def _power(self, happening) -> None:
        if happening.seat == self.spec.answers:
            self.reader, self._number = reader_of(self.spec), None


@rule("PNL-FRAME", "panel", link="panel", source="RFC 1662 §4.2, appendix C; touch panel reference")
def reports_whole(tally, judge):
    """Framing, check, length and ranges of every report are right."""

    def frame(heard):
        wrong = ", ".join(heard.broken) or str(heard.misfit or "")
        tally.check(heard.seat, not wrong, heard, wrong)

    return {"panel.frame": frame}


@rule("PNL-RATE", "panel", link="panel", limit="report")
def reports_in_time(tally, judge):
    """While a finger is down reports follow each other within the limit; an idle panel reports as often as the
    limit `heartbeat` says.
    """
    idle = judge.book.panel.limits["heartbeat"].high
    last = None
    since = 0  # its start

    def frame(heard):
        nonlocal last, since
        if heard.message is None:
            return
        if last is not None:
            gap = heard.start - since
            if last.message["down"]:
                tally.measure(heard.seat, gap, heard, f"{gap * 1000 // TICKS_PER_SECOND} ms after the last")
            else:
                late = gap > idle and gap > idle + judge.doubt("panel", since, heard.start)
                tally.check(heard.seat, not late, heard, f"idle for {gap / TICKS_PER_SECOND:.3f} s" if late else "")
        last, since = heard, heard.start

    def moved(by):
        nonlocal since
        since += by

    def power(happening):
        nonlocal last
        if happening.seat == judge.book.panel.answers:
            last = None

    return {"panel.frame": frame, "happening.power": power, "panel moved": moved}


@rule("PNL-RELEASE", "panel", link="panel", source=REFERENCE)
def releases_follow_touches(tally, judge):
    """After every touch one report says that the finger has left, before the panel is idle."""
    idle = judge.book.panel.limits["heartbeat"].high
    touch = None  # the last report, if the finger was down

    def frame(heard):
        nonlocal touch
        if heard.message is None:
            return
        down = heard.message["down"]
        if touch is not None:
            if not down:
                tally.check(heard.seat, True, heard)
            elif heard.start - touch.start > idle + judge.doubt("panel", touch.start, heard.start):
                tally.check(heard.seat, False, heard, "the touch before it never ended")
        touch = heard if down else None

    def end(tick):
        if touch is not None and tick - touch.start > idle + judge.doubt("panel", touch.start, tick):
            tally.check(touch.seat, False, touch, "this touch never ended")

    def power(happening):
        nonlocal touch
        if happening.seat == judge.book.panel.answers:
            touch = None

    return {"panel.frame": frame, "end": end, "happening.power": power}


UNREADABLE = "the bench cannot read this host's screen"
REACTS = 1 * TICKS_PER_SECOND  # a screen is drawn anew; common practice


@rule("PNL-LOST", "host", link="panel", limit="lost", unseen=UNREADABLE)
def shows_itself_out_of_order(tally, judge):
    """A host that hears no report for the limit's time shows itself out of order."""
    host, limit = judge.book.panel.asks, judge.book.panel.limits["lost"].high
    shown = None  # is it out of order, as its screen tells; None: nothing is read
    since = 0  # the host's start, or the last report
    on = False
    armed = 0

    def again(now):
        nonlocal since, armed
        since, armed = now, armed + 1
        if on:
            judge.at(now + limit + REACTS + judge.doubt("panel", now, now), look, armed, link="panel")

    def moved(by):
        again(since + by)

    def look(number):
        if number == armed and shown is not None:
            silent = f"no report for {(judge.now - since) / TICKS_PER_SECOND:.1f} s"
            tally.check(host, shown, Moment(judge.now, silent + ("" if shown else ", and it looks as if it were well")))

    def screen(h):
        nonlocal shown
        if h.seat == host and "out_of_order" in h.data:
            shown = h.data["out_of_order"]

    def power(h):
        nonlocal on, shown
        if h.seat == host:
            on, shown = h.data["on"], None if h.data["on"] else shown
            again(h.time)

    def frame(heard):
        if heard.message is not None:
            again(heard.end)

    def end(tick):
        if shown is not None:
            tally.unseen(host, "the panel was never silent for so long")

    judge.panel_alarms.add(look)
    return {"panel.frame": frame, "happening.screen": screen, "happening.power": power, "end": end, "panel moved": moved}


@rule("PNL-STUCK", "host", link="panel", limit="stuck")
def stuck_touch_sells_nothing(tally, judge):
    """A touch held longer than the limit starts no sale, neither while it lasts nor by its release."""
    host, limit = judge.book.panel.asks, judge.book.panel.limits["stuck"].high
    since = None  # the first report of the touch under way
    released = None  # the release of a stuck one, until the next touch

    def frame(heard):
        nonlocal since, released
        if heard.message is None:
            return
        if heard.message["down"]:
            since, released = since or heard, None
            return
        if since is not None and heard.start - since.start > limit:
            tally.check(host, True, heard)
            released = heard
        since = None

    def request(x):
        if x.name != "VEND" or x.repeat:
            return
        if since is not None and x.first.start - since.start > limit:
            tally.check(host, False, x.first, "a sale, while the touch has been stuck for long")
        elif released is not None:
            tally.check(host, False, x.first, "a sale, and the last touch was a stuck one")

    def end(tick):
        if since is not None and tick - since.start > limit:
            tally.check(host, True, since)

    return {"panel.frame": frame, "kit.request": request, "end": end}
