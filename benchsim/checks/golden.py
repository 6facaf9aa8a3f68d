"""A saved run to compare with: what was asked and answered, in order, without times.

What legal timing may move is left out, so that a slower computer or another poll rate makes no difference: polls that
tell nothing, tries of one request, RESETs that nobody heard, in which poll an event came, how often something routine
was asked. Kept are requests of the host with their values and statuses, events of the board by their kind, each once,
commands and activities of every device on the bus: each in its own order, not in the order between them. Of a host or
device under test only its own part is compared: what the bench plays around it depends on when the subject began.

A difference in a case in which the bench's own computer stalled is no sure one: an answer may have come too late by that.
"""

import json
from collections.abc import Iterable, Iterator
from difflib import SequenceMatcher
from pathlib import Path

from benchsim.checks.result import CaseResult
from benchsim.errors import UsageError
from benchsim.events import Burst, Happening
from benchsim.links.bus_blocks import Block, BlockReader
from benchsim.links.bus_text import by_any_mode
from benchsim.links.kit_frames import reader_of
from benchsim.schema import Book
from benchsim.schema.bus import DeviceSpec
from benchsim.schema.fields import Misfit
from benchsim.schema.wording import said

FORM = 1  # of the file; another number is another form
# Asked again and again by the clock: only that it was, and how it was answered, is compared.
ROUTINE = ("POLL", "CLOCK", "COUNTERS", "TUBE STATUS", "STACKER")
MEASURED = ("ms", "utc", "millivolts", "tenths")  # fields that hold a time or a reading
STALL_US = 10_000  # of the bench's own computer: an answer or a try may have missed its time by so much
SAME = 64  # events back within which a number means the same event again (kit link reference: 32 are kept)

Run = dict[str, dict[str, dict[str, list[str]]]]  # case -> party -> "steps", "routine" -> texts


def structure(results: Iterable[CaseResult], book: Book) -> Run:
    """What is compared, of every case that was played."""
    return {_title(result): _of_case(result, book) for result in results if not result.left_out}


def write_golden(path: Path, run: Run) -> None:
    """Save a run. Cases of an earlier file that were not played now stay in it."""
    kept = read_golden(path, "--write-golden") if path.exists() else {}
    text = json.dumps({"golden": FORM, "cases": dict(sorted((kept | run).items()))}, indent=1, ensure_ascii=False)
    try:
        path.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(f"--write-golden {path}: {(error.strerror or 'cannot be written').lower()}") from None


def read_golden(path: Path, option: str = "--golden") -> Run:
    """A saved run. UsageError for what is none, naming the option."""
    try:
        document = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise UsageError(f"{option} {path}: no such file; --write-golden {path} makes it") from None
    except (OSError, ValueError) as error:
        raise UsageError(f"{option} {path}: {getattr(error, 'strerror', None) or 'no JSON'}, expected a saved run") from None
    if not isinstance(document, dict) or document.get("golden") != FORM or not _is_run(document.get("cases")):
        raise UsageError(f'{option} {path}: expected a saved run with "golden": {FORM}')
    return document["cases"]


def _is_run(cases: object) -> bool:
    """Has it the form of `Run`?"""
    parties = list(cases.values()) if isinstance(cases, dict) else [None]
    if not all(isinstance(one, dict) for one in parties):
        return False
    told = [one for party in parties for one in party.values()]
    if not all(isinstance(one, dict) for one in told):
        return False
    return all(isinstance(steps, list) and all(isinstance(step, str) for step in steps) for one in told for steps in one.values())


def differences(golden: Run, results: Iterable[CaseResult], book: Book) -> list[dict]:
    """What is new, missing or moved: rows of case, party, kind, step, after (the step before it, None: first), sure."""
    rows = []
    for result in results:
        told = _differences(golden, structure([result], book))
        rows += [row | {"sure": not _stalled(result)} for row in told]
    return rows


def _stalled(result: CaseResult) -> bool:
    return any(e.kind == "late" and e.data["us"] >= STALL_US for e in result.events if type(e) is Happening)


def _differences(golden: Run, run: Run) -> list[dict]:
    rows = []
    for case, parties in run.items():
        if case not in golden:
            rows.append(_row(case, "", "new case", "", None))
            continue
        for party in sorted({*golden[case], *parties}):
            before, now = golden[case].get(party, {}), parties.get(party, {})
            rows += _moved(case, party, before.get("steps", []), now.get("steps", []))
            was, routine = before.get("routine", []), now.get("routine", [])
            rows += [_row(case, party, "missing", f"{step}, as a routine", None) for step in was if step not in routine]
            rows += [_row(case, party, "new", f"{step}, as a routine", None) for step in routine if step not in was]
    return rows


def _row(case: str, party: str, kind: str, step: str, after: str | None) -> dict:
    return {"case": case, "party": party, "kind": kind, "step": step, "after": after}


