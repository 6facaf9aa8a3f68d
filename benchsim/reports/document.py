"""The JSON document, byte for byte the same for the same run."""

import json
import math
from typing import TextIO

from benchsim.reports.record import Record

# The contract of `--json`, in the order in which it is written. A key too many or too few is a bug.
DOCUMENT = (
    "tool",
    "subject",
    "seed",
    "duration_s",
    "frames",
    "verdicts",
    "selftest",
    "legal",
    "waivers",
    "golden",
    "about",
    "links",
    "summary",
    "outcome",
)
TOOL = ("name", "version")
VERDICT = (
    "rule",
    "judged",
    "outcome",
    "checked",
    "broken",
    "worst",
    "limit",
    "unit",
    "margin",
    "uncertainty",
    "confidence",
    "source",
    "why",
    "case",
    "at",
)
PLACE = ("time_s", "frame", "text")
SELFTEST = ("variant", "seat", "rule", "caught", "seeds", "missed")
LINK = ("link", "uncertainty_ms", "edges", "chunks", "better")
WAIVER = ("rule", "seat", "reason", "until", "case", "state")
GOLDEN = ("case", "party", "kind", "step", "after", "sure")
LEGAL = ("variant", "seat", "failed", "seeds")
SUMMARY = ("pass", "fail", "unsure", "unseen", "warn")

# A tick is 13.9 ns: nanoseconds keep every time apart. Values are in ms or percent: a millionth will do.
SECONDS_PLACES = 9
VALUE_PLACES = 6


def write_json(record: Record, stream: TextIO) -> None:
    """The document of `record` in ASCII, indented by two spaces, with a newline at the end.

    Keys stand in the contract's order. Raises ValueError where the document breaks the contract.
    """
    stream.write(json.dumps(document(record), indent=2, allow_nan=False))
    stream.write("\n")


def document(record: Record) -> dict:
    """`record.document` with its keys in order and its numbers rounded; the original is left as it is."""
    told = _ordered(record.document, DOCUMENT, "document")
    told["tool"] = _ordered(told["tool"], TOOL, "tool")
    told["verdicts"] = [verdict_document(verdict) for verdict in told["verdicts"]]
    for table, keys in (("selftest", SELFTEST), ("legal", LEGAL), ("waivers", WAIVER), ("golden", GOLDEN)):
        if told[table] is not None:
            told[table] = [_ordered(row, keys, table) for row in told[table]]
    told["links"] = [_ordered(link, LINK, "link") for link in told["links"]]
    for link in told["links"]:
        link["uncertainty_ms"] = _rounded(link["uncertainty_ms"], VALUE_PLACES)
    told["summary"] = _ordered(told["summary"], SUMMARY, "summary")
    told["duration_s"] = _rounded(told["duration_s"], SECONDS_PLACES)
    return told


def verdict_document(verdict: dict) -> dict:
    """One verdict, keys in order and numbers rounded."""
    told = _ordered(verdict, VERDICT, f"verdict on {verdict.get('rule')}")
    for key in ("worst", "limit", "margin", "uncertainty"):
        told[key] = _rounded(told[key], VALUE_PLACES)
    told["at"] = [_ordered(place, PLACE, f"place of {told['rule']}") for place in told["at"]]
    for place in told["at"]:
        place["time_s"] = _rounded(place["time_s"], SECONDS_PLACES)
    return told


def _ordered(found: dict, keys: tuple[str, ...], what: str) -> dict:
    if found.keys() != set(keys):
        odd = ", ".join(sorted(found.keys() ^ set(keys)))
        raise ValueError(f"{what}: keys other than the contract's: {odd}")
    return {key: found[key] for key in keys}


def _rounded(value: object, places: int) -> object:
    """Floats rounded, also inside a pair; what JSON has no number for becomes null; -0.0 becomes 0.0."""
    if isinstance(value, (list, tuple)):
        return [_rounded(part, places) for part in value]
    if not isinstance(value, float):
        return value
    return round(value, places) + 0.0 if math.isfinite(value) else None
