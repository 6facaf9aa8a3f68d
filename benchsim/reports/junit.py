"""JUnit XML, the form that continuous-integration servers read.

Names and nesting as in the widely used Ant and Jenkins schemas (common practice; there is no standard):
testsuites > testsuite (a case) > testcase (a rule at a seat) > failure | skipped | system-out.
"""

from typing import Literal, TextIO
from xml.etree import ElementTree as Tree

from benchsim.reports.record import CaseNote, Record
from benchsim.reports.rows import by_case, limit_text
from benchsim.reports.words import MEANINGS, OUTLIVED, golden_line, moment, printable, quantity, tally, waiver_line

WHOLE_RUN = "whole run"
SELF_TEST = "self-test"
LEGAL = "odd but legal"
WAIVERS = "waivers"
GOLDEN = "saved run"


def write_junit(record: Record, stream: TextIO, unsure: Literal["skipped", "failure"] = "skipped") -> None:
    """One suite for each case. `unsure` says what an unsure verdict is to the reader of the file."""
    document = record.document
    root = Tree.Element("testsuites", name=document["tool"]["name"])
    notes = {note.name: note for note in record.cases}
    for name, verdicts in by_case(record).items():
        _case(root, record, notes.get(name), name, verdicts, unsure)
    if document["selftest"]:
        _selftest(root, document["selftest"])
    if document["legal"]:
        _legal(root, document["legal"])
    if document["waivers"]:
        _waivers(root, document["waivers"])
    if document["golden"] is not None:
        _golden(root, document["golden"], [note.name for note in record.cases], unsure)
    for key in ("tests", "failures", "errors", "skipped"):
        root.set(key, str(sum(int(suite.get(key)) for suite in root)))
    root.set("time", f"{document['duration_s']:.6f}")
    _clean(root)
    Tree.indent(root)
    stream.write('<?xml version="1.0" encoding="UTF-8"?>\n')
    stream.write(Tree.tostring(root, encoding="unicode"))
    stream.write("\n")


def _case(
    root: Tree.Element,
    record: Record,
    note: CaseNote | None,
    name: str | None,
    verdicts: list[dict],
    unsure: str,
) -> None:
    suite = _suite(root, name or WHOLE_RUN, note.duration_s if note else 0.0)
    replay = note.replay if note else record.replay
    properties = {
        "subject": record.document["subject"] or "none",
        "seed": record.document["seed"],
        "version": record.document["tool"]["version"],
        "provokes": note.provokes if note else "",
        "replay": replay,
    }
    held = Tree.SubElement(suite, "properties")
    for key, value in properties.items():
        if value != "":
            Tree.SubElement(held, "property", name=key, value=str(value))
    for verdict in verdicts:
        test = _test(
            suite, f"{verdict['rule']} {verdict['judged']}", f"{name or WHOLE_RUN}.{verdict['judged']}"
        )
        _outcome(test, verdict, replay, unsure)
    _totals(suite)


def _outcome(test: Tree.Element, verdict: dict, replay: str, unsure: str) -> None:
    outcome = verdict["outcome"]
    if outcome == "fail" or (outcome == "unsure" and unsure == "failure"):
        element = Tree.SubElement(test, "failure", message=short(verdict), type=verdict["rule"])
        element.text = long(verdict, replay)
    elif outcome == "unsure":
        Tree.SubElement(test, "skipped", message=short(verdict)).text = long(verdict, replay)
    elif outcome == "unseen":
        Tree.SubElement(test, "skipped", message=f"unseen: {verdict['why'] or 'no reason was given'}")
    elif outcome == "warn" and verdict["why"]:
        Tree.SubElement(test, "skipped", message=verdict["why"]).text = long(verdict, replay)
    elif outcome == "warn":
        Tree.SubElement(test, "system-out").text = f"{short(verdict)}\n{long(verdict, replay)}"


def short(verdict: dict) -> str:
    """One line: what came out, how often, how far from the limit."""
    parts = [f"{verdict['outcome']}: {tally(verdict)}"]
    if verdict["worst"] is not None:
        parts.append(f"worst {quantity(verdict['worst'], verdict['unit'])}")
    if verdict["limit"] is not None:
        parts.append(f"limit {limit_text(verdict, [])}")
    return ", ".join(parts)


