"""The HTML report, read by a parser: what it says, that text stays text, that nothing comes from outside."""

import io
import re
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from sample_record import (
    RULES,
    clean_record,
    document,
    sample_record,
    unsure_record,
    untested_record,
    verdict,
)

from benchsim.reports import CaseNote, Exchange, Limit, Record, Stretch
from benchsim.reports.cautions import CAUTIONS
from benchsim.reports.folder import write_folder
from benchsim.reports.html import write_html
from benchsim.reports.practice import all_practice

# Elements without an end tag (HTML Living Standard, 13.1.2, void elements) that the page uses.
VOID = {"meta", "input"}


class Page(HTMLParser):
    """Elements with their attributes and all text; complains about tags that do not nest."""

    def __init__(self, source):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.pieces = [], [], []
        self.feed(source)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.pieces.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.pieces).split())

    def all(self, tag, class_=None):
        return [held for name, held in self.elements if name == tag and class_ in (None, held.get("class"))]


def source(record):
    stream = io.StringIO()
    write_html(record, stream)
    return stream.getvalue()


def page(record):
    return Page(source(record))


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (sample_record, "× FAIL 2 verdicts failed, 1 wrong variant slipped through the self-test and 1 legal variant was accused in the self-test."),
        (clean_record, "✓ ok Every rule that was put to the test held"),
        (unsure_record, "? unsure Nothing failed, but 1 verdict lies within the doubt of the measurement."),
        (untested_record, "? unsure Nothing was put to the test."),
    ],
)
def test_the_outcome_is_said_in_words(record, words):
    assert words in page(record()).text


def test_the_summary_has_all_that_a_reader_asks_first():
    text = page(sample_record()).text
    for part in ("3 min 57 s", "29 411", "benchsim check shop.toml --test board --seed 7", "benchsim 0.1.0"):
        assert part in text
    for word in ("2 × FAIL", "1 ? unsure", "1 ! warn", "32 ✓ ok", "10 – unseen"):
        assert word in text


def test_cases_say_what_they_provoke_and_how_to_run_them_again():
    record = sample_record()
    text = page(record).text
    for note in record.cases:
        assert note.provokes in text
        assert note.replay in text
        for words in note.notes:
            assert words in text


def test_every_rule_that_needs_a_look_is_unfolded_with_its_evidence():
    found = page(sample_record())
    folds = {held["id"]: held for held in found.all("details") if "id" in held}
    unfolded = {name for name, held in folds.items() if "open" in held}
    assert unfolded == {
        "rule-BUS-ACK-board", "rule-KIT-PRICE-WHOLE-board", "rule-BUS-SETTLE-board",
        "rule-BUS-POLL-RATE-board",
    }  # fmt: skip
    assert "rule-BUS-GAP-board" in folds
    for part in (
        RULES["BUS-ACK"],
        "12.104371 s",
        "1207",
        "board: ACK (100) 6.21 ms after changer: 003 150 153*",
        "at most 5 ms",
        "-1.21 ms",
        "± 0.05 ms",
        "MDB/ICP 4.3 §3",
    ):
        assert part in found.text


def test_what_was_measured_is_drawn():
    found = page(sample_record())
    drawings = [held["aria-label"] for held in found.all("svg", "histogram")]
    assert len(drawings) == 5
    assert "2\u202f777 values, 0.5261 to 6.21 ms, 3 past the limit" in drawings[0]
    exchanges = [held["aria-label"] for held in found.all("svg", "timeline")]
    assert len(exchanges) == 1
    assert "9.648 ms board: 100" in re.sub(" +", " ", exchanges[0])


def test_unseen_rules_are_listed_with_their_reason():
    text = page(sample_record()).text
    assert "1 rule: the door was never opened SYS-DOOR board" in text


def test_the_rest_of_what_a_reader_needs():
    record = sample_record()
    text = page(record).text
    for part in (*record.how.values(), *record.about, *record.about.values(), *record.captures):
        assert part in text
    assert " ".join(record.bench_text.split()) in text
    assert "× MISSED swallows-tag 3 seeds, missed with seed 8 changer BUS-REPEAT" in text
    assert "× ACCUSED no-zeros 3 seeds changer BUS-SHAPE in start-up, seed 8" in text
    assert "✓ clear slow-and-legal 3 seeds changer" in text


@pytest.mark.parametrize(
    "words",
    [
        "isolator between the payment bus and any computer",
        "34 V supply must be off",
        "Mains off and unplugged",
        "compressor starts by itself",
        "Coils move",
        "judged by a person",
        "Local codes and licensed practice decide",
    ],
)
@pytest.mark.parametrize("record", [sample_record, untested_record])
def test_the_cautions_are_always_there(record, words):
    assert len(CAUTIONS) == 7
    assert words in page(record()).text


@pytest.mark.parametrize("record", [sample_record, clean_record, unsure_record, untested_record])
def test_links_inside_the_page_lead_somewhere(record):
    found = page(record())
    names = [held["id"] for _, held in found.elements if "id" in held]
    assert len(names) == len(set(names))
    for held in found.all("a"):
        if held["href"].startswith("#"):
            assert held["href"][1:] in names


