"""Audit text: segments of elements, as a machine writes them and a reader takes them apart (EVA DTS 6.1, from memory).

    DXS*BSM0000001*…   who sends
    ST*001*0001        a segment: elements between asterisks, CR LF at its end
    …
    G85*1A2B           CRC-16/ARC over the text from ST up to G85 (start value and range: confidence C)
    SE*12*0001         segments from ST to SE, both counted; the control number of ST again
    DXE*1*1

Values are minor units. Nothing here keeps or judges anything: text in, segments and complaints out, or the other
way round.
"""

from typing import NamedTuple

from benchsim.schema.check import Check

END = "\r\n"
CONTROL = "0001"
VERSION = "V0/6"
_CRC = Check("CRC-16/ARC", "big", 2)
_BOTH = ("value", "count", "value since reset", "count since reset")
# What stands in a segment after its name; "" is no number. Without more words: since initialisation.
ELEMENTS = {
    "VA1": _BOTH,
    "VA2": _BOTH,
    "VA3": _BOTH,
    "CA2": _BOTH,
    "CA3": ("in since reset", "box since reset", "tubes since reset", "bills since reset", "in", "box", "tubes",
            "bills"),
    "CA4": ("out since reset", "by hand since reset", "out", "by hand"),
    "CA10": ("filled since reset", "filled"),
    "CA15": ("tubes hold",),
    "DA2": _BOTH,
    "PA1": ("", "price"),
    "PA2": ("count", "value", "count since reset", "value since reset"),
    "PA4": ("count", "value", "count since reset", "value since reset"),
    "EA2": ("", "count since reset", "count"),
    "EA7": ("outages since reset", "outages"),
}  # fmt: skip
TITLES = {
    "DXS": "start", "ST": "begins", "ID1": "machine", "ID4": "currency", "VA1": "paid vends", "VA2": "test vends",
    "VA3": "free vends", "CA1": "changer", "CA2": "cash sales", "CA3": "cash in", "CA4": "cash out",
    "CA10": "tubes filled by hand", "CA15": "tubes", "BA1": "validator", "DA1": "reader", "DA2": "cashless sales",
    "PA1": "selection", "PA2": "sold", "PA4": "given free", "EA2": "event", "EA7": "power outages",
    "G85": "check", "SE": "ends", "DXE": "end",
}  # fmt: skip
CONFIDENCE = {"CA10": "B", "CA15": "B", "EA2": "B", "EA7": "B", "PA4": "B", "G85": "C"}  # A for all others
MOST_DIGITS = 18  # a longer run of digits is no number that anybody counted
Segment = tuple[str, ...]  # name, then its elements


class AuditText(NamedTuple):
    """A text taken apart. `wrong`: one line for each thing that no machine should send."""

    segments: tuple[Segment, ...]
    wrong: tuple[str, ...]
    check_right: bool | None  # of G85; None: there is none

    def of(self, name: str) -> list[Segment]:
        """All segments of a name."""
        return [segment for segment in self.segments if segment[0] == name]

    def numbers(self, name: str) -> dict[str, int]:
        """The numbers of the first segment of a name; empty where it is missing."""
        found = self.of(name)
        return numbers(found[0]) if found else {}

    def products(self) -> dict[str, dict[str, int]]:
        """What was sold for money, by selection: the numbers of each PA2 with the price of its PA1."""
        sold, selection = {}, None
        for segment in self.segments:
            if segment[0] == "PA1" and len(segment) > 1:
                selection = segment[1]
                sold[selection] = numbers(segment)
            elif segment[0] == "PA2" and selection is not None:
                sold[selection] |= numbers(segment)
        return sold

    def events(self) -> dict[str, dict[str, int]]:
        """What happened, by the machine's own names: the numbers of each EA2."""
        return {segment[1]: numbers(segment) for segment in self.of("EA2") if len(segment) > 1}


def numbers(segment: Segment) -> dict[str, int]:
    """The numbers of a segment that has any; empty or missing elements count as 0."""
    return {name: _number(segment, n) for n, name in enumerate(ELEMENTS.get(segment[0], ()), 1) if name}


def in_words(segment: Segment) -> str:
    """One line that a person can read."""
    said = "*".join(segment)
    title = TITLES.get(segment[0], "")
    if told := numbers(segment):
        title += f" {segment[1]}:" if ELEMENTS[segment[0]][0] == "" and len(segment) > 1 else ":"
        title += " " + (", ".join(f"{name} {number}" for name, number in told.items() if number) or "0")
    return f"{said:<34} {title}" if title else said


def is_number(text: str) -> bool:
    """Is it a number as a segment may have one?"""
    return text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS


def _number(segment: Segment, at: int) -> int:
    text = segment[at] if at < len(segment) else ""
    return int(text) if is_number(text) else 0


# ---- writing


def frame(segments: list[Segment], id: str) -> str:
    """Segments from ST on, closed by G85 and SE, between DXS and DXE. `id`: 10 characters, who sends."""
    body = "".join("*".join(segment) + END for segment in segments)
    tail = [("G85", f"{check_of(body):04X}"), ("SE", str(len(segments) + 2), CONTROL), ("DXE", "1", "1")]
    head = ("DXS", id, "VA", VERSION, "1")
    return "*".join(head) + END + body + "".join("*".join(segment) + END for segment in tail)


