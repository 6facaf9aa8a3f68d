"""Blocks in words. Words and sums by hand (MDB/ICP 4.3 §2), layouts of §5 to §7."""

import pytest

from benchsim.events import BREAK, Burst
from benchsim.links.bus_blocks import BlockReader
from benchsim.links.bus_text import BusText
from benchsim.schema import load_book

BOOK = load_book()
WORD, MS = 82_500, 72_000  # ticks: 11 bits at 9600 baud; a millisecond


def told(*turns):
    """What is said of turns of hex words, master first, each 1 ms after the other."""
    reader, text, at, said = BlockReader(BOOK), BusText(BOOK), 0, []
    for i, turn in enumerate(turns):
        words = tuple(int(word, 16) for word in turn.split())
        end = at + len(words) * WORD
        said += [text.of(block) for block in reader.feed(Burst(at, end, "bus", i % 2 == 0, "", words))]
        at = end + MS
    return said + [text.of(block) for block in reader.close()]


def test_an_answer_is_understood_by_what_was_asked():
    assert told("10B 00B", "052 007 159", "000") == [
        "command changer 10B 00B = POLL",
        "answer changer 052 007 159 = COIN DEPOSITED: route 1, coin 2, tube 7",
        "reply changer 000 = ACK",
    ]


def test_currency_is_told_by_its_letters():
    # 03+19+78+05+02+00+03+01+02 = A1
    assert told("109 009", "003 019 078 005 002 000 003 001 002 1A1")[1] == (
        "answer changer 003 019 078 005 002 000 003 001 002 1A1 = "
        "SETUP: level 3, currency 1978 (EUR), scaling 5, decimals 2, tubes 3, credits 1 2"
    )


def test_several_activities_in_one_answer():
    # 01+02 = 03
    assert told("10B 00B", "001 002 103")[1].endswith("= ESCROW REQUEST; PAYOUT BUSY")


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("003 001 0F4 1F8", "BEGIN SESSION: funds 500"),  # level 1
        # level 2: 03+01+F4+00+00+00+01+00+00+00 = F9
        ("003 001 0F4 000 000 000 001 000 000 000 1F9", "BEGIN SESSION: funds 500, media 00 00 00 01, payment 0, data 00 00"),
        # 32-bit money at once: 05+00+00+00+7D = 82
        ("005 000 000 000 07D 182", "VEND APPROVED: amount 125"),
    ],
)
def test_answers_of_every_level_and_width(answer, words):
    assert told("112 012", answer)[1] == f"answer cashless1 {answer} = {words}"


def test_what_nobody_knows_is_told_as_it_is():
    # E0+01 = E1; 0F+44 = 53; 40 alone; 28+02 = 2A
    assert told("1E0 001 0E1", "011 111") == ["command experimental1 1E0 001 0E1", "answer experimental1 011 111"]
    assert told("10F 044 053", "100") == ["command changer 10F 044 053 = (no command 0F 44)", "ack changer 100"]
    assert told("10B 00B", "00E 10E")[1] == "answer changer 00E 10E = (no activity 0E)"
    assert told("1B8 0B8", "100")[0] == "command 1B8 0B8"


def test_a_command_known_by_its_code_ends_with_the_talk():
    # 5D+03 = 60
    assert told("15D 003 060") == ["command hopper1 15D 003 060 = HOPPER DISPENSE: data 03"]


def test_a_broken_block_has_no_meaning():
    assert told("10B 00C", "1FF") == ["command changer 10B 00C [broken: sum]", "nak changer 1FF"]


def test_a_break():
    reader, text = BlockReader(BOOK), BusText(BOOK)
    (block,) = reader.feed(Burst(0, 100 * MS, "bus", True, "", (BREAK,)))
    assert text.of(block) == "break"
