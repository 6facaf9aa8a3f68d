"""Known faults that a firmware may still have for a while: a rule that fails as the file says does not fail the run.

    [[waiver]]
    rule = "KIT-POLL-RATE"
    seat = "host"
    reason = "firmware 1.2 polls from its drawing loop; mended in 1.3"
    until = 2026-12-31
    case = "late-answers"      # only there; without it in every case

A waiver past its date, and one whose rule was put to the test and held, fail the run: a list of excuses must not
outlive its reasons.
"""

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple

from benchsim.bench import DEVICES
from benchsim.checks.result import CaseResult
from benchsim.errors import UsageError
from benchsim.judge import all_rules
from benchsim.judge.verdict import Verdict
from benchsim.reports.words import OUTLIVED, WAIVER_UNTRIED, WAIVER_USED
from benchsim.schema import read_toml

SEATS = ("host", "board", "panel", "auditor", *DEVICES)
WAIVED = "waived"
PAST, NOT_NEEDED = OUTLIVED


class Waiver(NamedTuple):
    """One of them. `case` None: every case. It holds up to and on the day `until`."""

    rule: str
    seat: str
    reason: str
    until: date
    case: str | None = None

    def means(self, verdict: Verdict) -> bool:
        """Is it about this verdict?"""
        return (verdict.rule, verdict.judged) == (self.rule, self.seat) and self.case in (None, verdict.case)


def load_waivers(path: Path) -> list[Waiver]:
    """Read a file. UsageError names the entry and what was expected."""
    table = read_toml(path)
    entries = table.get("waiver", [])
    if set(table) - {"waiver"} or not isinstance(entries, list):
        raise UsageError(f"{path}: expected [[waiver]] entries and nothing else")
    return [_parsed(entry, f"{path}: waiver {number}") for number, entry in enumerate(entries, 1)]


_KEYS = {"rule": str, "seat": str, "reason": str, "until": date}


def _parsed(entry: object, place: str) -> Waiver:
    keys = _KEYS | {"case": str}
    if not isinstance(entry, dict) or set(_KEYS) - set(entry) or set(entry) - set(keys):
        raise UsageError(f"{place}: expected rule, seat, reason, until, and case if it is for one only")
    for key, value in entry.items():
        if not isinstance(value, keys[key]) or isinstance(value, datetime) or not value:
            expected = "a date such as 2026-12-31" if key == "until" else "a text"
            raise UsageError(f"{place}: {key}: expected {expected}, not {value!r}")
    if entry["rule"] not in {one.id for one in all_rules()}:
        raise UsageError(f"{place}: no rule {entry['rule']}, expected one that `benchsim rules` lists")
    if entry["seat"] not in SEATS:
        raise UsageError(f"{place}: no seat {entry['seat']}, expected one of {', '.join(SEATS)}")
    return Waiver(**entry)


def waive(waivers: Iterable[Waiver], result: CaseResult, today: date) -> None:
    """Failed verdicts that a waiver in force means become warnings; `why` tells until when and for what reason."""
    for waiver in waivers:
        if today <= waiver.until:
            why = f"{WAIVED} until {waiver.until}: {waiver.reason}"
            result.verdicts = [
                v._replace(outcome="warn", why=why) if v.outcome == "fail" and waiver.means(v) else v
                for v in result.verdicts
            ]


def waiver_rows(waivers: Iterable[Waiver], results: Iterable[CaseResult], today: date) -> list[dict]:
    """What came of each, once all cases are over: rule, seat, case, until, reason, state."""
    verdicts = [verdict for result in results for verdict in result.verdicts]
    return [
        waiver._asdict() | {"until": waiver.until.isoformat(), "state": _state(waiver, filter(waiver.means, verdicts), today)}
        for waiver in waivers
    ]


def _state(waiver: Waiver, about: Iterable[Verdict], today: date) -> str:
    if today > waiver.until:
        return PAST
    outcomes = {WAIVED if v.outcome == "warn" and v.why else v.outcome for v in about}
    if WAIVED in outcomes:
        return WAIVER_USED
    return NOT_NEEDED if "pass" in outcomes and "unsure" not in outcomes else WAIVER_UNTRIED
