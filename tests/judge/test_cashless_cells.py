"""Every cell of the reader's state table before the judge: hand-made traffic leads to each state, then every command
and every answer is said there. The expected table is the one written by hand (tests/seats/reader_table)."""

import importlib.util
import sys
from pathlib import Path

import pytest


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


HERE = Path(__file__).parent
TABLE = _load(HERE.parent / "seats" / "reader_table.py")
Script = _load(HERE / "bus_script.py").Script


def words(data, first=0x100, last=0):
    """Bytes in hex with their sum; mode bits as asked for."""
    raw = bytes.fromhex(data)
    values = [raw[0] | first, *raw[1:], sum(raw) & 0xFF | last]
    return " ".join(f"{value:03X}" for value in values)


# Bytes without checksum, by hand (MDB/ICP 4.3 §7). Not here: what can be said anywhere and leads nowhere.
SAID = {
    "RESET": "10", "VEND REQUEST": "13 00 00 7D 00 11", "VEND CANCEL": "13 01", "VEND SUCCESS": "13 02 00 11",
    "VEND FAILURE": "13 03", "SESSION COMPLETE": "13 04", "CASH SALE": "13 05 00 7D 00 11",
    "NEGATIVE VEND": "13 06 00 7D 00 11", "READER DISABLE": "14 00", "READER ENABLE": "14 01", "READER CANCEL": "14 02",
    "REVALUE REQUEST": "15 00 00 64", "REVALUE LIMIT": "15 01", "SETUP PRICES": "11 01 FF FF 00 00",
    "FEATURES": "17 04 00 00 00 08",
}  # fmt: skip
TOLD = {
    "BEGIN SESSION": "03 01 F4 00 00 00 00 00 00 00", "SESSION CANCEL REQUEST": "04", "VEND APPROVED": "05 00 7D",
    "VEND DENIED": "06", "END SESSION": "07", "CANCELLED": "08", "MALFUNCTION": "0A 50", "REVALUE APPROVED": "0D",
    "REVALUE DENIED": "0E", "REVALUE LIMIT": "0F 01 F4", "TIME REQUEST": "11",
}  # fmt: skip
ONLY_WARNS = {"CASH SALE", "READER DISABLE", "READER CANCEL"}  # the states of these are not certain


class Talk(Script):
    def says(self, name, answer=None):
        self.out(words(SAID[name])).answer(words(answer, 0, 0x100) if answer else "100", seat="cashless1")
        return self.ack() if answer else self

    def tells(self, name):
        self.out("112 012").answer(words(TOLD[name], 0, 0x100), seat="cashless1")
        return self.ack()


def brought(letter):
    """Traffic that leads to a state; the reader told level 3, a response time of 5 s."""
    s = Talk().says("RESET").out("112 012").answer("000 100", seat="cashless1").ack()
    s.says("FEATURES")
    if letter == "I":
        return s
    s.out(words("11 00 03 00 00 00")).answer(words("01 03 19 78 01 02 05 03", 0, 0x100), seat="cashless1").ack()
    s.says("SETUP PRICES")
    if letter == "D":
        return s
    s.says("READER ENABLE")
    if letter == "E":
        return s
    s.tells("BEGIN SESSION")
    first = {"V": "VEND REQUEST", "v": "VEND REQUEST", "N": "NEGATIVE VEND", "n": "NEGATIVE VEND",
             "R": "REVALUE REQUEST", "s": "SESSION COMPLETE"}.get(letter)  # fmt: skip
    if first:
        s.says(first)
    return s.tells("VEND APPROVED") if letter in "vn" else s


def state_rule(script, seat):
    v = script.judge(rules=["CSH-STATE"])["CSH-STATE", seat]
    return v.outcome, v.at[0].text if v.at else ""


@pytest.mark.parametrize("letter", TABLE.LETTERS)
def test_every_command_in_every_state(letter):
    for name in SAID:
        end = TABLE.COMMANDS[name][TABLE.LETTERS.index(letter)]
        outcome, text = state_rule(brought(letter).says(name), "board")
        if end == ".":
            assert outcome == ("warn" if name in ONLY_WARNS else "fail"), (name, letter)
            assert f"cashless1 is in {TABLE.STATES[letter]}" in text
        else:
            assert outcome in ("pass", "unseen"), (name, letter)


@pytest.mark.parametrize("letter", TABLE.LETTERS)
def test_every_answer_in_every_state(letter):
    for name in TOLD:
        end = TABLE.ANSWERS[name][TABLE.LETTERS.index(letter)]
        outcome, text = state_rule(brought(letter).tells(name), "cashless1")
        assert (outcome == "fail") == (end == "."), (name, letter)
        assert end != "." or f"{name} in {TABLE.STATES[letter]}" in text


# A command that is in order in one state only tells where the reader was led.
PROOFS = {"I": "RESET", "D": "READER CANCEL", "E": "READER CANCEL", "S": "REVALUE LIMIT", "V": "VEND CANCEL",
          "N": "VEND CANCEL", "v": "VEND SUCCESS", "n": "VEND SUCCESS", "s": "SESSION COMPLETE"}  # fmt: skip
OTHERS = {"D": "VEND REQUEST", "E": "VEND REQUEST", "S": "VEND CANCEL", "V": "VEND REQUEST", "N": "VEND REQUEST",
          "v": "VEND CANCEL", "n": "VEND CANCEL", "s": "VEND REQUEST", "I": "READER ENABLE"}  # fmt: skip


@pytest.mark.parametrize("letter", TABLE.LETTERS)
def test_what_is_in_order_leads_where_it_should(letter):
    for rows, say in ((TABLE.COMMANDS, SAID), (TABLE.ANSWERS, TOLD)):
        for name in say:
            end = rows[name][TABLE.LETTERS.index(letter)]
            if end not in PROOFS:
                continue
            s = brought(letter)
            s = s.says(name) if say is SAID else s.tells(name)
            assert state_rule(s.says(PROOFS[end]), "board")[0] in ("pass", "unseen"), (name, letter)
            s = brought(letter)
            s = s.says(name) if say is SAID else s.tells(name)
            assert state_rule(s.says(OTHERS[end]), "board")[0] == "fail", (name, letter)
