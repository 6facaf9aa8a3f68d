"""A seat's end of a link as a stream reader and writer, in virtual time: asyncio's own, on a line in place of a socket.

What is written goes out word by word at the link's rate, each piece after the one before, as from the buffer of a
serial port. What the other side says is there to read when the last word of a piece is over. A link with nine bits
carries two bytes a word, in the same form as a pseudo-terminal does.

Not modelled: a full output buffer (`drain` returns at once), errors of a port.
"""

import asyncio

from benchsim.lines import Line
from benchsim.ports.base import Port
from benchsim.ports.pairs import HELD, RELEASED, PairDecoder, encode

NINE = 9
LIMIT = 1 << 16  # bytes that a reader holds: twice as many and more are lost, as on a cable


class _Wire:
    """Bytes to the reader: there is no way between it and us on which they could be late."""

    path, uncertainty, note, adapter = "a stream", 0, "", False

    def __init__(self, loop: asyncio.AbstractEventLoop):
        self.reader = asyncio.StreamReader(LIMIT, loop)
        self.deaf = False

    def open(self, port: Port) -> None:
        """It is there already."""

    def write(self, data: bytes) -> int:
        """All of it, unless nobody reads."""
        if self.deaf:
            return 0
        self.reader.feed_data(data)
        return len(data)

    def drop_output(self) -> None:
        """The reader has it already."""

    def hold(self, active: bool) -> None:
        """A stream of bytes carries no break."""

    def pause(self, paused: bool) -> None:
        """The line's rate is kept by the line itself."""

    def close(self) -> None:
        """The reader finds the end."""
        self.reader.feed_eof()


class StreamPort(Port):
    """Seats whoever holds the streams, on a line with words of eight bits."""

    def __init__(self, line: Line, seat: str, out: bool, wire: _Wire):
        self._free = 0  # ticks, end of the last word that was written
        super().__init__(line, seat, out, wire)
        self.chunks = False

    def lag(self) -> int:
        return 0

    def wrote(self, data: bytes) -> None:
        """The seat says these bytes as soon as what it said before is over."""
        self._say(tuple(data))

    def _say(self, words: tuple[int, ...]) -> None:
        if words and not self.closed:
            self._free = self.line.say(self.seat, words, max(self.line.clock.now(), self._free)).end


class PairStreamPort(StreamPort):
    """The same with nine bits: two bytes a word."""

    def __init__(self, line: Line, seat: str, out: bool, wire: _Wire):
        self._decoder = PairDecoder()
        super().__init__(line, seat, out, wire)

    def say(self, words: tuple[int, ...]) -> None:
        self.write(encode(words))

    def hold(self, active: bool) -> None:
        self.write(encode((HELD if active else RELEASED,)))

    def wrote(self, data: bytes) -> None:
        words: list[int] = []
        for word in self._decoder.feed(data):
            if word < HELD:
                words.append(word)
                continue
            self._say(tuple(words))
            words = []
            self._holds(word == HELD)
        self._say(tuple(words))
        self.dropped = self._decoder.dropped

    def _holds(self, active: bool) -> None:
        """A break is told when it ends: only then is its length known."""
        now = max(self.line.clock.now(), self._free)
        if active:
            self.break_began(now)
        else:
            self.break_ended(now)
            self._free = now


class _Transport(asyncio.Transport):
    """What asyncio's `StreamWriter` writes to."""

    def __init__(self, port: StreamPort, wire: _Wire):
        super().__init__({"link": port.line.name, "seat": port.seat})
        self._port, self._wire, self._protocol = port, wire, None

    def set_protocol(self, protocol) -> None:
        self._protocol = protocol

    def get_protocol(self):
        return self._protocol

    def write(self, data) -> None:
        self._port.wrote(bytes(data))

    def can_write_eof(self) -> bool:
        return False

    def is_closing(self) -> bool:
        return self._port.closed

    def pause_reading(self) -> None:
        self._wire.deaf = True

    def resume_reading(self) -> None:
        self._wire.deaf = False

    def close(self) -> None:
        if not self._port.closed:
            self._port.close()
            self._protocol.connection_lost(None)

    abort = close


def connect(line: Line, seat: str, out: bool, bits: int, loop: asyncio.AbstractEventLoop):
    """Seat the holder of the returned (StreamReader, StreamWriter) on a line. `out`: it takes the asking side."""
    wire = _Wire(loop)
    port = (PairStreamPort if bits == NINE else StreamPort)(line, seat, out, wire)
    transport = _Transport(port, wire)
    protocol = asyncio.StreamReaderProtocol(wire.reader, loop=loop)
    transport.set_protocol(protocol)
    protocol.connection_made(transport)
    return wire.reader, asyncio.StreamWriter(transport, protocol, wire.reader, loop)