def test_nothing_comes_from_the_network():
    text = source(sample_record())
    assert not re.search(
        r"https?://|//[a-z]|@import|\burl\((?!#)", re.sub(r"^\s*// .*$", "", text, flags=re.M)
    )
    found = Page(text)
    assert not {"link", "img", "iframe", "object", "embed"} & {tag for tag, _ in found.elements}
    assert not any("src" in held for _, held in found.elements)
    policy = [
        held["content"] for held in found.all("meta") if held.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy[0].startswith("default-src 'none'")


HOSTILE_TAGS = "</style></script><script>alert(1)</script><img src=x onerror=alert(1)> \"'&amp;{{ 7*7 }}"
HOSTILE = HOSTILE_TAGS + "\x00\x1b[1m\u202e"
SEEN = HOSTILE_TAGS + "\\x00\\x1b[1m\\u202e"


def hostile_record(text):
    key = (text, text, text)
    at = [{"time_s": 1.0, "frame": 1, "text": text}]
    found = [
        verdict(
            text,
            "fail",
            text,
            2,
            1,
            judged=text,
            worst=6.0,
            limit=5.0,
            margin=-1.0,
            unit=text,
            at=at,
            source=text,
        ),
        verdict("BUS-GAP", "unseen", text, judged=text, why=text),
    ]
    record = Record(
        document=document(
            found, [{"variant": text, "seat": text, "rule": text, "caught": False, "seeds": 1, "missed": [1]}], subject=text
        ),
        cases=[CaseNote(text, text, text, 1.0, text, [text])],
        samples={key: [1.0, 6.0]},
        about={text: text},
        bench_text=text,
        captures=[text],
        how={text: text},
        rule_text={text: text},
        replay=text,
        exchanges={key: Exchange([Stretch(text, 0.0, 1.0, text)], Limit(0.0, 0.5, text), text)},
    )
    record.document["tool"] = {"name": text, "version": text}
    return record


def test_hostile_text_stays_text():
    found = page(hostile_record(HOSTILE))
    assert len(found.all("script")) == 1
    assert len(found.all("img")) == 0
    assert not any(name.startswith("on") for _, held in found.elements for name in held)
    assert found.text.count(SEEN) > 10
    assert "49" not in found.text


def shape(record):
    """Elements and attribute names; words of a command line are a span each, so those are left out."""
    return [(tag, sorted(held)) for tag, held in page(record).elements if tag not in ("span", "text")]


@settings(max_examples=40, deadline=None)
@given(st.text(alphabet=st.characters(codec=None), min_size=1, max_size=30).filter(str.strip))
def test_no_text_changes_the_shape_of_the_page(text):
    assume(text not in all_practice())  # a rule's own name brings its advice with it, and that is more elements
    assert shape(hostile_record(text)) == shape(hostile_record("plain"))


def test_a_capture_of_any_name_is_a_link_beside_the_report():
    record = clean_record()
    record.captures = ["javascript:alert(1)", "a b#c?.csv"]
    links = [held["href"] for held in page(record).all("a")]
    assert "./javascript%3Aalert%281%29" in links
    assert "./a%20b%23c%3F.csv" in links


def test_many_cases_have_no_column_each():
    record = Record(document([verdict("BUS-GAP", "pass", f"case {n}", 1) for n in range(40)]))
    record.cases = [CaseNote(f"case {n}", "Something.", "board", 1.0, "again") for n in range(40)]
    assert len(page(record).all("th", "case-cell")) == 0
    assert len(page(sample_record()).all("th", "case-cell")) == 4


def test_same_record_same_bytes():
    assert source(sample_record()) == source(sample_record())


def test_a_folder_gets_every_form(tmp_path):
    written = write_folder(sample_record(), tmp_path / "deep" / "out")
    assert [path.name for path in written] == ["report.html", "verdicts.json", "junit.xml"]
    assert all(path.stat().st_size > 1000 for path in written)
    assert str(tmp_path) not in written[0].read_text(encoding="utf-8")


def test_hostile_text_can_be_written_to_a_file(tmp_path):
    for path in write_folder(hostile_record(HOSTILE + "\ud800"), tmp_path):
        assert path.read_bytes().decode("utf-8")


# Contrast: WCAG 2.2, 1.4.3 (text at least 4.5 to 1) and its definition of relative luminance.
STYLE = (Path(str(files("benchsim.reports"))) / "templates" / "report.css").read_text(encoding="utf-8")


def palettes():
    roots = re.findall(r":root\s*\{(.*?)\}", STYLE, flags=re.S)
    light, dark, printed = (dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{3,6})\b", root)) for root in roots)
    return {"light": light, "dark": light | dark, "print": light | printed}


def luminance(colour):
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    channels = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_known_colours():
    # Black on white is 21 to 1, and #767676 on white just passes (WCAG 2.2 and its techniques, from memory).
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


GROUNDS = ["card", "paper", "faint"]
PAIRS = [
    (name, ground)
    for name in ("ink", "soft", "accent", "pass", "fail", "unsure", "warn", "unseen")
    for ground in GROUNDS
]
PAIRS += [
    (name, f"{kind}-ground")
    for kind in ("fail", "unsure", "warn")
    for name in ("ink", "soft", "accent", kind)
]
PAIRS += [("card", "fail"), ("ink", "word")]


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("text", "ground"), PAIRS)
def test_every_text_stands_out_from_its_ground(scheme, text, ground):
    palette = palettes()[scheme]
    assert contrast(palette[text], palette[ground]) >= 4.5
