"""How a link was heard, how good its times are, and how to measure better: for JSON and for people.

A verdict's guard band comes from here: a time is told from its limit only where it is further from it
than the uncertainty (JCGM 106:2012 §8, acceptance and rejection with guard bands).
"""

from benchsim.events import TICKS_PER_MS, LinkInfo, seconds

EDGES = "record the edges (a logic analyser's VCD) to have bit rates and gaps measured too"
LUMPS = "record at the wire (a tap or a logic analyser), where every word has a time of its own"


def as_json(info: LinkInfo) -> dict:
    """One link for the JSON document."""
    return {
        "link": info.name,
        "uncertainty_ms": info.uncertainty / TICKS_PER_MS,
        "edges": info.edges,
        "chunks": info.chunks,
        "better": better(info),
    }


def better(info: LinkInfo) -> str:
    """How to measure better, "" where nothing is left to wish for."""
    if info.note:
        return info.note
    if info.chunks:
        return LUMPS
    if not info.edges:
        return EDGES
    if info.uncertainty:
        return "sample faster: half of the sample period is in doubt at each edge"
    return ""


def in_words(info: LinkInfo) -> str:
    """One link in a sentence or two."""
    if info.uncertainty:
        said = f"Times are good to ± {seconds(info.uncertainty) * 1000:.3g} ms; nearer to a limit it is unsure."
    else:
        said = "Times are exact to the tick (1/72 µs): nothing is in doubt."
    blind = [what for what, is_blind in (("bit rates", not info.edges), ("gaps inside a block", info.chunks)) if is_blind]
    said += f" Not measured: {' and '.join(blind)}." if blind else ""
    wish = better(info)
    return said + (f" To measure better: {wish}." if wish else "")
