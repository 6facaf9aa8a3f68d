"""The rules there are, and the followers that tell them of a link.

A rule is a small function, called once per judge. It gets its `Tally` and the `Judge`, keeps its memory
in its own variables, and returns what it wants to hear: {kind of event: call}. Its docstring is the
statement that people read.

    @rule("KIT-ANSWER", judged="board", link="kit", limit="answer")
    def answer_in_time(tally, judge):
        '''An answer starts within its time.'''
        board = tally.of("board")
        def exchange(x):
            board.measure(x.delay, x.answer)
        return {"kit.exchange": exchange}

A follower turns the bursts of one link into such events (`@follows("kit")`).
"""

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import NamedTuple

from benchsim.events import LinkInfo
from benchsim.judge.verdict import rank
from benchsim.schema.limits import Limit

NEEDS = {
    "gaps": (lambda info: info.chunks, "words arrive in lumps here, so gaps inside a block are not measured"),
    "edges": (lambda info: not info.edges, "the edges of the bits are not measured here"),
}
REFERENCE = "kit link reference"
# Rules that need only the conductor on which the judged seat speaks.
ONE_SIDED = """
BUS-RATE BUS-FRAMING BUS-GAP BUS-MODE-OUT BUS-SUM-OUT BUS-LENGTH BUS-POLL-RATE BUS-BREAK BUS-SETTLE
KIT-FRAME KIT-GAP KIT-POLL-RATE KIT-SHAPE
""".split()
# Whom a rule can judge, beside seats by their own names.
ROLES = {
    "controller": ("board",),
    "changer": ("changer",),
    "validator": ("validator",),
    "reader": ("cashless1", "cashless2"),
}


class Rule(NamedTuple):
    """One rule: who is judged, against which limit, and the function that makes its calls."""

    id: str
    judged: tuple[str, ...]  # seats or roles, also "device" (any payment device) and "subject"
    link: str | None  # the link it needs; None: none in particular
    limit: str | None  # "NAME" of the link's limits, or "LINK.NAME", or "DEVICE.NAME"
    source: str
    confidence: str
    advice: bool
    needs: str | None
    unseen: str | None  # why it is unseen where nothing puts it to the test
    make: Callable
    of: str | None = None  # the one case to which it belongs; in others it is not even listed, unless it was tested

    @property
    def statement(self) -> str:
        """The rule in a sentence."""
        return " ".join((self.make.__doc__ or "").split())

    def confidence_of(self, limit: Limit | None) -> str:
        """The weaker of the rule's own confidence and its limit's."""
        return max(self.confidence, limit.confidence) if limit else self.confidence

    def source_of(self, limit: Limit | None) -> str:
        """The published source."""
        return self.source or (limit.source if limit else "")

    def on(self, book) -> "Rule":
        """The rule on the links of a bench: a board-to-host link that is not the reference is a source of its own."""
        if self.link != "kit" or book.kit.source == REFERENCE:
            return self
        return self._replace(source=book.kit.source)

    def limit_in(self, book) -> Limit | None:
        """The limit, from the protocol file that states it."""
        if self.limit is None:
            return None
        place, _, name = self.limit.rpartition(".")
        spec = book.devices.get(place) or book.links[place or self.link]
        return spec.limits[name]

    def seats(self, book, subject: str | None) -> list[str]:
        """The seats that it can judge at a bench of which `subject` is put to the test (None: no seat in particular)."""
        roles = {**ROLES, "device": book.bus_seats, "subject": [subject] if subject else []}
        return [seat for role in self.judged for seat in roles.get(role, (role,))]

    def blind(self, links: Mapping[str, LinkInfo]) -> str | None:
        """Why it cannot be judged as these links were heard; None where it can."""
        info = links.get(self.link)
        deaf = next((i for i in links.values() if i.deaf and self.link in (None, i.name)), None)
        if deaf and self.id not in ONE_SIDED:
            return f"{deaf.name}_{deaf.deaf} was not recorded, and who is heard alone cannot be judged by this"
        if self.needs and info and NEEDS[self.needs][0](info):
            return NEEDS[self.needs][1] + (f" ({info.note})" if info.note else "")
        return None


RULES: dict[str, Rule] = {}
FOLLOWERS: dict[str, Callable] = {}


def rule(
    id: str,
    judged: str | Iterable[str],
    link: str | None = None,
    limit: str | None = None,
    source: str = "",
    confidence: str = "A",
    advice: bool = False,
    needs: str | None = None,
    unseen: str | None = None,
    of: str | None = None,
) -> Callable:
    """Register a rule. `judged`: seats or roles, as text ("board host") or a tuple."""
    seats = tuple(judged.split()) if isinstance(judged, str) else tuple(judged)

    def register(make: Callable) -> Callable:
        if id in RULES:
            raise ValueError(f"the rule {id} is registered twice")
        all_rules.cache_clear()
        RULES[id] = Rule(id, seats, link, limit, source, confidence, advice, needs, unseen, make, of)
        return make

    return register


def follows(link: str) -> Callable:
    """Register a follower of a link: called with (judge, LinkInfo), it has `burst(burst)`, `close(end)`."""

    def register(make: Callable) -> Callable:
        FOLLOWERS[link] = make
        return make

    return register


@cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule, in the order in which people read them."""
    return tuple(sorted(RULES.values(), key=lambda one: rank(one.id)))


@cache
def hears_alone(link: str | None, kinds: tuple[str, ...]) -> bool:
    """Does a rule of that link that wants these kinds hear of no other link, and of no rounds?"""
    return {kind.partition(".")[0] for kind in kinds} & FOLLOWERS.keys() <= {link} and f"{link}.rounds" not in kinds
