"""`benchsim seats`: the list, the pages, what they count. Codes of MDB/ICP 4.3 §5 to §8."""

import json
import tomllib

import pytest

from benchsim.checks.plans import PLANS
from benchsim.cli import run
from benchsim.schema import load_book, protocols_folder


def document(capsys, *words):
    assert run(["seats", *words, "--json"]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    return json.loads(told.out)


def text(capsys, *words):
    assert run(["seats", *words]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    return told.out


def rows_of_files():
    """Seat -> how many commands and activities its file has, read without the schema."""
    tables = [tomllib.loads(path.read_text("utf-8")) for path in protocols_folder().glob("bus/*.toml")]
    return {
        seat: len(table["command"]) + len(table.get("activity", ()))
        for table in tables
        if table["kind"] == "device"
        for seat in table["seats"]
    }


def test_the_list_counts_every_row_once(capsys):
    seats = {row["seat"]: row for row in document(capsys)["seats"]}
    for seat, rows in rows_of_files().items():
        assert sum(seats[seat][depth] for depth in ("modelled", "known", "link")) == rows, seat
    # MDB/ICP 4.3 §2
    for seat, address in {"changer": "08", "gateway": "18", "energy": "28", "hopper2": "70", "special2": "F8"}.items():
        assert seats[seat]["address"] == address
    assert {seat for seat, row in seats.items() if row["plan"]} == set(PLANS)


def test_depths(capsys):
    """The recycler and what the display says are known by code alone; no seat answers file transport."""
    by_seat = {seat: document(capsys, seat) for seat in ("changer", "validator", "display", "gateway")}

    def depth(seat, name, key="commands"):
        return next(row["depth"] for row in by_seat[seat][key] if row["name"] == name)

    assert depth("changer", "RESET") == depth("changer", "COIN TYPE") == "modelled"
    assert depth("changer", "FILE OK TO SEND") == "known"
    assert depth("changer", "FILE OK TO SEND", "activities") == "known"
    assert depth("changer", "COIN DEPOSITED", "activities") == "modelled"
    assert depth("changer", "COIN JAM", "activities") == "modelled"
    assert depth("validator", "RECYCLER SETUP") == depth("validator", "RECYCLER STATUS", "activities") == "link"
    assert {row["depth"] for row in by_seat["display"]["commands"]} == {"link"}
    assert depth("gateway", "REPORT TRANSACTION") == "modelled"
    assert depth("gateway", "REPORT PRODUCT") == "link"
    assert not by_seat["display"]["simulated"] and by_seat["gateway"]["simulated"]


def test_the_changers_page(capsys):
    page = text(capsys, "changer")
    for line in (
        "changer: Coin changer",
        "  link         bus, address 08",
        "  JUST RESET   0B",
        "  start-up     SETUP, TUBE STATUS, IDENTIFICATION, FEATURES, COIN TYPE",
        "  0F 02  PAYOUT  [modelled, confidence A, from level 3, feature 0]",
        "         fields: nnnntttt = count, coin",
        "  non_response  at most 2 s: silence to its own address before the master resets the changer (MDB/ICP 4.3 §3, B)",
    ):
        assert line in page.splitlines() or line in page.replace("\n      ", " ").splitlines(), line
    assert max(map(len, page.splitlines())) <= 110


def test_the_second_reader_has_its_own_codes(capsys):
    codes = {row["name"]: row["code"] for row in document(capsys, "cashless2")["commands"]}
    assert (codes["RESET"], codes["VEND REQUEST"], codes["FEATURES"]) == ("60", "63 00", "67 04")


def test_the_state_table(capsys):
    """Some cells by hand (MDB/ICP 4.3 §7)."""
    table = document(capsys, "cashless1")["states"]
    at = {(column["name"], column["told"]): i for i, column in enumerate(table["columns"])}

    def cell(state, name, told=False):
        return table["cells"][state][at[name, told]]

    assert cell("Inactive", "VEND REQUEST") is None
    assert cell("Enabled", "BEGIN SESSION", True) == "Session Idle"
    assert cell("Session Idle", "VEND REQUEST") == "Vend"
    assert cell("Vend", "RESET") == "Inactive"
    assert cell("Inactive", "RESET") == ""
    assert table["codes"]["Enabled"] == 3
    lines = text(capsys, "cashless1").splitlines()
    letters = {line.split("  ")[2]: line.split()[0] for line in lines if line[2:5].endswith("  ") and line[2:3].isalpha()}
    row = next(line for line in lines if line.startswith(f"  {letters['Enabled']}  Enabled "))
    assert row.split()[2:][at["BEGIN SESSION", True]] == letters["Session Idle"]
    assert row.split()[2:][at["VEND REQUEST", False]] == "-"


def test_a_seat_without_a_file(capsys):
    page = text(capsys, "energy")
    assert "address 28" in page and "link layer only" in page
    assert document(capsys, "energy")["commands"] == []


@pytest.mark.parametrize("seat", ["host", "board", "panel", *load_book().bus_seats])
def test_every_seat_has_a_page(seat, capsys):
    page, found = text(capsys, seat), document(capsys, seat)
    assert page.startswith(f"{seat}: ")
    assert found["seat"] == seat
    for row in (*found["commands"], *found["activities"]):
        assert row["depth"] in ("modelled", "known", "link")
        assert row["name"] in page


def test_the_list_names_what_is_not_modelled(capsys):
    page = text(capsys)
    left_out = page.partition("Not modelled:")[2]
    for seat in load_book().bus_seats:
        assert seat in left_out


@pytest.mark.parametrize("seat", ["nosuch", "CHANGER", ""])
def test_an_unknown_seat_is_told_in_one_line(seat, capsys):
    assert run(["seats", seat] if seat else ["seats", "nosuch", "--json"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert "no such seat" in told.err


def test_the_board_page_has_the_settings_of_the_machine(capsys):
    told = text(capsys, "board")
    assert "Settings of the machine ([machine.…] in the bench file)" in told
    for words in ('cold.duty = "perishable"', "supply.ohms = 0.5", "wiring.open_rows = []", "a number from -20 to 20 °C"):
        assert words in told
