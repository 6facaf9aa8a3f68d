"""The words, marks and figures that every form of the report shares."""

import math
import re

# Heaviest first: the order of every list, and how verdicts of several cases become one.
OUTCOMES = ("fail", "unsure", "warn", "pass", "unseen")

# Marks are read without colour, and with nothing but ASCII.
MARKS = {"pass": "ok", "fail": "FAIL", "unsure": "?", "unseen": "-", "warn": "!"}

MEANINGS = {
    "pass": "put to the test here, and it held",
    "fail": "broken here, beyond the doubt of the measurement",
    "unsure": "the doubt of the measurement lies across the limit",
    "warn": "broken, but the limit is advice, its source is weak, or it is waived",
    "unseen": "nothing here put it to the test: never counted as held",
}

# What XML 1.0 (section 2.2, Char) cannot carry, and what a terminal would obey or reorder: C0 and C1
# controls, lone surrogates, non-characters, and the Unicode direction overrides.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def printable(text: object) -> str:
    """`text` with every character that could mislead a reader or a parser written out as an escape."""
    return _UNPRINTABLE.sub(lambda found: _escape(ord(found.group())), str(text))


def _escape(code: int) -> str:
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def figure(value: float | int | None) -> str:
    """A measured number for people: at most four figures after a leading one, no exponent within reason."""
    if value is None:
        return ""
    if isinstance(value, bool) or not math.isfinite(value):
        return str(value)
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    places = min(9, max(0, 4 - math.floor(math.log10(abs(value)))))
    rounded = f"{value:.{places}f}"
    return rounded.rstrip("0").rstrip(".") if "." in rounded else rounded


def quantity(value: object, unit: str | None) -> str:
    """A value or limit with its unit: a number, a pair (from, to), a text, or nothing."""
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return f"{' to '.join(figure(part) or 'any' for part in value)} {unit or ''}".strip()
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return f"{figure(value)} {unit or ''}".strip()
    return printable(value)


def span(seconds: float) -> str:
    """Bench time for people: `4.2 s`, `12 min 30 s`, `3 d 4 h`."""
    if seconds < 60:
        return f"{figure(round(seconds, 3))} s"
    left, parts = round(seconds), []
    for size, name in ((86400, "d"), (3600, "h"), (60, "min"), (1, "s")):
        count, left = divmod(left, size)
        if count:
            parts.append(f"{count} {name}")
    return " ".join(parts[:2])


def count(number: int, thing: str, things: str | None = None) -> str:
    """`1 rule`, `2 rules`."""
    return f"{grouped(number)} {thing if number == 1 else things or thing + 's'}"


def grouped(number: int) -> str:
    """Thousands apart by a narrow space, which no country reads as a decimal sign (ISO 80000-1, 7.3.1)."""
    return f"{number:,}".replace(",", "\u202f")


def heaviest(outcomes: list[str]) -> str:
    """What several verdicts come to; with none at all, nothing was seen."""
    return min(outcomes, key=OUTCOMES.index, default="unseen")


def missed(document: dict) -> list[dict]:
    """Wrong variants that the self-test let through."""
    return [row for row in document["selftest"] or () if not row["caught"]]


def accused(document: dict) -> list[dict]:
    """Legal variants of the self-test against which a rule spoke."""
    return [row for row in document["legal"] or () if row["failed"]]


# States of a waiver; the second and third fail a run.
WAIVER_USED, OUTLIVED, WAIVER_UNTRIED = "used", ("past its date", "no longer needed"), "not put to the test"


def outlived(document: dict) -> list[dict]:
    """Waivers that should not be in their file any more."""
    return [row for row in document["waivers"] or () if row["state"] in OUTLIVED]


def waiver_line(row: dict) -> str:
    """A waiver in a line: `KIT-RETRY at host, until 2026-12-31, used: firmware 1.2`."""
    where = f" in {row['case']}" if row["case"] else ""
    return f"{row['rule']} at {row['seat']}{where}, until {row['until']}, {row['state']}: {row['reason']}"


