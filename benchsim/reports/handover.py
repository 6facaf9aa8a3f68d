"""The hand-over sheet: one page to be printed, signed and left with the machine. Only where a machine was commissioned."""

from typing import TextIO

from benchsim.reports.cautions import CAUTIONS
from benchsim.reports.html import SIGNS, templates
from benchsim.reports.record import HandoverStep, Record
from benchsim.reports.words import heaviest, span

WORDS = {"pass": "ok", "fail": "FAIL", "unsure": "unsure", "warn": "look", "unseen": "not here"}
TURNS = {1: "As it was found", 2: "After mains off and on"}
# What no bench can see. Common practice.
BY_HAND = (
    "Mains plug, cable and protective earth tested by somebody licensed to",
    "Nameplate, fuses and labels as local codes want them",
    "No harness under tension, none in the way of coil, door or product",
    "Every coil loaded, one product of each taken by hand: it falls free",
    "Door closes on its seal; the service button works with the door open only",
    "Food loaded only after the air had held its temperature, and judged by a person",
    "Delivery bin, lever, coin return and touch panel reached and cleaned",
    "Cash box emptied, tubes filled and counted",
)
LINES = ("Handed over by", "Taken over by")


def write_handover(record: Record, stream: TextIO) -> None:
    """The sheet. Every text of the record is escaped; the same record gives the same bytes."""
    sheet = record.handover
    turns = [
        (TURNS[turn], [step for step in sheet.steps if step.turn == turn])
        for turn in sorted({step.turn for step in sheet.steps})
    ]
    stream.write(
        templates().get_template("handover.html.j2").render(
            record=record, document=record.document, sheet=sheet, turns=turns, outcome=outcome(sheet.steps),
            others=_others(record), cautions=CAUTIONS, by_hand=BY_HAND, lines=LINES,
            signs=SIGNS, words=WORDS, span=span,
        )  # fmt: skip
    )


def outcome(steps: list[HandoverStep]) -> str:
    """Of all steps; those that this machine has no parts for do not count."""
    done = [step.outcome for step in steps if step.outcome != "unseen"]
    return heaviest(done) if done else "unseen"


def _others(record: Record) -> list[str]:
    """Rules that need a look and belong to no step."""
    ours = {rule for step in record.handover.steps for rule in step.rules}
    return sorted({v["rule"] for v in record.document["verdicts"] if v["outcome"] in ("fail", "unsure", "warn") and v["rule"] not in ours})
