"""Every cell of the reader's state table: the one written by hand (reader_table) against the protocol file and against
the simulated reader."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds reader_…
from reader_rig import BOOK, play
from reader_table import ALWAYS_IDLE, ANSWERS, CODES, COMMANDS, LETTERS, STATES

from benchsim.schema.states import Position

CASHLESS = BOOK.devices["cashless"]
PLAIN, IDLE = CASHLESS.mode(3, 0b001000), CASHLESS.mode(3, 0b101000)  # with negative vend both


def test_the_table_has_these_states_and_messages():
    """Codes 1 to 7 as OUT OF SEQUENCE tells them; not one message is left out of the tables above."""
    assert CASHLESS.states == tuple(STATES[letter] for letter in "IDESVRN")
    assert {STATES[letter]: CASHLESS.machine.code(STATES[letter]) for letter in LETTERS} == {
        STATES[letter]: code for letter, code in CODES.items()
    }
    assert set(COMMANDS) == set(CASHLESS.commands) and set(ANSWERS) == set(CASHLESS.activities)


@pytest.mark.parametrize("answer", [False, True])
def test_every_cell_of_the_table(answer):
    for name, row in (ANSWERS if answer else COMMANDS).items():
        for letter, end in zip(LETTERS, row, strict=True):
            where = (name, STATES[letter])
            assert CASHLESS.legal(STATES[letter], name, PLAIN, answer) == (end != "."), where
            if end != ".":
                assert CASHLESS.leads(STATES[letter], name, answer) == STATES[end], where


def test_always_idle_opens_enabled_and_nothing_else():
    opened = {("BEGIN SESSION", "S", True): "S"} | {(name, "E", False): end for name, end in ALWAYS_IDLE.items()}
    for answer, rows in ((False, COMMANDS), (True, ANSWERS)):
        for name, row in rows.items():
            for letter, end in zip(LETTERS, row, strict=True):
                end = opened.get((name, letter, answer), end)
                assert CASHLESS.legal(STATES[letter], name, IDLE, answer) == (end != "."), (name, letter)
                if end != ".":
                    assert CASHLESS.leads(STATES[letter], name, answer) == STATES[end]


@pytest.mark.parametrize("letter", "SVRNsvn")
def test_disabled_in_a_session_takes_effect_at_its_end(letter):
    go = CASHLESS.machine.go
    for last, end in (("READER DISABLE", "Disabled"), ("READER ENABLE", "Enabled")):
        at = go(Position(STATES[letter], "READER ENABLE"), last)
        assert at.state == STATES[letter]
        assert go(at, "END SESSION", True) == Position(end, last)


# ---- the simulated reader in each state. Commands in hex without checksum, by hand.

WORDS = {
    "RESET": "10", "SETUP CONFIG": "11 00 03 10 02 00", "SETUP PRICES": "11 01 FF FF 00 00", "POLL": "12",
    "VEND REQUEST": "13 00 00 7D 00 11", "VEND CANCEL": "13 01", "VEND SUCCESS": "13 02 00 11", "VEND FAILURE": "13 03",
    "SESSION COMPLETE": "13 04", "CASH SALE": "13 05 00 7D 00 11", "NEGATIVE VEND": "13 06 00 7D 00 11",
    "READER DISABLE": "14 00", "READER ENABLE": "14 01", "READER CANCEL": "14 02", "DATA ENTRY": "14 03" + " 20" * 8,
    "REVALUE REQUEST": "15 00 00 64", "REVALUE LIMIT": "15 01", "IDENTIFICATION": "17 00" + " 30" * 29,
    "TIME AND DATE": "17 03" + " 00" * 10, "FEATURES": "17 04 00 00 00 18",
}  # fmt: skip
# What comes of a command that is in order, beside ACK; a decision takes 0.8 s here.
REPLIES = {
    "SETUP CONFIG": "01 03 19 78 01 02 05 03", "VEND CANCEL": "06", "SESSION COMPLETE": "07", "READER CANCEL": "08",
    "REVALUE LIMIT": "0f 01 f4",  # a card may hold 1000, it has 500: 01F4
}  # fmt: skip
SET_UP = [WORDS["SETUP CONFIG"], WORDS["SETUP PRICES"]]
OFFERS = {"level": 3, "negative_vend": True, "data_entry": True, "card_most": 1000}


async def bring(rig, letter):
    """Bring the reader into a state by what leads there."""
    assert await rig.drain() == ["00"]  # JUST RESET
    assert await rig.ask(WORDS["FEATURES"]) == "ack"
    if letter == "I":
        return
    for command in SET_UP:
        await rig.ask(command)
    if letter == "D":
        return
    await rig.ask("14 01")
    if letter == "E":
        return
    assert rig.reader.card(500)
    assert [d[:8] for d in await rig.drain()] == ["03 01 f4"]
    first = {"V": "VEND REQUEST", "v": "VEND REQUEST", "N": "NEGATIVE VEND", "n": "NEGATIVE VEND",
             "R": "REVALUE REQUEST", "s": "SESSION COMPLETE"}.get(letter)  # fmt: skip
    if first:
        assert await rig.ask(WORDS[first]) == "ack"
    if letter in "vn":
        assert await rig.drain(1) == ["05 00 7d"]


@pytest.mark.parametrize("letter", LETTERS)
def test_the_reader_in_every_state_with_every_command(letter):
    """Out of sequence is told at once with the number of the state, nothing changes; else it leads where it should."""

    def one(name):
        async def script(rig):
            await bring(rig, letter)
            assert rig.reader.at.state == STATES[letter]
            answer = await rig.ask(WORDS[name])
            return answer, rig.reader.at.state, rig.reader.state

        return play(script, **OFFERS, close_s=0.5 if letter == "s" else 0)

    for name in set(WORDS) - {"POLL", "IDENTIFICATION"}:
        end, where = COMMANDS[name][LETTERS.index(letter)], (name, STATES[letter])
        answer, state, code = one(name)
        if end == ".":
            assert answer == f"0b {CODES[letter]:02x}", where
            assert (state, code) == (STATES[letter], CODES[letter]), where
            continue
        if letter == "s" and name == "SESSION COMPLETE":
            assert answer == "ack"  # again: 07 is still to come
        elif not (name == "REVALUE LIMIT" and letter != "S"):
            assert answer == REPLIES.get(name, "ack"), where
        # 06 and 07 come at once here, and were acknowledged
        end = {"VEND CANCEL": "S", "SESSION COMPLETE": "E" if letter == "S" else end}.get(name, end)
        assert state == STATES[end], where


def test_the_reader_at_level_one_tells_no_state():
    async def script(rig):
        assert await rig.drain() == ["00"]
        return await rig.ask("13 04")

    assert play(script, level=1) == "0b"


@pytest.mark.parametrize("order", [(0, 1), (1, 0), (0, 0, 1)])
def test_both_setups_in_any_order(order):
    async def script(rig):
        await rig.drain()
        for step in order[:-1]:
            await rig.ask(SET_UP[step])
            assert rig.reader.at.state == "Inactive"
        await rig.ask(SET_UP[order[-1]])
        return rig.reader.at.state

    assert play(script) == "Disabled"


@pytest.mark.parametrize("letter", "SVRNvn")
def test_the_reader_disabled_in_a_session_is_so_after_it(letter):
    async def script(rig):
        await bring(rig, letter)
        assert await rig.ask("14 00") == "ack"
        await rig.drain(1.2)
        if rig.reader.at.state in ("Vend (approved)", "Negative Vend (approved)"):
            await rig.ask("13 02 00 11")
        assert rig.reader.at.state == "Session Idle"
        assert await rig.ask("13 04") == "07"
        return rig.reader.at.state, rig.reader.card(500), [rule for rule in rig.broken() if rule.startswith("CSH")]

    assert play(script, **OFFERS) == ("Disabled", False, [])


@pytest.mark.parametrize("letter", LETTERS)
def test_reset_break_and_restart_lead_to_inactive_from_anywhere(letter):
    async def script(rig, how):
        await bring(rig, letter)
        if how == "reset":
            await rig.ask("10")
        elif how == "break":
            rig.master.hold(8_000_000)
            await rig.clock.sleep(0.4)
        else:
            rig.reader.restart()
        assert (rig.reader.at.state, rig.reader.state) == ("Inactive", 1)
        return await rig.drain()

    for how in ("reset", "break", "restart"):
        assert play(lambda rig, how=how: script(rig, how), **OFFERS, close_s=0.5) == ["00"]
