"""All cases of a run in one capture, one after another; a `case` happening begins each."""

from pathlib import Path

from benchsim.captures import open_writer
from benchsim.checks.result import CaseResult
from benchsim.events import Burst, LinkInfo, ticks

BETWEEN = ticks(1)  # from the end of a case to the next one's beginning


def write_capture(path: Path, results: list[CaseResult]) -> None:
    """Write what happened in every case. Each link with its greatest doubt."""
    shift, links = 0, _links(results)
    with open_writer(path, links) as writer:
        for result in results:
            # Times of the case count from its mark, which comes first: a busy computer may tell of a stall before it.
            for event in sorted(result.events, key=lambda event: type(event) is Burst or event.kind != "case"):
                if type(event) is Burst:
                    writer.burst(event._replace(start=event.start + shift, end=event.end + shift))
                elif event.kind == "case":
                    writer.happening(event._replace(time=shift, data=event.data | _mark(result, len(links))))
                else:
                    writer.happening(event._replace(time=event.time + shift))
            shift += result.end + BETWEEN


def _mark(result: CaseResult, links: int) -> dict:
    """What else a judge must know of a case: its links, where it had not all, and what it could not measure."""
    heard = {"links": [info.name for info in result.links]} if len(result.links) < links else {}
    return heard | ({"reasons": result.reasons} if result.reasons else {})


def _links(results: list[CaseResult]) -> list[LinkInfo]:
    links: dict[str, LinkInfo] = {}
    for info in (info for result in results for info in result.links):
        known = links.get(info.name)
        links[info.name] = info if known is None or info.uncertainty > known.uncertainty else known
    return list(links.values())