def _moved(case: str, party: str, before: list[str], now: list[str]) -> Iterator[dict]:
    gone: list[tuple[str, str | None]] = []
    come: list[tuple[str, str | None]] = []
    for kind, a, b, c, d in SequenceMatcher(None, before, now, autojunk=False).get_opcodes():
        if kind != "equal":
            gone += [(before[i], before[i - 1] if i else None) for i in range(a, b)]
            come += [(now[i], now[i - 1] if i else None) for i in range(c, d)]
    left = [step for step, _ in come]
    for step, after in gone:
        if step in left:
            left.remove(step)
        else:
            yield _row(case, party, "missing", step, after)
    was = [step for step, _ in gone]
    for step, after in come:
        kind = "moved" if step in was else "new"
        if kind == "moved":
            was.remove(step)
        yield _row(case, party, kind, step, after)


# ---- the steps of one case


def _title(result: CaseResult) -> str:
    return f"{result.subject or 'all seats'}: {result.name}"


def _of_case(result: CaseResult, book: Book) -> dict[str, dict[str, list[str]]]:
    bursts = [event for event in result.events if type(event) is Burst]
    found: dict[str, _Steps] = {}
    for link, steps in (("kit", _kit), ("bus", _bus)):
        for party, step in steps([burst for burst in bursts if burst.link == link], book):
            if result.subject in (None, "board", party):
                found.setdefault(party, _Steps()).add(step)
    return {party: steps.told() for party, steps in sorted(found.items())}


class _Steps:
    def __init__(self):
        self.steps: list[str] = []
        self.routine: set[str] = set()

    def add(self, step: str) -> None:
        if step.split(":")[0] in ROUTINE:
            self.routine.add(step)
        elif self.steps[-1:] != [step]:
            self.steps.append(step)

    def told(self) -> dict[str, list[str]]:
        return {"steps": self.steps, "routine": sorted(self.routine)}


def _kit(bursts: list[Burst], book: Book) -> Iterator[tuple[str, str]]:
    spec, readers = book.kit, {out: reader_of(book.kit, strict_gaps=False) for out in (True, False)}
    body, asked = b"", None  # the request that is open
    seen: list[tuple[int, int, bytes]] = []
    for frame in (frame for burst in bursts for frame in readers[burst.out].feed(burst)):
        try:
            if frame.broken or (frame.out and frame.body == body):
                continue
            if frame.out:
                body, given_up, asked = frame.body, asked, None
                if given_up and given_up.name != "RESET":
                    yield spec.asks, f"{_request(given_up)}: no answer"
                asked = spec.parse_request(body)
                continue
            answer = spec.parse_answer(frame.body)
        except (Misfit, IndexError):
            yield spec.asks if frame.out else spec.answers, f"not understood: {spec.text(frame.body, frame.out)}"
            continue
        if asked is None or (answer.op, answer.seq) != (asked.op, asked.seq):
            continue
        yield spec.asks, f"{_request(asked)}: {spec.statuses.get(answer.status, answer.status)}"
        asked = None
        if answer.name == "RESET":
            seen.clear()
        for event in answer.fields.get("events", ()):
            key = event.number, event.code, event.raw
            if key not in seen:
                seen = [*seen, key][-SAME:]
                yield f"{spec.answers} {event.name}", _pairs(event.fields) or "told"


def _request(request) -> str:
    return request.name if request.name in ROUTINE else f"{request.name} {_pairs(request.fields)}".rstrip()


def _pairs(fields: dict) -> str:
    return ", ".join(f"{name} {value}" for name, value in fields.items() if name not in MEASURED)


def _bus(bursts: list[Burst], book: Book) -> Iterator[tuple[str, str]]:
    asked = None  # device, its seat, the command's name and what is told of it
    for block in _blocks(BlockReader(book), bursts):
        if block.kind == "command":
            if asked:
                yield asked[1], f"{asked[3]}: no answer"
            device = book.device_at(block.address) if block.good else None
            asked = device and (device, book.seat_at(block.address), *_command(device, block))
        elif block.kind in ("ack", "answer") and block.good and asked:
            yield from _answer(*asked, block)
            asked = None


def _blocks(reader: BlockReader, bursts: list[Burst]) -> Iterator[Block]:
    for burst in bursts:
        if reader.deadline is not None and reader.deadline <= burst.start:
            yield from reader.expire(burst.start)
        yield from reader.feed(burst)
    yield from reader.close()


def _command(device: DeviceSpec, block: Block) -> tuple[str, str]:
    message, _ = by_any_mode(device, lambda mode: device.parse_command(block.body, mode))
    if message is None:
        return "", f"command {block.body.hex(' ')}"
    return message.name, message.name if message.name in ROUTINE else said(message)


def _answer(device: DeviceSpec, seat: str, name: str, text: str, block: Block) -> Iterator[tuple[str, str]]:
    if block.kind == "ack" or (name in ROUTINE and name != "POLL"):
        yield seat, f"{text}: {'ACK' if block.kind == 'ack' else 'data'}"
        return
    messages, _ = by_any_mode(device, lambda mode: device.parse_answer(name, block.body, mode))
    told = [f"data {block.body.hex(' ')}"] if messages is None else [said(message) for message in messages]
    for one in told:
        yield seat, f"tells {one}" if name == "POLL" else f"{text}: {one}"
