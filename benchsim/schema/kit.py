"""A link on which one side asks and the other answers, or one side only reports: read from a protocol file.

From the file come framing, check, operations with their layouts, events, limits. Parsing is cached by
the body's bytes: a bus at rest says the same things over and over.
"""

from functools import lru_cache
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.check import Check, parse_check
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat, only, parse_limits, parse_word


class Framing(NamedTuple):
    """Byte-stuffed frames between flags (RFC 1662 §4.2)."""

    flag: int
    escape: int
    flip: int


class Operation(NamedTuple):
    """One thing that the asking side can ask for."""

    code: int
    name: str
    request: Layout
    answer: Layout
    carries_events: bool


class EventSpec(NamedTuple):
    """One kind of event that an answer to POLL can carry."""

    code: int
    name: str
    data: Layout


class Event(NamedTuple):
    """An event as carried: `raw` is its data."""

    number: int
    code: int
    name: str
    fields: dict
    raw: bytes


class Request(NamedTuple):
    """A parsed request body."""

    op: int
    name: str
    seq: int
    fields: dict


class Answer(NamedTuple):
    """A parsed answer body; `fields` is empty unless `status` is 0."""

    op: int
    name: str
    seq: int
    status: int
    fields: dict


class KitSpec:
    """One such link. Attributes are read-only."""

    def __init__(self, table: dict, place: str):
        kind = table.get("kind")
        base = {"kind", "name", "title", "asks", "answers", "source", "word", "framing", "check", "body", "limits"}
        only(table, place, base | ({"operation", "event", "status", "state"} if kind == "kit" else set()))
        self.name, self.title, self.source = table["name"], table["title"], table["source"]
        self.asks, self.answers = table["asks"], table["answers"]
        self.word: WordFormat = parse_word(table["word"], f"{place}: word")
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        only(table["framing"], f"{place}: framing", {"style", "flag", "escape", "flip"})
        if table["framing"]["style"] != "flags":
            raise UsageError(f'{place}: framing.style: expected "flags", not {table["framing"]["style"]!r}')
        self.framing = Framing(*(table["framing"][k] for k in ("flag", "escape", "flip")))
        self.check: Check = parse_check(table["check"], f"{place}: check")
        body = table["body"]
        only(body, f"{place}: body", {"least", "most"}, {"answer_bit", "report"})
        self.least, self.most = body["least"], body["most"]
        self.answer_bit = body.get("answer_bit", 0x80)
        self.report = Layout(body["report"], f"{place}: body.report") if "report" in body else None
        self.statuses = {int(k): v for k, v in table.get("status", {}).items()}
        self.states = {int(k): v for k, v in table.get("state", {}).items()}
        self.operations: dict[int, Operation] = {}
        for i, one in enumerate(table.get("operation", ())):
            self._add_operation(one, f"{place}: operation[{i}]")
        self.events: dict[int, EventSpec] = {}
        for i, one in enumerate(table.get("event", ())):
            self._add_event(one, f"{place}: event[{i}]")
        self.by_name = {op.name: op for op in self.operations.values()}
        self.event_by_name = {e.name: e for e in self.events.values()}
        self.parse_request = lru_cache(4096)(self._parse_request)
        self.parse_answer = lru_cache(4096)(self._parse_answer)
        self.parse_report = lru_cache(4096)(self._parse_report)

    def _add_operation(self, one: dict, place: str) -> None:
        only(one, place, {"name", "code"}, {"request", "answer", "carries_events"})
        code = one["code"]
        if not 0 <= code < self.answer_bit or code in self.operations:
            raise UsageError(f"{place}.code: {code:#04x} stands twice or does not fit")
        if any(op.name == one["name"] for op in self.operations.values()):
            raise UsageError(f"{place}.name: {one['name']!r} stands twice")
        request = Layout(one.get("request", []), f"{place}.request")
        answer = Layout(one.get("answer", []), f"{place}.answer")
        if sum(f.least for f in request.fields) + 2 > self.most:
            raise UsageError(f"{place}.request: longer than a body of {self.most} bytes")
        self.operations[code] = Operation(code, one["name"], request, answer, one.get("carries_events", False))

    def _add_event(self, one: dict, place: str) -> None:
        only(one, place, {"name", "code"}, {"data"})
        if one["code"] in self.events or any(e.name == one["name"] for e in self.events.values()):
            raise UsageError(f"{place}: code {one['code']:#04x} or name {one['name']!r} stands twice")
        self.events[one["code"]] = EventSpec(one["code"], one["name"], Layout(one.get("data", []), f"{place}.data"))

    # ---- requests and answers

    def _parse_request(self, body: bytes) -> Request:
        op = self.operations.get(body[0])
        if op is None:
            raise Misfit("unknown", f"no operation {body[0]:#04x}")
        return Request(op.code, op.name, body[1], op.request.parse(body[2:]))

    def _parse_answer(self, body: bytes) -> Answer:
        op = self.operations.get(body[0] ^ self.answer_bit)
        if op is None:
            raise Misfit("unknown", f"no operation behind kind {body[0]:#04x}")
        if len(body) < 3:
            raise Misfit("length", "an answer without a status")
        status = body[2]
        if status not in self.statuses:
            raise Misfit("range", f"status = {status}")
        if status:
            if len(body) > 3:
                raise Misfit("length", "a status other than 0 stands alone")
            return Answer(op.code, op.name, body[1], status, {})
        fields = op.answer.parse(body[3:])
        if op.carries_events:
            fields["events"] = self._parse_events(fields["count"], fields.pop("queue"))
        return Answer(op.code, op.name, body[1], 0, fields)

    def _parse_events(self, count: int, data: bytes) -> list[Event]:
        events, at = [], 0
        for _ in range(count):
            if at + 3 > len(data):
                raise Misfit("length", f"{count} events announced, the answer ends before")
            number, code, length = data[at : at + 3]
            raw = data[at + 3 : at + 3 + length]
            if len(raw) != length:
                raise Misfit("length", "an event is cut")
            spec = self.events.get(code)
            if spec is None:
                raise Misfit("range", f"event code = {code:#04x}")
            events.append(Event(number, code, spec.name, spec.data.parse(raw), raw))
            at += 3 + length
        if at != len(data):
            raise Misfit("length", f"{len(data) - at} bytes behind the last event")
        return events

    def _parse_report(self, body: bytes) -> dict:
        return self.report.parse(body)

    def build_request(self, name: str, seq: int, **fields) -> bytes:
        """The body of a request; Misfit for values that do not fit."""
        op = self.by_name[name]
        return bytes((op.code, seq)) + op.request.build(fields)

    def build_answer(self, name: str, seq: int, status: int = 0, **fields) -> bytes:
        """The body of an answer. POLL takes `events` as a list of `Event` or (number, code, raw)."""
        op = self.by_name[name]
        head = bytes((op.code | self.answer_bit, seq, status))
        if status:
            return head
        if op.carries_events:
            events = fields.pop("events")
            fields |= {"count": len(events), "queue": b"".join(self.pack_event(e) for e in events)}
        return head + op.answer.build(fields)

    @staticmethod
    def pack_event(event) -> bytes:
        """number, code, length, data."""
        number, code, raw = event[0], event[1], event[-1]
        return bytes((number, code, len(raw))) + raw

    def build_report(self, **fields) -> bytes:
        """The body of a report of the side that speaks unasked."""
        return self.report.build(fields)

    # ---- for people

    def text(self, body: bytes) -> str:
        """One line that a person can read, whatever the bytes are."""
        try:
            if self.report is not None:
                return "report " + _pairs(self.parse_report(body))
            if body and body[0] & self.answer_bit:
                a = self.parse_answer(body)
                what = self.statuses[a.status] if a.status else _pairs(a.fields)
                return f"{a.name} answer seq {a.seq}: {what or 'ok'}"
            r = self.parse_request(body)
            return f"{r.name} seq {r.seq}" + (f": {_pairs(r.fields)}" if r.fields else "")
        except (Misfit, IndexError) as error:
            return f"{body.hex(' ')} ({error})"


def _pairs(fields: dict) -> str:
    parts = []
    for name, value in fields.items():
        if name == "events":
            parts += [f"[{e.number} {e.name} {_pairs(e.fields)}]".replace(" ]", "]") for e in value]
        else:
            parts.append(f"{name} {value}")
    return ", ".join(parts)
