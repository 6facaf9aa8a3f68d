"""One drill: what a trainee may do, what each step costs and tells, and how it is scored.

What a look shows comes from a simulated visit with the cards laid that are still there. What a hand finds (to confirm
a card) and cures (to seat a plug again, to change a part) follows from which cards these are. The best path is that of
somebody who knows the fault dictionary by heart, always takes the step that tells most in a minute, and seats no plug
and changes no part on suspicion.

Not modelled: several technicians, tools that are missing, a mend that fails.
"""

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.faults import Card, cautions, load_cards
from benchsim.faults.cures import PARTS, PLUGS, load_cures
from benchsim.sweeps.diagnose import NONE_OF_THESE, Model
from benchsim.sweeps.observables import LOOKS
from benchsim.sweeps.work import HEALTHY

PART_MINUTES = 20  # to change a part; common practice
PLUG_MINUTES = 2  # to find a plug and seat it again; common practice
SAFE_MINUTES = 2  # supply off, mains out, hands clear; common practice
KNOWN = 0.8  # so likely, and the best path names it
MOST_STEPS = 30
WASTED, HURT = 10, 20  # points: a part changed in vain, something done that would have hurt
# What can hurt when one looks; cards bring their own.
LOOK_HURTS = {
    "sale": ("moving",), "survey": ("moving",), "bus": ("bus", "isolator"), "kit": ("static",), "panel": ("static",),
    "cold": ("compressor", "cold"), "rule": ("isolator",),
}  # fmt: skip


def parts() -> list[str]:
    """Parts that can be changed, and those that somebody may be tempted to change."""
    return sorted({part for card in load_cards().values() for part in card.tempting} | set(load_cures()[PARTS]))


def plugs() -> list[str]:
    """What can be seated again."""
    return sorted(load_cures()[PLUGS])


class Step(NamedTuple):
    """What was done. `kind`: "look", "confirm", "reseat", "change", "name"; `safe`: made safe before, or nothing could hurt."""

    kind: str
    what: str
    safe: bool = True

    def as_list(self) -> list:
        """For the book of results."""
        return [self.kind, self.what, self.safe]


class Told(NamedTuple):
    """What came of a step."""

    step: Step
    minutes: float
    lines: list[str]
    bits: float  # how much less is open now, by the dictionary
    cured: tuple[str, ...] = ()  # cards; the trainee is not told


class Score(NamedTuple):
    """How it ended."""

    points: int  # 0 to 100
    right: bool  # every hidden card was named
    alike: bool  # a card was named that cannot be told from a hidden one by looking
    minutes: float
    best_minutes: float
    wasted: list[str]  # parts changed in vain, or where something cheaper would have cured
    hurts: list[str]  # steps that would have hurt


