"""A port may deliver a whole answer in no time: the master's reply then comes within a gap's time of its command."""

from benchsim.events import MODE, TICKS_PER_MS, Burst
from benchsim.links.bus_blocks import BlockReader
from benchsim.schema import load_book

WORD = 82_500  # 11 bits at 9600 baud, in ticks of 72 MHz


def test_a_reply_soon_after_an_answer_that_took_no_time_is_a_reply():
    reader = BlockReader(load_book())
    poll = Burst(0, 2 * WORD, "bus", True, "board", (0x0B | MODE, 0x0B))
    answer = Burst(2 * WORD, 2 * WORD + 2, "bus", False, "changer", (0x0B, 0x0B | MODE))
    at = answer.end + TICKS_PER_MS // 2
    ack = Burst(at, at + WORD, "bus", True, "board", (0x00,))
    found = [block for burst in (poll, answer, ack) for block in reader.feed(burst)]
    assert [(block.kind, block.broken) for block in found] == [("command", ()), ("answer", ()), ("reply", ())]
