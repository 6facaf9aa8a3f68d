"""One contract for every port: words in, words out, nothing raised, nothing left behind."""

import os
import threading

import pytest

from benchsim.events import BREAK
from benchsim.ports.base import BACKLOG
from benchsim.ports.pairs import encode

BLOCK = (0x10B, 0x000, 0x0FF, 0x1AA, 0x08F, 0x01A, 0x113, 0x07E)  # bytes that a terminal might take for more
EVERY = tuple(range(0x200))

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\):DeprecationWarning")  # in pyserial's RFC 2217


def as_words(words, table):
    """What of `words` the link can carry."""
    return tuple(words) if table.nine else tuple(word & 0xFF for word in words)


def as_bytes(words, table):
    """By the tables of test_pairs."""
    return encode(words) if table.nine else bytes(words)


@pytest.mark.parametrize("out", [True, False])
def test_words_in(at_table, out):
    async def script(table):
        words = as_words(EVERY, table)
        table.other.send(as_bytes(words, table))
        await table.until(lambda: len(table.words()) >= len(words))
        assert tuple(table.words()) == words
        assert {(b.sender, b.out, b.link) for b in table.heard} == {("theirs", out, table.line.name)}
        for one, next_ in zip(table.heard, table.heard[1:], strict=False):
            assert one.start < one.end <= next_.start
        assert table.heard[-1].end <= table.clock.now() + len(words)  # a tick a word of a lump
        assert (table.port.lost, table.port.dropped) == (0, 0)
        assert table.bursts == table.heard

    at_table(script, out)


@pytest.mark.parametrize("out", [True, False])
def test_words_out(at_table, out):
    async def script(table):
        words = as_words(BLOCK, table)
        table.line.say("ours", words, table.clock.now())
        expected = as_bytes(words, table)
        assert await table.received(len(expected)) == expected
        assert table.port.lost == 0

    at_table(script, out)


def test_who_sits_on_the_same_side_is_not_heard(at_table):
    async def script(table):
        table.line.say("neighbour", as_words(BLOCK, table), table.clock.now())
        await table.until(lambda: table.heard)
        word = as_words((0x055,), table)
        table.line.say("ours", word, table.clock.now())
        assert await table.received(1 + table.nine) == as_bytes(word, table)

    at_table(script)


def test_a_break_out(at_table):
    """Two byte words have marks for it; other streams have no conductor to hold, and words go on."""

    async def script(table):
        table.line.hold("ours", table.clock.now(), table.line.word_ticks * 20)
        await table.clock.sleep(0.05)
        word = as_words((0x055,), table)
        table.line.say("ours", word, table.clock.now())
        expected = (b"\xc0\xc1" if table.nine else b"") + as_bytes(word, table)
        assert await table.received(len(expected)) == expected

    at_table(script)


@pytest.mark.kinds_that(lambda make, word: word.data_bits == 9)
def test_a_break_in(at_table):
    async def script(table):
        table.other.send(b"\xc0")
        await table.clock.sleep(0.1)
        table.other.send(b"\xc1\x90\x0b")
        await table.until(lambda: len(table.heard) == 2)
        (held, word) = table.heard
        assert (held.words, word.words) == ((BREAK,), (0x10B,))
        assert held.end - held.start >= table.line.word_ticks
        assert word.start >= held.end
        assert table.bursts == table.heard  # told in order of their start

    at_table(script)


def test_closing_frees_everything(at_table):
    threads = threading.active_count()
    before = len(os.listdir("/proc/self/fd"))

    async def script(table):
        table.port.close()
        table.port.close()
        assert not (table.other.folder / "link").is_symlink()
        table.line.say("ours", as_words(BLOCK, table), table.clock.now())
        table.line.hold("ours", table.clock.now(), 10)
        await table.clock.sleep(0.05)
        table.other.close()

    at_table(script)
    assert threading.active_count() == threads
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.kinds_that(lambda make, word: make.can_be_pulled)
def test_a_pull_is_told_and_a_push_brings_it_back(at_table):
    async def script(table):
        words = as_words(BLOCK, table)
        for _ in range(2):
            table.happenings.clear()
            table.heard.clear()
            table.other.pull()
            await table.until(lambda: table.happenings)
            assert not table.port.there
            table.line.say("ours", words, table.clock.now())
            await table.clock.sleep(0.05)
            assert table.port.lost > 0
            table.other.push()
            await table.until(lambda: len(table.happenings) == 2)
            table.other.seated(table.port)
            assert [(h.seat, h.kind, h.data["link"], h.data["there"]) for h in table.happenings] == [
                ("theirs", "port", table.line.name, False),
                ("theirs", "port", table.line.name, True),
            ]
            table.other.send(as_bytes(words, table))
            await table.until(lambda: len(table.words()) >= len(words))
            table.line.say("ours", words, table.clock.now())
            expected = as_bytes(words, table)
            assert await table.received(len(expected)) == expected

    at_table(script)


def test_who_does_not_read_costs_bytes_not_time(at_table):
    async def script(table):
        for _ in range(1000):  # a socket of this computer may hold some megabytes
            table.port.write(bytes(100_000))
            await table.clock.sleep(0)
            if table.port.lost:
                return
        pytest.fail("nothing was lost")

    at_table(script)


def test_who_floods_is_read_at_the_rate_of_the_link(at_table):
    async def script(table):
        enough = threading.Event()
        os.set_blocking(table.other.fd, False)

        def flood():
            data = as_bytes((0x055,) * 2000, table)
            while not enough.is_set():
                try:
                    os.write(table.other.fd, data)
                except BlockingIOError:
                    enough.wait(0.001)

        thread = threading.Thread(target=flood)
        thread.start()
        try:
            await table.clock.sleep(1.0)
        finally:
            enough.set()
            thread.join()
        room = 3 * BACKLOG + table.clock.now() / table.line.word_ticks
        assert 0 < len(table.words()) <= room

    at_table(script)