class Drill:
    """`visit(cards)`: all that a visit shows while these are laid; `hidden`: ids of the cards that are laid in the
    beginning; `alike`: groups of cards that looks do not tell apart; `chosen`: parameters of cards, if not the defaults.
    """

    def __init__(self, model: Model, visit: Callable[[frozenset[str]], dict[str, str]], hidden: tuple[str, ...], budget: float,
                 alike: Iterable[Iterable[str]] = (), chosen: dict[str, dict] | None = None):  # fmt: skip
        self.model, self.visit, self.hidden, self.budget = model, visit, hidden, budget
        self.alike = [frozenset(group) for group in alike]
        self.chosen = {card: {} for card in hidden} | (chosen or {})
        self.left = frozenset(hidden)  # what is still wrong
        self.known: dict[str, str] = {}
        self.looked: set[tuple[frozenset[str], str]] = set()  # what was still wrong then, and the look
        self.out: set[str] = set()  # cards that a hand has ruled out
        self.found: set[str] = set()  # cards that a hand has confirmed
        self.told: list[Told] = []
        self.named: list[str] = []

    # ---- what may be done

    @property
    def minutes(self) -> float:
        """Spent so far."""
        return sum(told.minutes for told in self.told)

    @property
    def over(self) -> bool:
        """As many are named as are hidden, or no time is left."""
        return len(self.named) >= len(self.hidden) or self.minutes >= self.budget

    def hurts(self, step: Step) -> list[str]:
        """What would hurt in life, if it is done without making safe first."""
        keys = LOOK_HURTS.get(step.what, ()) if step.kind == "look" else ()
        if step.kind == "confirm":
            keys = self._card(step.what).hurts
        if step.kind == "reseat":
            keys = load_cures()[PLUGS][self._known(step, plugs())].hurts
        if step.kind == "change":
            keys = ("mains", "bus")
        return [cautions()[key] for key in keys]

    def take(self, step: Step) -> Told:
        """Do it. UsageError if it is no step, or the drill is over."""
        if self.over:
            raise UsageError("drill: it is over")
        does = {
            "look": self._look, "confirm": self._confirm, "reseat": self._reseat, "change": self._change, "name": self._name,
        }  # fmt: skip
        if step.kind not in does:
            raise UsageError(f"drill: {step.kind}: expected one of {', '.join(does)}")
        before, left = _open(self.probabilities()), self.left
        minutes, lines = does[step.kind](step)
        if step.safe and self.hurts(step):
            minutes += SAFE_MINUTES
        told = Told(step, minutes, lines, max(0.0, before - _open(self.probabilities())), tuple(sorted(left - self.left)))
        self.told.append(told)
        return told

    def _look(self, step: Step) -> tuple[float, list[str]]:
        name = self._known(step, LOOKS)
        shown = {key: value for key, value in self.visit(self.left).items() if key.partition(".")[0] == name}
        self.known |= shown
        self.looked.add((self.left, name))
        return LOOKS[name].minutes, [f"{key.partition('.')[2]}: {value}" for key, value in shown.items()] or ["nothing to be seen"]

    def _confirm(self, step: Step) -> tuple[float, list[str]]:
        card = self._card(step.what)
        is_it = card.id in self.left
        (self.found if is_it else self.out).add(card.id)
        return card.minutes, [f"{'It is so' if is_it else 'It is not so'}: {card.confirm}"]

    def _reseat(self, step: Step) -> tuple[float, list[str]]:
        plug = self._known(step, plugs())
        self._mended(load_cures()[PLUGS][plug].of(self.chosen))
        return PLUG_MINUTES, [f"{plug}: pulled and seated again. Look whether it helped."]

    def _change(self, step: Step) -> tuple[float, list[str]]:
        part = self._known(step, parts())
        if cure := load_cures()[PARTS].get(part):
            self._mended(cure.of(self.chosen))
        return PART_MINUTES, [f"{part}: changed. Look whether it helped."]

    def _name(self, step: Step) -> tuple[float, list[str]]:
        card = self._card(step.what)
        if card.id in self.named:
            raise UsageError(f"drill: {card.id} is named already, expected another card")
        self.named.append(card.id)
        if self.over:
            return 0.0, [f"named: {card.id}"]
        self.out.add(card.id)
        self._mended({card.id})
        return 0.0, [f"named: {card.id}, and mended as that card says: {card.mend} Something else is wrong as well: look again."]

    def _mended(self, cards: set[str]) -> None:
        """What was seen before is no longer so."""
        if self.left & cards:
            self.left -= cards
            self.found -= cards
            self.known = {}

    def _known(self, step: Step, expected: Iterable[str]) -> str:
        if step.what not in expected:
            raise UsageError(f"drill: {step.kind} {step.what}: expected one of {', '.join(expected)}")
        return step.what

    def _card(self, name: str) -> Card:
        if name not in load_cards():
            raise UsageError(f"drill: {name}: expected a card (list: benchsim faults)")
        return load_cards()[name]

    # ---- what is known by now

    def probabilities(self) -> dict[str, float]:
        """Of every card, by what was seen and confirmed so far."""
        return _with_hands(self.model.probabilities(self.known), self.found, self.out)

    # ---- afterwards

    def best_path(self) -> list[Told]:
        """Steps of somebody who knows the dictionary, to the name of every hidden card."""
        other = self._again()
        for _ in range(MOST_STEPS * len(self.hidden)):
            ranked = other.probabilities()
            first = next(card for card in ranked if card not in (HEALTHY, NONE_OF_THESE, *other.named))
            sure = other.found or ranked[first] >= KNOWN
            step = Step("name", first) if sure else best_step(self.model, other, ranked) or Step("name", first)
            other.take(step)
            if other.over:
                break
        return other.told

    def _again(self) -> "Drill":
        """The same machine, nothing done yet."""
        return Drill(self.model, self.visit, self.hidden, math.inf, chosen=self.chosen)

    def best_minutes(self) -> float:
        """That the best path takes."""
        return sum(told.minutes for told in self.best_path())

    def score(self) -> Score:
        """Of a drill that is over: all points for the right cards in the best time, at least half of them for the
        right cards; half of a card's for one that looks do not tell from it; less for waste and for what would have hurt.
        """
        wrong = set(self.named) - set(self.hidden)
        missed = [card for card in self.hidden if card not in self.named]
        alike = [card for card in missed if any(card in group and wrong & group for group in self.alike)]
        best = self.best_minutes()
        wasted = [told.step.what for told in self.told if told.step.kind == "change" and not self._worth(told)]
        hurts = [f"{told.step.kind} {told.step.what}" for told in self.told if not told.step.safe and self.hurts(told.step)]
        pace = min(1.0, best / self.minutes) if self.minutes else 1.0
        worth = (1 - (len(missed) - 0.5 * len(alike)) / len(self.hidden)) * (0.5 + 0.5 * pace)
        points = max(0, round(100 * worth) - WASTED * len(wasted) - HURT * len(hurts))
        return Score(points, not missed, bool(alike), self.minutes, best, wasted, hurts)

    def _worth(self, told: Told) -> bool:
        """A part that it took: it cured a card, and nothing cheaper does."""
        return any(told.step.what not in self._card(card).tempting for card in told.cured)

    def left_best(self) -> tuple[int, Step] | None:
        """Where the trainee's path first told less a minute than the best step there: (its number, that step)."""
        again = self._again()
        for number, told in enumerate(self.told):
            best = best_step(self.model, again, again.probabilities())
            if best and told.step.kind != "name" and (best.kind, best.what) != (told.step.kind, told.step.what):
                return number, best
            again.take(told.step)
        return None


def best_step(model: Model, drill: Drill, ranked: dict[str, float]) -> Step | None:
    """The step that is expected to tell most in a minute; None if nothing tells."""
    looks = {look.says: name for name, look in LOOKS.items()}
    for check in model.next_checks(drill.known, ranked, most=20):
        if check.says in looks:
            if (drill.left, looks[check.says]) not in drill.looked:
                return Step("look", looks[check.says])
        else:
            card = check.says.partition(":")[0]
            if card not in drill.out | drill.found:
                return Step("confirm", card)
    return None


def _with_hands(ranked: dict[str, float], found: set[str], out: set[str]) -> dict[str, float]:
    kept = {card: p for card, p in ranked.items() if card not in out}
    if found:
        kept = {card: p if card in found else p * 1e-6 for card, p in kept.items()}
    total = sum(kept.values())
    return dict(sorted(((card, p / total) for card, p in kept.items()), key=lambda pair: (-pair[1], pair[0])))


def _open(ranked: dict[str, float]) -> float:
    """Bits that are still open."""
    return -sum(p * math.log2(p) for p in ranked.values() if p > 0)
