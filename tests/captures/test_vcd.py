"""VCD: levels drawn by hand as an analyser would export them, and what the reader makes of them.

Syntax: IEEE 1364-2005 §18.2. Words: MDB/ICP 4.3 §2 (start bit 0, eight data bits from bit 0 up, mode bit,
stop bit 1, 9600 baud); kit link reference (eight data bits, 115,200 baud).
"""

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import BREAK, FRAMING, Burst, LinkInfo

BIT = 1e6 / 9600  # us
WORD = 82_500  # ticks


def levels(bits: str, at: float, bit: float = BIT) -> list[tuple[float, int]]:
    """(time in us, level) of a row of bits as drawn, from `at` on; spaces are for the eye."""
    drawn = bits.replace(" ", "")
    return [(at + number * bit, int(level)) for number, level in enumerate(drawn)] + [
        (at + len(drawn) * bit, 1)
    ]


def vcd(
    wires: dict[str, list], end: float = 0, scale: str = "1 us", per_us: float = 1, idle: int = 1, invert=()
) -> str:
    """A file in which every wire starts at its idle level and then follows (time in us, level)."""
    names = list(wires)
    lines = [f"$timescale {scale} $end", "$scope module top $end"]
    lines += [f"$var wire 1 {chr(65 + number)} {name} $end" for number, name in enumerate(names)]
    lines += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    lines += [
        f"{1 - idle if name in invert else idle}{chr(65 + number)}" for number, name in enumerate(names)
    ] + ["$end"]
    changes = []
    for number, name in enumerate(names):
        for time, level in wires[name]:
            value = 1 - level if name in invert and level in (0, 1) else level
            changes.append((round(time * per_us), number, value))
    for time, number, value in sorted(changes, key=lambda change: change[0]):
        lines += [f"#{time}", f"{value}{chr(65 + number)}"]
    last = max([time for time, _, _ in changes], default=0)
    return "\n".join([*lines, f"#{max(last, round(end * per_us)) + 1}", ""])


def read(tmp_path, text: str, line_map: dict[str, str] = {}):
    path = tmp_path / "analyser.vcd"
    path.write_bytes(text.encode())
    return open_capture(path, line_map)


def heard(capture) -> list[tuple[str, bool, int]]:
    return [(burst.link, burst.out, burst.words[0]) for burst in capture.events()]


# 0B with mode 1, and its ACK 00 with mode 1: start, bits 0 to 7, mode, stop.
POLL = "0 11010000 1 1"
ACK = "0 00000000 1 1"
EXCHANGE = [("bus", True, 0x10B), ("bus", True, 0x00B), ("bus", False, 0x100)]


def exchange() -> dict[str, list]:
    poll = levels(POLL, 1_000) + levels("0 11010000 0 1", 1_000 + 11 * BIT)
    return {"bus_out": poll, "bus_in": levels(ACK, 6_000)}


# An edge is off by half a unit, in whole ticks. Two edges bound a time, and the end of a word, 11 bits long,
# comes from a length measured over five bits or more: 2 x edge + 2 x edge x 11 / 5, each rounded up.
@pytest.mark.parametrize(
    "scale, per_us, edge, doubt",
    [
        ("1 us", 1, 36, 231),
        ("1us", 1, 36, 231),
        ("100 ns", 10, 4, 26),
        ("10\nns", 100, 1, 7),
        ("1 ns", 1_000, 1, 7),
        ("1 ps", 10**6, 1, 7),
    ],
)
def test_exchange_at_any_time_scale(tmp_path, scale, per_us, edge, doubt):
    capture = read(tmp_path, vcd(exchange(), scale=scale, per_us=per_us))
    bursts = list(capture.events())
    assert [(burst.link, burst.out, burst.words[0]) for burst in bursts] == EXCHANGE
    assert capture.links["bus"] == LinkInfo(
        "bus", "board", WORD, uncertainty=doubt, note=capture.links["bus"].note
    )
    for burst, start in zip(bursts, [72_000, 72_000 + WORD, 432_000]):
        assert abs(burst.start - start) <= edge
        assert abs(burst.end - burst.start - WORD) <= 2 * edge
    assert capture.notes == [] and not capture.cut and not capture.has_machine
    assert capture.end >= 432_000 + WORD - edge


def test_times_and_levels_on_one_line_as_some_tools_write(tmp_path):
    text = vcd(exchange())
    head, _, body = text.partition("$enddefinitions $end")
    flat = head.replace("\n", " ") + "$enddefinitions $end " + body.replace("\n", " ").strip() + "\n"
    assert heard(read(tmp_path, flat)) == EXCHANGE


