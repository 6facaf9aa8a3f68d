"""pcapng: bytes worked out by hand from the published format, other tools' files, and what is refused.

Block types, options and their codes: IETF draft-ietf-opsawg-pcapng §3.5, §4.1 to §4.4.
"""

import struct

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import BREAK, Burst, Happening, LinkInfo

BUS = LinkInfo("bus", "board", 82_500)


def block(kind: int, *parts: str | bytes, order: str = "<") -> bytes:
    """A block made by the draft's rule: type, length, body, length."""
    body = b"".join(bytes.fromhex(part) if isinstance(part, str) else part for part in parts)
    length = struct.pack(order + "I", len(body) + 12)
    return struct.pack(order + "I", kind) + length + body + length


# Sections are 28 bytes, the bus interface 40, packets of one word 52.
SECTION = block(0x0A0D0D0A, "4d3c2b1a 0100 0000", b"\xff" * 8)
BUS_INTERFACE = block(1, "9300 0000 00000000", "0200 0300", b"bus\0", "0900 0100 09000000", "0000 0000")
WORD = "0200 0400 02000000 0000 0000"  # options of a packet: epb_flags outbound, end


def packet(ns: int, payload: str, options: str = WORD, interface: int = 0) -> bytes:
    data = bytes.fromhex(payload)
    head = struct.pack("<IIIII", interface, ns >> 32, ns & 0xFFFFFFFF, len(data), len(data))
    return block(6, head, data + bytes(-len(data) % 4), options)


# One poll of the changer at 1 ms, its ACK 2.5 ms after, the door at 10 ms. Worked out by hand:
#   1 ms = 1,000,000 ns = 0x000F4240. Two words of 82,500 ticks end at tick 72,000 + 165,000 = 237,000;
#   2.5 ms later is tick 417,000 = 5,791,666.67 ns, nearest 5,791,667 = 0x00585FB3. 10 ms = 0x00989680 ns.
#   Lengths: type 4, length 4, fixed part, options (4 each, values padded to 4), end of options 4, length 4.
HAND = bytes.fromhex(
    "0a0d0d0a 3c000000 4d3c2b1a 0100 0000 ffffffffffffffff"  # section: 24 + 16 + 12 + 4 + 4 = 60; version 1.0
    "0100 0c00 696e7465 72666163 65733d32"  # comment, 12: interfaces=2
    "0400 0800 62656e63 6873696d 0000 0000 3c000000"  # user application, 8: benchsim
    "01000000 58000000 9300 0000 00000000"  # interface: 16 + 8 + 8 + 48 + 4 + 4 = 88; link type 147
    "0200 0300 62757300 0900 0100 09000000"  # name, 3: bus; resolution, 1: 10^-9 s
    "0100 2900 73656e64 65722d6f 75743d62 6f617264 3b"  # comment, 41: sender-out=board;
    "756e63 65727461 696e7479 5f6e733d 303b 65646765733d31 000000 0000 0000 58000000"  # uncertainty…;edges=1
    "01000000 2c000000 9400 0000 00000000"  # interface: 16 + 12 + 8 + 4 + 4 = 44; link type 148
    "0200 0700 6d616368 696e6500 0900 0100 09000000 0000 0000 2c000000"  # name, 7: machine
    "06000000 38000000 00000000 00000000 40420f00 0c000000 0c000000"  # packet: 28 + 12 + 8 + 4 + 4 = 56
    "010b 00000000 000b 00000000 0200 0400 02000000 0000 0000 38000000"  # 10B, 00B; outbound
    "06000000 48000000 00000000 00000000 b35f5800 06000000 06000000"  # packet: 28 + 8 + 8 + 20 + 4 + 4 = 72
    "0100 00000000 0000 0200 0400 01000000"  # 100: ACK; inbound
    "0100 0e00 73656e64 65723d63 68616e67 65720000 0000 0000 48000000"  # comment, 14: sender=changer
    "06000000 58000000 01000000 00000000 80969800 35000000 35000000"  # packet: 28 + 56 + 4 = 88
    "7b226461 7461223a 7b226f70 656e223a 74727565 7d2c"  # {"data":{"open":true},
    "226b696e 64223a22 646f6f72 222c 22736561 74223a22 6d616368 696e6522 7d 000000"  # "kind"…, "seat"…
    "58000000"
)
EVENTS = [
    Burst(72_000, 237_000, "bus", True, "board", (0x10B, 0x00B)),
    Burst(417_000, 499_500, "bus", False, "changer", (0x100,)),
    Happening(720_000, "machine", "door", {"open": True}),
]


