"""State tables: in which state of a device a command or an answer is in order, and where it leads.

    states = ["Inactive", "Disabled", "Enabled", …]        top of a device file; the order is the code, from 1
    steps = { "Vend (approved)" = "Vend" }                 finer than the code: a step inside a state
    groups = { session = ["Session Idle", "Vend", …] }     a name for several, wherever states are listed
    set_up = { all = ["SETUP CONFIG", "SETUP PRICES"], in = "Inactive", leads = "Disabled" }

    [[command]] or [[activity]]
    states = ["Session Idle"]                              in order there only; absent: anywhere
    also = { feature = 5, states = ["Enabled"] }           there too, once that feature bit is enabled
    leads = "Vend"                                         or { "Vend" = "Vend (approved)", … }; absent: nowhere
    lasts = true                                           the last of these acts again wherever it can
    states_confidence = "C"                                how sure that is; absent: as the device's file

Where a device stands is a `Position`, a plain value: every question about it is one dictionary look-up.
Whoever cannot know it (a judge) keeps a set of positions.
"""

from collections.abc import Iterable
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.word import only

TOP_KEYS = frozenset({"states", "steps", "groups", "set_up"})  # of a device's file
ROW_KEYS = frozenset({"states", "leads", "also", "lasts", "states_confidence"})  # of its messages


class Position(NamedTuple):
    """Where a device stands: its state, the last command that lasts, what it has of its set-up."""

    state: str
    last: str = ""
    done: frozenset[str] = frozenset()


class Row(NamedTuple):
    """What the table says of one message. `states` None: in order anywhere. `leads` None: to no other state."""

    states: frozenset[str] | None
    feature: int | None
    more: frozenset[str]
    leads: str | dict[str, str] | None
    lasts: bool
    confidence: str

    def legal(self, state: str, features: int) -> bool:
        """Is it in order in that state?"""
        if self.states is None or state in self.states:
            return True
        return self.feature is not None and bool(features >> self.feature & 1) and state in self.more

    def after(self, state: str) -> str:
        """The state after it."""
        return self.leads.get(state, state) if isinstance(self.leads, dict) else self.leads or state


_FREE = Row(None, None, frozenset(), None, False, "A")  # a message of which the table says nothing