def test_signals_of_any_name_among_others(tmp_path):
    wires = exchange()
    text = vcd({"D0": wires["bus_out"], "D1": wires["bus_in"], "D2": [(50, 0), (60, 1)]})
    text = text.replace("$upscope", "$var integer 8 ! count $end\n$var real 64 r volt $end\n$upscope")
    text = text.replace("#0\n", "#0\nb00001111 !\nr1.5 r\n$comment 1A 0B #7 $end\n")
    capture = read(tmp_path, text, {"bus_out": "D0", "bus_in": "top.D1"})
    assert heard(capture) == EXCHANGE
    assert list(capture.links) == ["bus"]


def test_one_bit_vectors(tmp_path):
    text = vcd(exchange())
    body = text.partition("$enddefinitions")[2]
    vectors = body.replace("\n1A", "\nb1 A").replace("\n0A", "\nb0 A")
    assert vectors != body
    assert heard(read(tmp_path, text.replace(body, vectors))) == EXCHANGE


def test_eight_bit_links_and_the_order_over_all_wires(tmp_path):
    fast = 1e6 / 115_200
    wires = {
        "kit_out": levels("0 01111110 1", 5_000, fast),  # 7E
        "kit_in": levels("0 10111110 1", 1_500, fast),  # 7D
        "panel_in": levels("0 10000000 1", 200),  # 01
        "audit_out": levels("0 10100000 1", 100),  # 05, ENQ
        "audit_in": levels("0 00001000 1", 150),  # 10, DLE
        "bus_out": levels(POLL, 1_000),
    }
    capture = read(tmp_path, vcd(wires, scale="1 ns", per_us=1_000))
    assert heard(capture) == [
        ("audit", True, 0x05),
        ("audit", False, 0x10),
        ("panel", False, 0x01),
        ("bus", True, 0x10B),
        ("kit", False, 0x7D),
        ("kit", True, 0x7E),
    ]
    assert [burst.sender for burst in capture.events()] == [
        "auditor",
        "board",
        "panel",
        "board",
        "board",
        "host",
    ]
    assert capture.notes == ["bus_in was not recorded"]


def test_line_that_idles_low_is_read_inverted(tmp_path):
    capture = read(tmp_path, vcd(exchange(), end=20_000, invert=("bus_in",)))
    assert heard(capture) == EXCHANGE
    assert capture.notes == ["bus_in idles at 0: read inverted"]


def test_silent_line_at_0_is_taken_for_idle(tmp_path):
    capture = read(tmp_path, vcd({**exchange(), "kit_in": []}, invert=("kit_in",)))
    assert heard(capture) == EXCHANGE
    assert "kit_in idles at 0: read inverted" in capture.notes


def test_long_breaks_do_not_make_a_line_inverted(tmp_path):
    wires = {
        "bus_out": [(1_000, 0), (300_000, 1), *levels(POLL, 600_000), (700_000, 0), (990_000, 1)],
        "bus_in": [],
    }
    capture = read(tmp_path, vcd(wires, end=1_000_000))
    assert [word for _, _, word in heard(capture)] == [BREAK, 0x10B, BREAK]
    assert capture.notes == []


@pytest.mark.parametrize(
    "held, words",
    [
        (2 * 11 * BIT + 2, [BREAK]),
        (100_000, [BREAK]),
        (2 * 11 * BIT - 2, [FRAMING]),  # active, but not for two word times: a word with a bad stop bit
        (11 * BIT, [FRAMING]),
    ],
)
def test_break_and_framing_error(tmp_path, held, words):
    bursts = list(
        read(tmp_path, vcd({"bus_out": [(500, 0), (500 + held, 1)], "bus_in": []}, end=200_000)).events()
    )
    assert [burst.words[0] for burst in bursts] == words
    assert bursts[0].start == 36_000
    assert abs(bursts[0].end - 36_000 - (held * 72 if words == [BREAK] else WORD)) <= 72


def test_bad_stop_bit_inside_traffic(tmp_path):
    wire = levels("0 11010000 1 0 11", 1_000) + levels("0 01010101 0 1", 3_000)
    assert [word for *_, word in heard(read(tmp_path, vcd({"bus_out": wire, "bus_in": []})))] == [
        FRAMING | 0x10B,
        0xAA,
    ]