def file(tmp_path, *blocks: bytes):
    path = tmp_path / "foreign.pcapng"
    path.write_bytes(b"".join(blocks))
    return path


def test_writer_writes_the_bytes_worked_out_by_hand(tmp_path):
    with open_writer(tmp_path / "run.pcapng", [BUS]) as writer:
        writer.burst(EVENTS[0])
        writer.burst(EVENTS[1])
        writer.happening(EVENTS[2])
    assert (tmp_path / "run.pcapng").read_bytes() == HAND


def test_reader_reads_the_bytes_worked_out_by_hand(tmp_path):
    capture = open_capture(file(tmp_path, HAND))
    assert capture.links == {"bus": BUS}
    assert list(capture.events()) == EVENTS
    assert capture.end == 720_000


def test_gap_break_and_slow_clock_stand_where_the_format_says(tmp_path):
    with open_writer(tmp_path / "run.pcapng", [BUS]) as writer:
        writer.burst(Burst(0, 165_720, "bus", True, "board", (0x130, 0x8030), (0, 720)))  # 720 ticks: 10 us
        writer.burst(Burst(7_200_000, 14_400_000, "bus", True, "board", (BREAK,)))  # 7,200,000 ticks: 100 ms
        writer.burst(
            Burst(14_400_000, 374_400_000, "bus", True, "board", (BREAK,))
        )  # 5 s, over 32 bits of ns
        writer.burst(Burst(400_000_000, 400_166_667, "bus", True, "board", (0x130, 0x30)))  # 1 % slow
    data = (tmp_path / "run.pcapng").read_bytes()
    assert bytes.fromhex("0130 00000000 8030 00002710") in data  # 10,000 ns
    assert bytes.fromhex("4000 05f5e100") in data  # 100,000,000 ns
    assert bytes.fromhex("4000 ffffffff") in data and b"length_ns=5000000000" in data
    assert b"word_ns=1157409.722" in data  # 166,667 ticks / 2 / 72 us = 1,157,409.7222 ns
    assert [burst.end for burst in open_capture(tmp_path / "run.pcapng").events()][2:] == [
        374_400_000,
        400_166_667,
    ]


def test_all_of_a_link_comes_back(tmp_path):
    links = [
        LinkInfo("own", "host", 5_000, 7, False, True, "try; this=that"),
        LinkInfo("kit", "board", 6_250),
    ]
    open_writer(tmp_path / "run.pcapng", links).close()
    capture = open_capture(tmp_path / "run.pcapng")
    assert list(capture.links.values()) == links
    assert list(capture.events()) == [] and capture.end == 0 and not capture.cut


def test_what_was_written_before_a_kill_is_readable(tmp_path):
    writer = open_writer(tmp_path / "run.pcapng", [BUS])
    assert list(open_capture(tmp_path / "run.pcapng").events()) == []
    writer.burst(EVENTS[0])
    writer.flush()
    assert list(open_capture(tmp_path / "run.pcapng").events()) == EVENTS[:1]
    writer.close()


# -- other tools' files


def test_big_endian_section(tmp_path):
    head = struct.pack(">IIIII", 0, 0, 1_000_000, 12, 12)
    path = file(
        tmp_path,
        block(0x0A0D0D0A, "1a2b3c4d 0001 0000", b"\xff" * 8, order=">"),
        block(1, "0093 0000 00000000", "0002 0003", b"bus\0", "0009 0001 09000000", "0000 0000", order=">"),
        block(6, head, "010b 00000000 000b 00000000", "0002 0004 00000002", "0000 0000", order=">"),
    )
    assert list(open_capture(path).events()) == EVENTS[:1]


@pytest.mark.parametrize(
    "resolution, stamp, doubt",
    [
        ("06", 1_000, 72),  # microseconds: 72 ticks between two times, each half of that off
        ("03", 1, 72_000),  # milliseconds
        ("0c", 1_000_000_000, 0),  # picoseconds
        ("8a", 1, 70_313),  # 2^-10 s: 1 is 0.9765625 ms = 70,312.5 ticks
        ("9e", 1_073_742, 0),  # 2^-30 s: 1,073,742 is 1.00000016 ms = 72,000.01 ticks
    ],
)
def test_resolution_of_times(tmp_path, resolution, stamp, doubt):
    interface = block(
        1, "9300 0000 00000000", "0200 0300", b"bus\0", f"0900 0100 {resolution}000000", "0000 0000"
    )
    capture = open_capture(file(tmp_path, SECTION, interface, packet(stamp, "010b 00000000")))
    (burst,) = capture.events()
    assert burst.start == (70_313 if resolution == "8a" else 72_000)
    assert capture.links["bus"].uncertainty == doubt


