"""CSV: rows written by hand or by other taps, what they mean and what is refused."""

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import BREAK, FRAMING, MODE, Burst, LinkInfo

HEADER = "time_us,link,sender,value,mode\n"


def read(tmp_path, text: str | bytes):
    path = tmp_path / "tap.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return open_capture(path)


def test_rows_by_hand(tmp_path):
    capture = read(
        tmp_path,
        HEADER
        + "1000,bus,master,0x0B,1\n"
        + "2145.8,bus,board,11,0\r\n"
        + "\n"
        + "# a remark\n"
        + "9000.5, bus ,changer,0x00,1\n"
        + '9500,"kit",host,0x7E,\n'
        + "9600,kit,device,0x8041,0\n"
        + "9700,panel,panel,255,\n"
        + "9800,bus,device,0xff,1\n"
        + "9900,audit,master,5,\n"
        + "20000,bus,board,BREAK,100000.5\n",
    )
    assert list(capture.events()) == [  # 72 ticks a microsecond
        Burst(72_000, 154_500, "bus", True, "board", (0x0B | MODE,)),
        Burst(154_498, 236_998, "bus", True, "board", (0x0B,)),
        Burst(648_036, 730_536, "bus", False, "changer", (MODE,)),
        Burst(684_000, 690_250, "kit", True, "host", (0x7E,)),
        Burst(691_200, 697_450, "kit", False, "board", (0x41 | FRAMING,)),
        Burst(698_400, 773_400, "panel", False, "panel", (255,)),
        Burst(705_600, 788_100, "bus", False, "", (0xFF | MODE,)),
        Burst(712_800, 787_800, "audit", True, "auditor", (5,)),
        Burst(1_440_000, 8_640_036, "bus", True, "board", (BREAK,)),
    ]
    assert capture.end == 8_640_036
    assert (capture.has_machine, capture.cut, capture.notes) == (False, False, [])


def test_columns_are_found_by_name(tmp_path):
    capture = read(tmp_path, "value,mode,note,sender,link,time_us\n0x0B,1,x,board,bus,1000\n")
    assert list(capture.events()) == [Burst(72_000, 154_500, "bus", True, "board", (0x10B,))]


def test_byte_order_mark_is_no_part_of_the_header(tmp_path):
    capture = read(tmp_path, b"\xef\xbb\xbf" + HEADER.encode() + b"0,bus,board,0x0B,1\n")
    assert len(list(capture.events())) == 1


# A clock 2 % slow (MDB/ICP 4.3 §3) makes a word 1/0.98 as long: 82,500 ticks by 1,683.7, rounded up.
@pytest.mark.parametrize(
    "stated, times, doubt",
    [
        ("", "1000.000", 1_684),
        ("", "1000.00", 1_684 + 1),  # 0.01 us, between two times that are each half of it off
        ("", "1000", 1_684 + 72),  # 1 us
        ("# uncertainty_us=25\n", "1000.000", 1_684 + 1_800),
        ("# uncertainty_us=0.5\n", "1000.000", 1_684 + 36),
    ],
)
def test_doubt(tmp_path, stated, times, doubt):
    link = read(tmp_path, f"{stated}{HEADER}{times},bus,board,0x0B,1\n").links["bus"]
    assert (link.uncertainty, link.edges, link.word, link.out) == (doubt, False, 82_500, "board")
    assert ".vcd" in link.note


def test_writer_merges_words_that_overlap_and_keeps_links_of_other_names(tmp_path):
    links = [LinkInfo("bus", "board", 82_500, 72), LinkInfo("own", "host", 5_000, chunks=True)]
    with open_writer(tmp_path / "run.csv", links) as writer:
        writer.burst(Burst(0, 165_000, "bus", True, "board", (0x130, 0x30)))
        writer.burst(Burst(7_200, 17_200, "own", True, "host", (0x41, 0x142)))
        writer.burst(Burst(90_000, 95_000, "own", False, "thing", (0x8043,)))
        writer.burst(Burst(7_200_000, 14_400_000, "bus", True, "board", (BREAK,)))
    assert (tmp_path / "run.csv").read_text() == (
        "# uncertainty_us=1.000\n"
        "# link=bus;sender-out=board\n"
        "# link=own;sender-out=host;chunks=1;word_ticks=5000\n"
        "time_us,link,sender,value,mode\n"
        "0.000,bus,board,0x30,1\n"
        "100.000,own,host,0x41,\n"
        "169.444,own,host,0x42,1\n"
        "1145.833,bus,board,0x30,0\n"
        "1250.000,own,thing,0x8043,\n"
        "100000.000,bus,board,break,100000.000\n"
    )
    capture = open_capture(tmp_path / "run.csv")
    assert [burst.words[0] for burst in capture.events()] == [0x130, 0x41, 0x142, 0x30, 0x8043, BREAK]
    assert list(capture.links) == ["bus", "own"] and capture.links["own"].chunks