def test_word_that_runs_into_a_break(tmp_path):
    wire = [*levels("0 1101", 1_000)[:-1], (1_000 + 5 * BIT, 0), (150_000, 1)]
    bursts = list(read(tmp_path, vcd({"bus_out": wire, "bus_in": []}, end=200_000)).events())
    assert [burst.words[0] for burst in bursts] == [FRAMING | 0x0B, BREAK]
    assert abs(bursts[1].start - (1_000 + 5 * BIT) * 72) <= 36


def test_line_held_for_ever_is_told_and_bounded(tmp_path):
    wires = {"bus_out": [(1_000, 0)], "bus_in": levels(ACK, 30_000_000)}
    capture = read(tmp_path, vcd(wires))
    bursts = list(capture.events())
    assert [(burst.out, burst.words[0]) for burst in bursts] == [(True, BREAK), (False, 0x100)]
    assert bursts[0].end - bursts[0].start == 10 * 72_000_000
    assert any("bus_out was held active for over 10 s" in note for note in capture.notes)


def test_pulses_shorter_than_a_quarter_bit_are_no_bits(tmp_path):
    wires = exchange()
    wires["bus_out"] += [(200, 0), (220, 1)]  # while idle: 20 us of 104
    wires["bus_in"] += [(6_150, 1), (6_155, 0), (6_900, 1), (6_910, 0)]  # inside the ACK
    capture = read(tmp_path, vcd(wires))
    assert heard(capture) == EXCHANGE
    assert capture.notes == [
        "1 pulses shorter than a bit on bus_out ignored",
        "2 pulses shorter than a bit on bus_in ignored",
    ]


def test_unknown_levels_count_as_idle(tmp_path):
    wires = exchange()
    wires["bus_out"] += [(100, "x"), (300, 1)]
    wires["bus_in"] += [(9_000, "z"), (9_500, 1)]
    capture = read(tmp_path, vcd(wires))
    assert heard(capture) == EXCHANGE
    assert capture.notes == ["2 unknown levels (x, z) taken as idle"]


def test_capture_begun_inside_a_word_waits_for_an_idle_word(tmp_path):
    wires = exchange()
    wires["bus_out"] = [(0, 0), *levels("1 0 1 0 0 1", 30)] + [
        (time + 3_000, level) for time, level in wires["bus_out"]
    ]
    text = vcd(wires).replace("$dumpvars\n1A", "$dumpvars\n0A")
    capture = read(tmp_path, text)
    assert [word for *_, word in heard(capture)] == [0x10B, 0x00B, 0x100]
    assert capture.notes == ["bus_out was active at the beginning: read from its first idle word on"]


@pytest.mark.parametrize("error", [-0.03, -0.01, 0.01, 0.03])
def test_true_bit_length_is_measured(tmp_path, error):
    wire = levels(POLL, 1_000, BIT * (1 + error))
    (burst,) = read(tmp_path, vcd({"bus_out": wire, "bus_in": []}, end=9_000)).events()
    assert burst.words == (0x10B,)
    # Last edge where the mode bit begins, 9 bits on; two edges of 0.5 us make 11/9 us.
    assert abs(burst.word_ticks() - WORD * (1 + error)) <= 72 * 11 / 9 + 1


def test_sample_period_counts_where_it_is_coarser_than_the_time_scale(tmp_path):
    """An analyser at 200 kHz that writes nanoseconds: every time is a multiple of 5,000 ns."""
    coarse = {
        wire: [(round(time / 5) * 5, level) for time, level in rows] for wire, rows in exchange().items()
    }
    text = vcd(coarse, end=9_999, scale="1 ns", per_us=1_000).replace("#9999001\n", "#10000000\n")
    capture = read(tmp_path, text)
    assert heard(capture) == EXCHANGE
    assert capture.links["bus"].uncertainty == 360 + 792  # an edge 2.5 us: 2 x 180, and 2 x 180 x 11 / 5


def test_last_word_without_a_time_past_it(tmp_path):
    """00 with mode 0: its stop bit begins with the last edge. 0B with mode 1: nothing tells that it came."""

    def without_end(bits: str, edge: int) -> str:
        lines = vcd({"bus_out": levels(bits, 1_000), "bus_in": []}).split("\n")
        return "\n".join(lines[: lines.index(f"#{round(1_000 + edge * BIT)}") + 2]) + "\n"

    whole = read(tmp_path, without_end("0 00000000 0 1", 10))
    assert [word for *_, word in heard(whole)] == [0x000] and not whole.cut
    short = read(tmp_path, without_end(POLL, 9))
    assert heard(short) == [] and short.cut
    assert short.notes == ["cut at the end: an unfinished word or break on bus_out dropped"]