def test_times_without_a_stated_resolution_are_microseconds(tmp_path):
    interface = block(1, "9300 0000 00000000", "0200 0300", b"bus\0", "0000 0000")
    (burst,) = open_capture(file(tmp_path, SECTION, interface, packet(1_000, "010b 00000000"))).events()
    assert burst.start == 72_000


def test_time_offset_in_seconds(tmp_path):
    offset = "0e00 0800 0200000000000000"
    interface = block(
        1, "9300 0000 00000000", "0200 0300", b"bus\0", "0900 0100 09000000", offset, "0000 0000"
    )
    (burst,) = open_capture(file(tmp_path, SECTION, interface, packet(0, "010b 00000000"))).events()
    assert burst.start == 144_000_000


def test_unknown_blocks_and_options_are_passed_over(tmp_path):
    path = file(
        tmp_path,
        SECTION,
        block(0x0000000A, "01020304"),  # decryption secrets
        BUS_INTERFACE,
        block(5, "00000000 0000000000000000"),  # interface statistics
        packet(
            0, "010b 00000000", "0300 0400 aabbccdd 0200 0400 01000000 ed0b 0100 ff000000"
        ),  # no end either
        block(3, "06000000 010b 00000000 0000"),  # simple packet: no time
        block(0x80000001, b""),
    )
    capture = open_capture(path)
    assert list(capture.events()) == [Burst(0, 82_500, "bus", False, "", (0x10B,))]
    assert capture.notes == ["1 packets without a time skipped"]
    assert not capture.has_machine and not capture.cut
    assert not capture.links["bus"].edges


def test_sections_one_after_another(tmp_path):
    path = file(tmp_path, HAND, SECTION, BUS_INTERFACE, packet(20_000_000, "010b 00000000"))
    assert [event[0] for event in open_capture(path).events()] == [72_000, 417_000, 720_000, 1_440_000]


# -- what is refused: one line that names the file, the place and what was expected

MACHINE_INTERFACE = block(
    1, "9400 0000 00000000", "0200 0700", b"machine\0", "0900 0100 09000000", "0000 0000"
)


@pytest.mark.parametrize(
    "blocks, place, expected",
    [
        ([], "0", "header ends here"),
        ([b"\x0a\x0d"], "0", "pcapng section header"),
        ([b"PK\x03\x04" + bytes(60)], "0", "pcapng section header"),
        ([SECTION[:8] + b"\1\2\3\4" + SECTION[12:]], "8", "byte-order magic"),
        ([SECTION], "28", "whole interface blocks"),
        ([SECTION[:20]], "0", "whole interface blocks"),
        ([SECTION, BUS_INTERFACE[:30]], "28", "whole interface blocks"),
        ([SECTION, BUS_INTERFACE, BUS_INTERFACE[:30]], "68", "whole interface blocks"),
        ([HAND[:148]], "148", "whole interface blocks"),  # the second of two promised interfaces is missing
        ([SECTION, block(1, "9300 0000 00000000")], "28", "the link's name as if_name"),
        ([SECTION, block(1, "0100 0000 00000000", "0200 0300", b"bus\0")], "28", "link type 147"),
        ([SECTION, block(1, "9300 0000 00000000", "0200 0400", b"line")], "28", "word_ticks=N"),
        ([SECTION, block(1, "9300 0000 00000000", "0200 4000", b"bus\0")], "28", "whole options"),
        ([SECTION, block(1, "93000000")], "28", "20 or more"),
        (
            [SECTION, block(1, "9300 0000 00000000", "0e00 0400 00000000", "0200 0300", b"bus\0")],
            "28",
            "expected 8",
        ),
        ([SECTION, BUS_INTERFACE, packet(0, "010b")], "96", "6 a word"),
        ([SECTION, BUS_INTERFACE, packet(0, "")], "96", "6 a word"),
        ([SECTION, BUS_INTERFACE, packet(0, "010b 00000000", "")], "68", "inbound or outbound"),
        ([SECTION, BUS_INTERFACE, packet(0, "010b 00000000", interface=1)], "76", "one of 1"),
        ([SECTION, BUS_INTERFACE, packet(0, "4000 00000001 0001 00000000")], "96", "alone in its packet"),
        (
            [
                SECTION,
                BUS_INTERFACE,
                packet(0, "0001 00000000", WORD[:-10] + "0100 0900" + b"word_ns=x".hex() + "000000"),
            ],
            "68",
            "three decimals",
        ),
        ([SECTION, BUS_INTERFACE, block(6, "00000000 00000000")], "68", "32 or more"),
        (
            [
                SECTION,
                BUS_INTERFACE,
                block(6, "00000000 00000000 00000000 06000000 0c000000 010b 00000000 0000", WORD),
            ],
            "88",
            "a whole packet",
        ),
        (
            [
                SECTION,
                BUS_INTERFACE,
                block(6, "00000000 00000000 00000000 60000000 60000000 010b 00000000 0000", WORD),
            ],
            "88",
            "a whole packet",
        ),
        (
            [SECTION, BUS_INTERFACE, packet(2_000, "010b 00000000"), packet(1_000, "010b 00000000")],
            "120",
            "times in order",
        ),
        ([SECTION, BUS_INTERFACE, b"\6\0\0\0\7\0\0\0" + bytes(40)], "72", "block length 7"),
        ([SECTION, BUS_INTERFACE, b"\6\0\0\0\0\0\0\x7f"], "72", "block length"),
        ([SECTION, BUS_INTERFACE, packet(0, "010b 00000000")[:-4] + b"\0\0\0\0"], "116", "length 52 again"),
        ([SECTION, MACHINE_INTERFACE, packet(0, b"{}".hex())], "100", "expected JSON"),
        ([SECTION, MACHINE_INTERFACE, packet(0, b"[1".hex())], "100", "expected JSON"),
        (
            [SECTION, MACHINE_INTERFACE, packet(0, b'{"seat":1,"kind":"a","data":{}}'.hex())],
            "100",
            "expected JSON",
        ),
    ],
)
def test_refused(tmp_path, blocks, place, expected):
    path = file(tmp_path, *blocks)
    with pytest.raises(UsageError) as error:
        list(open_capture(path).events())
    text = str(error.value)
    assert text.startswith(f"{path}:offset {place}: ") and expected in text and "\n" not in text