class States:
    """The state table of one kind of device, read from its file; UsageError names `place` and the key.

    A message is named with `answer`: False for a command, True for what the device tells. A device without
    states has an empty table: then all is in order.
    """

    def __init__(self, table: dict, place: str):
        self.names: tuple[str, ...] = tuple(_texts(table.get("states", []), f"{place}: states"))
        self.steps: dict[str, str] = dict(table.get("steps", {}))
        self.all: tuple[str, ...] = (*self.names, *self.steps)
        if len(set(self.all)) < len(self.all):
            raise UsageError(f"{place}: states: a name stands twice")
        self._known(self.steps.values(), f"{place}: steps", self.names)
        self._groups: dict[str, list[str]] = {}
        for name, states in table.get("groups", {}).items():
            self._groups[name] = self._named(states, f"{place}: groups.{name}")
        self.confidence: str = table.get("confidence", "A")
        self.rows: dict[tuple[str, bool], Row] = {}
        for kind, answer in (("command", False), ("activity", True)):
            for i, one in enumerate(table.get(kind, ())):
                if ROW_KEYS & set(one):
                    self.rows[one.get("name", ""), answer] = self._row(one, f"{place}: {kind}[{i}]")
        self._set_up(table.get("set_up"), f"{place}: set_up")
        self._lasting = {name: row for (name, answer), row in self.rows.items() if row.lasts and not answer}
        self.go = lru_cache(4096)(self._go)
        self.legal_in = lru_cache(4096)(self._legal_in)

    # ---- reading the file

    def _known(self, names: Iterable[str], place: str, among: tuple[str, ...]) -> None:
        if wrong := [name for name in names if name not in among]:
            known = ", ".join(among) or "none"
            raise UsageError(f"{place}: expected a state of this device ({known}), not {wrong[0]!r}")

    def _named(self, names, place: str) -> list[str]:
        """A list of states, groups resolved."""
        found = [one for name in _texts(names, place) for one in self._groups.get(name, [name])]
        self._known(found, place, self.all)
        return found

    def _row(self, one: dict, place: str) -> Row:
        states = one.get("states")
        if states is not None:
            states = frozenset(self._named(states, f"{place}.states"))
        feature, more = None, frozenset()
        if "also" in one:
            only(one["also"], f"{place}.also", {"feature", "states"})
            feature = one["also"]["feature"]
            more = frozenset(self._named(one["also"]["states"], f"{place}.also.states"))
        confidence = one.get("states_confidence", self.confidence)
        if confidence not in ("A", "B", "C"):
            raise UsageError(f"{place}.states_confidence: expected A, B or C, not {confidence!r}")
        leads = self._ends(one.get("leads"), f"{place}.leads")
        return Row(states, feature, more, leads, one.get("lasts", False), confidence)

    def _ends(self, leads, place: str) -> str | dict[str, str] | None:
        if isinstance(leads, dict):
            self._known(leads.values(), place, self.all)
            return {one: end for name, end in leads.items() for one in self._named([name], place)}
        self._known([] if leads is None else [leads], place, self.all)
        return leads

    def _set_up(self, table: dict | None, place: str) -> None:
        self.set_up, self._begin, self._ready = frozenset(), None, None
        if table is not None:
            only(table, place, {"all", "in", "leads"})
            self.set_up = frozenset(_texts(table["all"], f"{place}.all"))
            self._begin, self._ready = table["in"], table["leads"]
            self._known([self._begin, self._ready], place, self.all)

    # ---- questions

    @property
    def start(self) -> Position:
        """After a reset."""
        return Position(self.names[0] if self.names else "")

    def code(self, state: str) -> int:
        """The number of a state as the device tells it, 1 for the first."""
        return self.names.index(self.steps.get(state, state)) + 1

    def of_code(self, code: int) -> tuple[str, ...]:
        """The state with that number and the steps inside it."""
        if not 1 <= code <= len(self.names):
            return ()
        name = self.names[code - 1]
        return (name, *(step for step, state in self.steps.items() if state == name))

    def row(self, name: str, answer: bool = False) -> Row:
        """What the table says of a message."""
        return self.rows.get((name, answer), _FREE)

    def legal(self, state: str, name: str, features: int = 0, answer: bool = False) -> bool:
        """Is a message in order in that state, with those features enabled?"""
        return self.row(name, answer).legal(state, features)

    def everywhere(self) -> frozenset[Position]:
        """Every position there can be: where nothing is known."""
        lasts = ("", *self._lasting)
        some = [frozenset(part) for n in range(len(self.set_up)) for part in combinations(sorted(self.set_up), n)]
        found = {Position(self.start.state, "", done) for done in some or [frozenset()]}
        for state in self.all:
            if state != self.start.state:
                found |= {Position(self._settle(state, last), last) for last in lasts}
        return frozenset(found)

    def _go(self, at: Position, name: str, answer: bool = False) -> Position:
        """Where a message leads, whether or not it was in order."""
        state, last, done = at
        row = self.row(name, answer)
        if name in self.set_up and not answer and state == self._begin:
            done = done | {name}
            state, done = (self._ready, frozenset()) if done == self.set_up else (state, done)
        state = row.after(state)
        if state == self.start.state and row.leads is not None:
            return self.start
        if row.lasts:
            last = name
        return Position(self._settle(state, last), last, done)

    def _settle(self, state: str, last: str) -> str:
        """What lasts acts wherever it can."""
        return self._lasting[last].after(state) if last else state

    def _legal_in(self, positions: frozenset[Position], name: str, features: int, answer: bool) -> frozenset[Position]:
        """Those of the positions in which a message is in order."""
        row = self.row(name, answer)
        return frozenset(at for at in positions if row.legal(at.state, features))


def _texts(names, place: str) -> list[str]:
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise UsageError(f"{place}: expected a list of names, not {names!r}")
    return names