def long(verdict: dict, replay: str) -> str:
    """All that is needed to look into it: meaning, figures, source, places, the line to run it again."""
    lines = [f"{verdict['outcome']}: {MEANINGS[verdict['outcome']]}"]
    if verdict["limit"] is not None:
        lines.append(f"limit: {limit_text(verdict, [])}")
    for name in ("worst", "margin", "uncertainty"):
        if verdict[name] is not None:
            lines.append(f"{name}: {quantity(verdict[name], verdict['unit'])}")
    lines.append(f"source: {verdict['source']} (confidence {verdict['confidence']})")
    lines += [f"at {moment(place)}: {place['text']}" for place in verdict["at"]]
    lines += [f"again: {replay}"] if replay else []
    return "\n".join(lines)


def _selftest(root: Tree.Element, variants: list[dict]) -> None:
    suite = _suite(root, SELF_TEST, 0.0)
    for row in variants:
        test = _test(suite, f"{row['variant']} {row['rule']}", f"{SELF_TEST}.{row['seat']}")
        if not row["caught"]:
            message = f"{row['seat']} was made to break {row['rule']} ({row['variant']}) and nothing noticed"
            Tree.SubElement(test, "failure", message=message, type=SELF_TEST)
    _totals(suite)


def _legal(root: Tree.Element, variants: list[dict]) -> None:
    suite = _suite(root, LEGAL, 0.0)
    for row in variants:
        test = _test(suite, row["variant"], f"{LEGAL}.{row['seat']}")
        if row["failed"]:
            message = f"{row['seat']} is odd but legal ({row['variant']}) and was accused: {'; '.join(row['failed'])}"
            Tree.SubElement(test, "failure", message=message, type=LEGAL)
    _totals(suite)


def _waivers(root: Tree.Element, rows: list[dict]) -> None:
    suite = _suite(root, WAIVERS, 0.0)
    for row in rows:
        name = " ".join(filter(None, (row["rule"], row["seat"], row["case"])))
        test = _test(suite, name, f"{WAIVERS}.{row['seat']}")
        if row["state"] in OUTLIVED:
            Tree.SubElement(test, "failure", message=waiver_line(row), type=WAIVERS)
    _totals(suite)


def _golden(root: Tree.Element, rows: list[dict], cases: list[str], unsure: str) -> None:
    """A test for each case that was compared, or that the saved run lacks."""
    suite = _suite(root, GOLDEN, 0.0)
    found: dict[str, list[dict]] = {name: [] for name in cases}
    for row in rows:
        found.setdefault(row["case"].partition(": ")[2], []).append(row)
    for case, ours in found.items():
        test = _test(suite, case, GOLDEN)
        lines = [" ".join(filter(None, (row["party"], golden_line(row)))) for row in ours]
        if any(row["sure"] for row in ours) or (ours and unsure == "failure"):
            Tree.SubElement(test, "failure", message=lines[0], type=GOLDEN).text = "\n".join(lines)
        elif ours:
            Tree.SubElement(test, "skipped", message=lines[0]).text = "\n".join(lines)
    _totals(suite)


def _suite(root: Tree.Element, name: str, duration_s: float) -> Tree.Element:
    return Tree.SubElement(root, "testsuite", name=name, time=f"{duration_s:.6f}")


def _test(suite: Tree.Element, name: str, place: str) -> Tree.Element:
    # Bench time is counted for a case as a whole, not for a rule: 0 is what the schemas ask for then.
    return Tree.SubElement(suite, "testcase", name=name, classname=place, time="0")


def _totals(suite: Tree.Element) -> None:
    suite.set("tests", str(len(suite.findall("testcase"))))
    suite.set("failures", str(len(suite.findall("testcase/failure"))))
    suite.set("errors", "0")
    suite.set("skipped", str(len(suite.findall("testcase/skipped"))))


def _clean(root: Tree.Element) -> None:
    """No text or attribute keeps what XML cannot carry."""
    for element in root.iter():
        element.text = printable(element.text) if element.text else None
        for name, value in element.items():
            element.set(name, printable(value))