def test_two_senders_at_once_on_one_conductor(tmp_path):
    """The levels of both, active wins: 0F over 33 (bits 0 up 1111 0000 and 1100 1100) reads as 03."""
    with open_writer(tmp_path / "run.vcd", [LinkInfo("bus", "board", WORD)]) as writer:
        writer.burst(Burst(7_200, 7_200 + WORD, "bus", False, "changer", (0x10F,)))
        writer.burst(Burst(7_200, 7_200 + WORD, "bus", False, "validator", (0x133,)))
    assert heard(open_capture(tmp_path / "run.vcd")) == [("bus", False, 0x103)]


def test_writer_draws_what_the_standard_draws(tmp_path):
    with open_writer(tmp_path / "run.vcd", [LinkInfo("bus", "board", WORD)]) as writer:
        writer.burst(Burst(0, WORD, "bus", True, "board", (0x10B,)))
    # Edges of 0 11010000 1 1 after 0, 1, 3, 4, 5 and 9 bits of 104.1667 us; the end at 1145.83 us.
    assert (tmp_path / "run.vcd").read_text() == (
        "$comment link=bus;sender-out=board;uncertainty_ns=0;edges=1 $end\n"
        "$timescale 1 us $end\n$scope module benchsim $end\n"
        '$var wire 1 ! bus_out $end\n$var wire 1 " bus_in $end\n'
        "$upscope $end\n$enddefinitions $end\n"
        '#0\n$dumpvars\n1!\n1"\n$end\n'
        "#0\n0!\n#104\n1!\n#313\n0!\n#417\n1!\n#521\n0!\n#938\n1!\n#1147\n"
    )


HEAD = "$timescale 1 us $end\n$var wire 1 A bus_out $end\n$var wire 1 B bus_in $end\n"
BODY = "$enddefinitions $end\n#0\n1A\n1B\n"


@pytest.mark.parametrize(
    "text, place, expected",
    [
        ("", "1", "expected $enddefinitions $end"),
        (HEAD, "3", "expected $enddefinitions $end"),
        ("hello\n", "1", "'hello', expected a VCD declaration"),
        (HEAD.replace("1 us", "1 day") + BODY, "1", "time scale '1 day', expected one like 1 us"),
        (HEAD.replace("1 us", "0 us") + BODY, "1", "expected one like 1 us"),
        (HEAD.partition("\n")[2] + BODY, "3", "expected $timescale"),
        (HEAD + "$var wire A $end\n" + BODY, "4", "expected $var TYPE BITS CODE NAME $end"),
        (HEAD.replace("bus_", "D") + BODY, "signals", "Dout, Din, expected bus_out"),
        (HEAD + "$var wire 1 C bus_out $end\n" + BODY, "signals", "stands for several"),
        (HEAD.replace("wire 1 A", "wire 8 A") + BODY, "signals", "bus_out has 8 bits, expected one"),
        (HEAD + BODY + "#5\n0C\n", "9", "'C', expected the code of a declared signal"),
        (HEAD + BODY + "#5\nb0 C\n", "9", "'C', expected the code of a declared signal"),
        (HEAD + BODY + "#5\n#4\n", "9", "time 4 after 5, expected times in order"),
        (HEAD + BODY + "#-5\n", "8", "'#-5', expected a time"),
        (HEAD + BODY + "#5\nwhat\n", "9", "'what', expected a time or a change of level"),
        ("$comment link=own;sender-out=host $end\n" + HEAD + BODY, "1", "word_ticks=N"),
    ],
)
def test_refused(tmp_path, text, place, expected):
    with pytest.raises(UsageError) as error:
        list(read(tmp_path, text).events())
    message = str(error.value)
    assert message.startswith(f"{tmp_path / 'analyser.vcd'}:{place}: ") and expected in message
    assert "\n" not in message


@pytest.mark.parametrize(
    "line_map, expected",
    [
        ({"bus_sideways": "bus_out"}, "line map: 'bus_sideways', expected one of bus_out, bus_in, kit_out"),
        ({"panel_out": "bus_out"}, "line map: 'panel_out'"),
        ({"bus_out": "D7"}, "signals: no 'D7', expected one of bus_out, bus_in"),
    ],
)
def test_line_map_that_leads_nowhere(tmp_path, line_map, expected):
    with pytest.raises(UsageError) as error:
        read(tmp_path, HEAD + BODY, line_map)
    assert expected in str(error.value)
