"""Traffic in words, frame by frame, as a person reads it."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from benchsim.events import Burst
from benchsim.links.audit_blocks import DATA, Item, ItemReader
from benchsim.links.audit_blocks import text as audit_text
from benchsim.links.audit_text import does_not_close, in_words, parse
from benchsim.links.bus_blocks import Block, BlockReader
from benchsim.links.bus_text import BusText
from benchsim.links.kit_frames import reader_of
from benchsim.schema import AuditSpec, Book


class Line(NamedTuple):
    """One frame."""

    start: int  # ticks
    link: str
    who: str
    text: str


def decoded(events: Iterable, book: Book) -> Iterator[Line]:
    """Every block, frame and item of a recording's bursts, as far as they are whole; broken ones say so."""
    bus, said = BlockReader(book), BusText(book)
    frames: dict = {}
    audit = AuditLines(book.audit)
    for burst in (event for event in events if type(event) is Burst):
        if burst.link == "bus":
            # A command whose length nobody knows ends by silence: so it may end long before these words.
            if bus.deadline is not None and bus.deadline <= burst.start:
                yield from (_block(block, said) for block in bus.expire(burst.start))
            yield from (_block(block, said) for block in bus.feed(burst))
        elif burst.link == "audit":
            yield from audit.feed(burst)
        else:
            spec = book.links[burst.link]
            reader = frames.setdefault((burst.link, burst.out), reader_of(spec, strict_gaps=False))
            for frame in reader.feed(burst):
                note = f" [broken: {', '.join(frame.broken)}]" if frame.broken else ""
                yield Line(frame.start, burst.link, frame.sender, spec.text(frame.body, frame.out) + note)
    yield from (_block(block, said) for block in bus.close())


class AuditLines:
    """The audit link: items as they come, and at the end of a transmission its text by segment."""

    def __init__(self, spec: AuditSpec):
        self.spec = spec
        self._readers = {out: ItemReader(spec) for out in (True, False)}
        self._blocks: dict[bool, list[Item]] = {True: [], False: []}

    def feed(self, burst: Burst) -> Iterator[Line]:
        """Lines for what these words complete."""
        for item in self._readers[burst.out].feed(burst):
            yield Line(item.start, "audit", item.sender, audit_text(self.spec, item))
            blocks = self._blocks[item.out]
            if item.name == DATA and not item.broken and not (blocks and blocks[-1].raw == item.raw):
                blocks.append(item)
            elif item.name == "EOT":
                yield from _segments(item, b"".join(block.data for block in blocks))
                blocks.clear()


def _segments(end: Item, data: bytes) -> Iterator[Line]:
    if data:
        text = parse(data)
        check = ["G85 does not agree with the text"] if text.check_right is False else []
        for told in [*map(in_words, text.segments), *text.wrong, *check, *does_not_close(text)]:
            yield Line(end.end, "audit", end.sender, f"  {told}")


def _block(block: Block, said: BusText) -> Line:
    return Line(block.start, "bus", block.sender or ("master" if block.out else "device"), said.of(block))