def golden_line(row: dict) -> str:
    """A difference from a saved run in a line, without its case and party: `new: REFUND: ok (after VEND: ok)`."""
    if row["kind"] == "new case":
        return "not in the saved run"
    after = f"after {_short(row['after'])}" if row["after"] else "at the beginning"
    return f"{row['kind']}: {_short(row['step'])}" + ("" if row["step"].endswith("as a routine") else f" ({after})")


def golden_place(row: dict) -> str:
    """Where it is: case and party, and whether it may be the bench's own fault."""
    doubt = "" if row["sure"] else " (unsure: the bench's own computer stalled in this case)"
    return " ".join(filter(None, (row["case"], row["party"]))) + doubt


def _short(step: str, most: int = 70) -> str:
    """A whole price table says no more than its beginning."""
    return step if len(step) <= most else f"{step[: most - 20]} ... {step[-15:]}"


def over_seeds(row: dict) -> str:
    """Over how many seeds a variant of the self-test was played, "" for a single one."""
    return f"{row['seeds']} seeds" if row.get("seeds", 1) > 1 else ""


def missed_seeds(row: dict) -> str:
    """With which seeds a wrong variant slipped through, where there were several."""
    seeds = row.get("missed") or ()
    return f"missed with seed {', '.join(map(str, seeds))}" if seeds and row.get("seeds", 1) > 1 else ""


def tally(verdict: dict) -> str:
    """How often it was checked and what came of it."""
    if verdict["outcome"] in ("fail", "warn"):
        return f"broken {verdict['broken']} of {verdict['checked']}"
    if verdict["outcome"] == "unsure" and not verdict["checked"]:
        return "each measurement fell into a stall of the bench's own computer, or was too near to its limit"
    if verdict["outcome"] == "unsure":
        return f"checked {count(verdict['checked'], 'time')}, too near its limit to tell"
    return f"checked {count(verdict['checked'], 'time')}"


def moment(place: dict) -> str:
    """When and in which frame; what happened off the links has no frame."""
    frame = "" if place["frame"] is None else f", frame {place['frame']}"
    return f"{place['time_s']:.6f} s{frame}"


VERDICTS = {"pass": "Passed", "fail": "Failed", "unsure": "Unsure"}


def headline(document: dict) -> str:
    """The outcome of a run in one line: the word, then why."""
    return f"{VERDICTS[document['outcome']]}: {reason(document)}"


def reason(document: dict) -> str:
    """Why a run came out as it did, in one sentence."""
    told, slipped, wronged = document["summary"], len(missed(document)), len(accused(document))
    if document["outcome"] == "fail":
        parts = [f"{count(told['fail'], 'verdict')} failed"] if told["fail"] else []
        parts += [f"{count(slipped, 'wrong variant')} slipped through the self-test"] if slipped else []
        parts += [f"{count(wronged, 'legal variant was', 'legal variants were')} accused in the self-test"] if wronged else []
        parts += [f"{count(len(outlived(document)), 'waiver is', 'waivers are')} past the date or no longer needed"] if outlived(document) else []
        parts += [f"the run differs from the saved one in {count(len(document['golden']), 'place')}"] if document["golden"] else []
        return (" and ".join(filter(None, (", ".join(parts[:-1]), *parts[-1:]))) or "see the verdicts") + "."
    if document["outcome"] == "unsure":
        if document["golden"] and not told["unsure"]:
            places = count(len(document["golden"]), "place")
            return f"nothing failed; the run differs from the saved one in {places}, where the bench's own computer stalled."
        if told["unsure"]:
            close = count(told["unsure"], "verdict lies", "verdicts lie")
            return f"nothing failed, but {close} within the doubt of the measurement."
        return "nothing was put to the test."
    tried = len(document["selftest"] or ())
    caught = f", and the self-test caught all of {count(tried, 'wrong variant')}" if tried else ""
    legal = len(document["legal"] or ())
    spared = f" and accused none of {count(legal, 'legal one')}" if tried and legal else ""
    used = sum(row["state"] == WAIVER_USED for row in document["waivers"] or ())
    waived = f", but for what {count(used, 'waiver')} let pass" if used else ""
    return f"every rule that was put to the test held{waived}{caught}{spared}."