def check_of(body: str) -> int:
    """The number that G85 carries for the text from ST up to it."""
    return _CRC.of(body.encode("ascii", "replace"))


# ---- reading


def parse(data: bytes) -> AuditText:
    """Take a text apart. Never raises: what is wrong stands in `wrong`, the first thing first."""
    text = data.decode("ascii", "replace")
    wrong = [f"byte {n}: {data[n]:02X}, expected ASCII" for n in range(len(data)) if data[n] > 0x7E][:1]
    lines = text.split(END)
    if lines[-1]:
        wrong.append(f"segment {len(lines)}: no CR LF at its end")
    segments = tuple(tuple(line.split("*")) for line in lines if line)
    for n, segment in enumerate(segments, 1):
        wrong += _oddities(n, segment)
    wrong += _frame_oddities(segments) + _product_oddities(segments)
    return AuditText(segments, tuple(wrong), _check_right(text))


def _oddities(n: int, segment: Segment) -> list[str]:
    name = segment[0]
    if not (2 <= len(name) <= 4 and name.isalnum() and name[0].isupper()):
        return [f"segment {n}: {name[:20]!r}, expected a name such as PA1"]
    if any(not c.isprintable() for element in segment for c in element):
        return [f"segment {n}: {name}: a character that is not printable"]
    return [
        f"segment {n}: {name}{at:02} = {segment[at][:20]!r}, expected a number"
        for at, named in enumerate(ELEMENTS.get(name, ()), 1)
        if named and at < len(segment) and segment[at] and not is_number(segment[at])
    ]


def _frame_oddities(segments: tuple[Segment, ...]) -> list[str]:
    names = [segment[0] for segment in segments]
    wrong = [f"expected one {name}, found {names.count(name)}" for name in ("DXS", "ST", "SE", "DXE")
             if names.count(name) != 1]  # fmt: skip
    if wrong:
        return wrong
    first, last = names.index("ST"), names.index("SE")
    if [names[0], first, last, names[-1]] != ["DXS", 1, len(names) - 2, "DXE"]:
        return ["expected the order DXS, ST, ..., SE, DXE"]
    counted, told = last - first + 1, _element(segments[last], 1)
    if not is_number(told) or int(told) != counted:
        wrong.append(f"SE01 = {told[:20]!r}, but {counted} segments stand from ST to SE")
    if _element(segments[last], 2) != _element(segments[first], 2):
        wrong.append("SE02 is not the control number of ST")
    return wrong


def _product_oddities(segments: tuple[Segment, ...]) -> list[str]:
    """Every PA2 belongs to the PA1 before it, and every selection has one PA1."""
    wrong, selections, open_to = [], set(), False
    for segment in segments:
        if segment[0] == "PA1":
            if _element(segment, 1) in selections:
                wrong.append(f"two PA1 for the selection {_element(segment, 1)[:20]!r}")
            selections.add(_element(segment, 1))
            open_to = True
        elif segment[0] == "PA2":
            if not open_to:
                wrong.append("a PA2 without a PA1 of its own before it")
            open_to = False
    return wrong


def _element(segment: Segment, at: int) -> str:
    return segment[at] if at < len(segment) else ""


def _check_right(text: str) -> bool | None:
    start, end = text.find(f"{END}ST*"), text.find(f"{END}G85*")
    if end < 0:
        return None
    if not 0 <= start < end:
        return False
    told = text[end + len(END) :].split(END)[0].split("*")[1]
    return f"{check_of(text[start + len(END) : end + len(END)]):04X}" == told.upper()


# ---- adding up


def does_not_close(text: AuditText) -> list[str]:
    """Sums of one text that do not come out, one line each (EVA DTS 6.1: VA1 is the sum of PA2, CA3 of its parts)."""
    paid, cash = text.numbers("VA1"), text.numbers("CA3")
    sold = text.products().values()
    wrong = []
    for name in ELEMENTS["VA1"] if paid and sold else ():
        total = sum(one.get(name, 0) for one in sold)
        if total != paid[name]:
            wrong.append(f"VA1 {name} {paid[name]}, but all PA2 make {total}")
    for since in ("", " since reset") if cash else ():
        parts = sum(cash[name + since] for name in ("box", "tubes", "bills"))
        if cash["in" + since] != parts:
            wrong.append(f"CA3 in{since} {cash['in' + since]}, but box, tubes and bills make {parts}")
    return wrong


def growth_does_not_close(before: AuditText, after: AuditText) -> list[str]:
    """The same of two texts of a machine that was at rest both times: cash in less cash out is what boxes and tubes
    grew by; what was filled in or taken out by hand stands apart. Empty where a text does not tell of the tubes."""
    if not (before.of("CA15") and after.of("CA15") and before.of("CA3") and after.of("CA3")):
        return []

    def grown(segment: str, name: str) -> int:
        return after.numbers(segment).get(name, 0) - before.numbers(segment).get(name, 0)

    came = grown("CA3", "in") - grown("CA4", "out") + grown("CA10", "filled") - grown("CA4", "by hand")
    there = grown("CA3", "box") + grown("CA3", "bills") + grown("CA15", "tubes hold")
    return [] if came == there else [f"cash in less cash out {came}, but tubes and boxes grew by {there}"]
