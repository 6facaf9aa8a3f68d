"""Coils: one VEND turns one coil once, and nothing turns with the door open."""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.books import NewEvents, Vends
from benchsim.judge.door_read import DoorRead
from benchsim.judge.money_rules import off_the_links
from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment

DOOR_STOP = 1 * TICKS_PER_SECOND  # a turning coil stops within it after the door opens; common practice
WIRING = ("coil", "row", "column")  # words in a fault's name that make what turns a symptom


def _surveys():
    """[is a survey under way?] and the calls that keep it so."""
    under_way = [False]

    def answer(x, heard):
        if x.name == "SURVEY" and x.ok:
            under_way[0] = True
        elif x.name == "POLL" and x.ok and any(e.name == "SURVEY-DONE" for e in heard.message.fields["events"]):
            under_way[0] = False

    return under_way, answer


def _where(data: dict) -> tuple[int, int]:
    return data["row"], data["column"]


@rule("SYS-ONE-COIL", judged="board", link="kit", source="kit link reference")
def one_coil(tally, judge):
    """One VEND drives one coil once."""
    board = judge.book.kit.answers
    vends, events = Vends(), NewEvents()
    surveying, survey = _surveys()
    miswired = []

    def answer(x, heard):
        vends.answer(x)
        survey(x, heard)
        if x.name == "POLL" and x.ok:
            for event in events.of(heard):
                if event.name == "VEND-DONE":
                    vends.done(event)

    def coil(h):
        if h.data["state"] != "start" or surveying[0]:
            return
        row, column = _where(h.data)
        place = Moment(h.time, f"coil row {row}, column {column} starts")
        vend = next((v for v in vends.open if _where(v) == (row, column) and not v.get("turned")), None)
        if vend:
            vend["turned"] = True
            tally.check(board, True, place)
        elif not miswired:
            asked = [v for v in vends.open if _where(v) == (row, column)]
            tally.check(board, False, place, "a second time" if asked else "no VEND asks for it")

    def fault(h):
        name = " ".join(str(value) for value in h.data.values()).replace("-", " ").split()
        if any(word in name for word in WIRING):
            miswired.append(name)

    def restart(seat):
        if seat == board:
            vends.open.clear()
            surveying[0] = False

    return off_the_links(tally, judge, [board]) | {
        "kit.request": vends.request, "kit.answer": answer, "kit.restart": restart,
        "happening.coil": coil, "happening.fault": fault, "handed over": events.skip,
    }  # fmt: skip


@rule("SYS-DOOR", judged="board", source="common practice")
def door(tally, judge):
    """No coil starts with the door open; one that turns stops within 1 s."""
    board = judge.book.kit.answers
    turning = {}  # (row, column) -> since when
    surveying, survey = _surveys()
    front = DoorRead()  # no board knows more of its door

    def moved(h):
        if not front.changed(h):
            return
        if not front.reads:
            tally.check(board, True, Moment(h.time, "the door closes"))
        elif turning and not surveying[0]:
            judge.at(h.time + DOOR_STOP, still, h.time)

    def still(opened):
        if surveying[0]:
            return
        late = [where for where, since in turning.items() if since <= opened]
        told = "".join(f", coil row {row}, column {column} turns on" for row, column in late)
        tally.check(board, not late, Moment(opened, f"the door opens{told}"))

    def coil(h):
        where = _where(h.data)
        if h.data["state"] == "stop":
            turning.pop(where, None)
            return
        turning[where] = h.time
        if front.reads and not surveying[0]:
            tally.check(board, False, Moment(h.time, f"coil row {where[0]}, column {where[1]} starts, the door is open"))

    return off_the_links(tally, judge, [board]) | {
        "kit.answer": survey, "happening.door": moved, "happening.door-switch": moved, "happening.coil": coil,
    }  # fmt: skip