@pytest.mark.parametrize("body", ["", "00000000", "00000000 00000000 00000000", "00000000 00000000 00000000 00000000"])
def test_a_packet_without_its_head_is_refused_by_whoever_reads_happenings_alone(tmp_path, body):
    path = file(tmp_path, SECTION, MACHINE_INTERFACE, block(6, body))
    with pytest.raises(UsageError, match="expected 32 or more"):
        list(open_capture(path).happenings())


def test_a_line_map_has_no_meaning_here(tmp_path):
    with pytest.raises(UsageError, match="signals cannot be mapped"):
        open_capture(file(tmp_path, HAND), {"bus_out": "D0"})


def test_a_gap_too_long_for_its_field_comes_back_exactly(tmp_path):
    """By hand: 5 s of idle line are 360,000,000 ticks and 5,000,000,000 ns, over the 4,294,967,295 of a u32."""
    burst = Burst(0, 3 * 82_500 + 720 + 360_000_000, "bus", True, "board", (0x130, 0x30, 0x31), (0, 360_000_000, 720))
    with open_writer(tmp_path / "run.pcapng", [BUS]) as writer:
        writer.burst(burst)
        writer.burst(burst._replace(start=burst.end, end=2 * burst.end + 300))  # 100 ticks a word slower
    data = (tmp_path / "run.pcapng").read_bytes()
    assert bytes.fromhex("0130 00000000 0030 ffffffff 0031 00002710") in data  # 720 ticks: 10,000 ns
    assert b"gap_ns=1:5000000000" in data and b"word_ns=1147222.222;gap_ns=1:5000000000" in data
    assert list(open_capture(tmp_path / "run.pcapng").events()) == [
        burst, burst._replace(start=burst.end, end=2 * burst.end + 300)
    ]  # fmt: skip


@pytest.mark.parametrize("told", ["3:1", "x", "1:", "1:9999999999999999999", ""])
def test_a_long_gap_that_makes_no_sense_is_refused(tmp_path, told):
    comment = f"gap_ns={told}".encode()
    options = struct.pack("<HHI", 2, 4, 2) + struct.pack("<HH", 1, len(comment)) + comment
    options += bytes(-len(comment) % 4) + bytes(4)
    path = file(tmp_path, SECTION, BUS_INTERFACE, packet(0, "0130 00000000 0030 ffffffff", options.hex()))
    with pytest.raises(UsageError, match="expected WORD:NANOSECONDS") as error:
        list(open_capture(path).events())
    assert str(error.value).startswith(f"{path}:offset 68: ")
