"""One exchange, as text and as SVG."""

from xml.etree import ElementTree as Tree

import pytest
from sample_record import exchange

from benchsim.reports import Exchange, Limit, Stretch
from benchsim.reports.timeline import as_svg, as_text, lanes, missed_by


def boxes(drawing, class_):
    return [box for box in Tree.fromstring(drawing).iter("rect") if box.get("class") == class_]


def test_text_lists_words_and_the_limit_in_order_of_time():
    lines = as_text(exchange()).splitlines()
    assert lines[0] == "changer answers, board acknowledges"
    # Three words of 11 bits at 9600 baud end at 3.4375 ms (11 * 3 / 9.6); the limit is 5 ms later.
    assert [line.split() for line in lines[-5:]] == [
        ["0.000", "ms", "changer:", "003"],
        ["1.146", "ms", "changer:", "150"],
        ["2.292", "ms", "changer:", "153*"],
        ["8.438", "ms", "--", "ACK", "within", "5", "ms:", "until", "here", "--"],
        ["9.648", "ms", "board:", "100"],
    ]


@pytest.mark.parametrize("width", [40, 80, 120])
def test_lanes_are_to_scale_and_fit(width):
    lines = as_text(exchange(), width).splitlines()
    changer, board, limit = lines[1:4]
    assert all(len(line) <= width for line in lines[:4])
    assert changer.split()[1].startswith("###")
    # The board talks after the limit's end, and nobody talks in between.
    end = limit.index("|")
    assert "#" not in board[:end].removeprefix("board")
    assert "#" in board[end:]
    assert "#" not in changer[limit.index("=") + 1 :]


def test_a_word_at_its_limit_is_not_past_it():
    held = Exchange(
        [Stretch("a", 0.0, 0.001, "q"), Stretch("b", 0.006, 0.007, "r")], Limit(0.001, 0.006, "5 ms")
    )
    assert missed_by(held) is None
    assert missed_by(exchange()) == pytest.approx(0.00121)
    lines = as_text(held).splitlines()
    assert lines[-1].endswith("until here --")


@pytest.mark.parametrize(("start_s", "missed"), [(0.150, 0.05), (0.2, None), (0.3, None)])
def test_a_time_to_be_waited_out_is_missed_by_a_word_before_its_end(start_s, missed):
    early = Exchange(
        [Stretch("a", start_s, start_s + 0.001, "x")], Limit(0.0, 0.2, "not before 200 ms", True)
    )
    assert missed_by(early) == (missed and pytest.approx(missed))
    assert ("not before 200 ms, 50 ms too early" in as_svg(early)) == bool(missed)


def test_lanes_stand_in_order_of_first_word():
    assert lanes(exchange()) == ["changer", "board"]
    late = Exchange([Stretch("b", 2.0, 2.1, "x"), Stretch("a", 1.0, 1.1, "y")])
    assert lanes(late) == ["a", "b"]


def test_svg_draws_every_word_and_the_limit():
    drawing = as_svg(exchange())
    words = boxes(drawing, "word")
    assert len(words) == 4
    allowed = boxes(drawing, "allowed")[0]
    left = float(allowed.get("x"))
    right = left + float(allowed.get("width"))
    assert float(words[3].get("x")) > right
    assert all(float(word.get("x")) + float(word.get("width")) <= left for word in words[:3])
    texts = [text.text for text in Tree.fromstring(drawing).iter("text")]
    assert {"changer", "board", "003", "153*", "ACK within 5 ms, 1.21 ms too late"} <= set(texts)


def test_without_limit_or_words():
    assert boxes(as_svg(Exchange([Stretch("a", 0.0, 1.0, "x")])), "allowed") == []
    assert as_svg(Exchange([])) == ""
    assert as_text(Exchange([])) == "nothing was said"
    assert "a: x" in as_text(Exchange([Stretch("a", 1.0, 1.0, "x")]))


def test_hostile_names_stay_text():
    bad = Exchange([Stretch('<b a="', 0.0, 1.0, "</svg>\x00")], Limit(0.0, 0.5, "&\x1b"), "<script>")
    root = Tree.fromstring(as_svg(bad))
    assert {child.tag for child in root.iter()} == {"svg", "title", "rect", "line", "text"}
    assert "\x1b" not in as_text(bad)
