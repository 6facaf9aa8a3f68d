"""`benchsim decode --hex`: words of the bus in words for people. Sums by hand (MDB/ICP 4.3 §2)."""

import pytest

from benchsim.cli import run


def decoded(capsys, words):
    """What is said of each block, without its time."""
    assert run(["decode", "--hex", words]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    return [line.split(" s  bus    ")[1].split(None, 1) for line in told.out.splitlines()]


def test_a_talk_in_turns(capsys):
    assert decoded(capsys, "10B 00B 052 007 159 000 10B 00B 100") == [
        ["master", "command changer 10B 00B = POLL"],
        ["device", "answer changer 052 007 159 = COIN DEPOSITED: route 1, coin 2, tube 7"],
        ["master", "reply changer 000 = ACK"],
        ["master", "command changer 10B 00B = POLL"],
        ["device", "ack changer 100"],
    ]


def test_a_currency_is_told_by_its_letters(capsys):
    # 03+19+78+05+02+00+03+01+02 = A1
    (_, (who, text)) = decoded(capsys, "109 009 003 019 078 005 002 000 003 001 002 1A1")
    assert who == "device" and "currency 1978 (EUR)" in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("118 018 100", "command gateway 118 018 = RESET"),
        ("143 000 001 002 046 100", "command satellite1 143 000 001 002 046 = VEND GRANTED: row 1, column 2"),
        ("153 001 054 100", "command satellite3 153 001 054 = VEND REFUSED"),
        ("120 020 100", "command display 120 020 = RESET"),
        ("15D 003 060", "command hopper1 15D 003 060 = HOPPER DISPENSE: data 03"),  # only the end of all ends it
        ("175 003 078", "command hopper2 175 003 078 = HOPPER DISPENSE: data 03"),
        ("16A 06A 100", "command age 16A 06A = POLL"),
        ("12A 02A 100", "command energy 12A 02A"),
        ("1E1 055 036 100", "command experimental1 1E1 055 036"),
        ("1FA 0FA 100", "command special2 1FA 0FA"),
        ("137 003 03A 001 101 000", "command validator 137 003 03A = RECYCLER SETUP: data none"),
        ("10C 00C 000 000 000 018 100", "command changer 10C 00C 000 000 000 018 = COIN TYPE: accept 3072, manual 0"),
    ],
)
def test_every_seat_is_named(words, told, capsys):
    assert decoded(capsys, words)[0] == ["master", told]


def test_a_talk_that_begins_with_a_reply(capsys):
    assert [text for _, text in decoded(capsys, "000 10B 00B 100")][1:] == [
        "command changer 10B 00B = POLL", "ack changer 100",
    ]  # fmt: skip


def test_a_broken_block_is_shown_with_what_is_broken(capsys):
    assert decoded(capsys, "10B 00C") == [["master", "command changer 10B 00C [broken: sum]"]]


def test_codes_of_the_audit_port_are_told_by_name(capsys, tmp_path):
    """ENQ is 05, ACK0 is DLE 30 (EVA DTS 6.1, DEX/UCS link layer, from memory)."""
    capture = tmp_path / "audit.csv"
    rows = ["1000,audit,auditor,0x05,", "5000,audit,board,0x10,", "6100,audit,board,0x30,"]
    capture.write_text("\n".join(["time_us,link,sender,value,mode", *rows, ""]), "utf-8")
    assert run(["decode", str(capture)]) == 0
    assert [line.split()[-1] for line in capsys.readouterr().out.splitlines()] == ["ENQ", "ACK0"]