@pytest.mark.parametrize(
    "last, kept",
    [
        ("2000,bus,board,0x0B,1", True),  # whole, but for the line's end
        ("2000,bus,board,0x0B", False),
        ("2000,bus,board,0x0B,", False),
        ("2000,bus,bo", False),
        ("20", False),
        ("2", False),  # would also lie before the row ahead
        ("2000,bus,board,break,1000", False),  # the length may be cut
    ],
)
def test_last_line_without_its_end(tmp_path, last, kept):
    capture = read(tmp_path, HEADER + "1000,bus,board,0x0B,1\n" + last)
    assert len(list(capture.events())) == 1 + kept
    assert capture.cut is not kept
    assert [note.startswith("cut at the end: line 3 dropped") for note in capture.notes] == [True] * (
        not kept
    )


ROW = HEADER + "1000,bus,board,0x0B,1\n"


@pytest.mark.parametrize(
    "text, place, expected",
    [
        ("", "1", "the file ends here, expected the header time_us,link,sender,value,mode"),
        ("# uncertainty_us=1\n", "1", "expected the header"),
        ("time_us,link,sender,value\n", "1", "no column mode"),
        ("1000,bus,board,0x0B,1\n", "1", "no column time_us"),
        ("# uncertainty_us=lots\n" + HEADER, "1", "uncertainty_us 'lots', expected microseconds"),
        ("# link=own;sender-out=host\n" + HEADER, "1", "word_ticks=N"),
        (ROW + "2000,bus,board,0x0B\n", "3", "4 columns, expected 5"),
        (ROW + "soon,bus,board,0x0B,1\n", "3", "time_us 'soon', expected microseconds"),
        (ROW + "-1,bus,board,0x0B,1\n", "3", "time_us '-1', expected microseconds"),
        (ROW + "1e9,bus,board,0x0B,1\n", "3", "time_us '1e9', expected microseconds"),
        (ROW + "999,bus,board,0x0B,1\n", "3", "times in order"),
        (ROW + "2000,tram,board,0x0B,1\n", "3", "link 'tram', expected one of bus, kit, panel, audit"),
        (ROW + "2000,bus,,0x0B,1\n", "3", "sender '', expected a seat, master or device"),
        (ROW + "2000,bus,The Board,0x0B,1\n", "3", "expected a seat, master or device"),
        (ROW + "2000,bus,board,256,1\n", "3", "value '256', expected 0 to 255"),
        (ROW + "2000,bus,board,0x1FF,1\n", "3", "value '0x1FF', expected 0 to 255"),
        (ROW + "2000,bus,board,0xZZ,1\n", "3", "value '0xZZ'"),
        (ROW + "2000,bus,board,,1\n", "3", "value ''"),
        (ROW + "2000,bus,board,-1,1\n", "3", "value '-1'"),
        (ROW + "2000,bus,board,1_0,1\n", "3", "value '1_0'"),
        (ROW + "2000,bus,board,0x0B,2\n", "3", "mode '2', expected 0 or 1"),
        (ROW + "2000,bus,board,0x0B,\n", "3", "mode '', expected 0 or 1"),
        (ROW + "2000,kit,host,0x0B,1\n", "3", "mode '1', expected empty or 0"),
        (ROW + "2000,bus,board,break,\n", "3", "length of a break"),
        (ROW + "2000,bus,board,break,0\n", "3", "break of no length"),
        (ROW.encode() + b"2000,bus,board,\xff\xfe,1\n", "3", "value"),
        (ROW.encode() + bytes(20) + b"\n", "3", "columns, expected 5"),
    ],
)
def test_refused(tmp_path, text, place, expected):
    with pytest.raises(UsageError) as error:
        list(read(tmp_path, text).events())
    message = str(error.value)
    assert (
        message.startswith(f"{tmp_path / 'tap.csv'}:{place}: ")
        and expected in message
        and "\n" not in message
    )


def test_a_line_map_has_no_meaning_here(tmp_path):
    read(tmp_path, HEADER)
    with pytest.raises(UsageError, match="signals cannot be mapped"):
        open_capture(tmp_path / "tap.csv", {"bus_out": "D0"})
