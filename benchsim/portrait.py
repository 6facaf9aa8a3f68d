"""What a bench remembers, as one tuple: two that are equal are of benches that will do the same.

Times are taken from now. What decides nothing is left out, what only grows is told apart (`Portrait.counting`), and
what lives in bench time is seen by far calls and `BENCH_TIMES` alone (`benchsim.leaps`).
"""

from collections import deque
from random import Random
from typing import NamedTuple

from benchsim.events import ticks

NEAR = ticks(2.0)  # a number so close to now is a time

# Attributes that decide nothing at rest: they tell one request of the kit link from the next, or hold what is no
# longer asked for, or for how long something is over.
PASSING = {
    "Answerer": {"_last_request", "_last_answer"},
    "EventQueue": {"_offered", "_number", "_seen", "told"},
    "Host": {"_seen"},
    "ServicePage": {"air"},
    "_Reader": {"_last_end", "_out", "_sender"},
    "DeviceHalf": {"_total"},
    "PaymentBus": {"_clock_set"},
    "CoinPath": {"_last_in"},
    "ChangerDesk": {"_rested_at"},
    "ReaderDesk": {"step_at"},
    "LightCurtain": {"seen"},
    "Trace": {"told", "_order"},
    "Line": {"_ears", "_followers", "_sides"},
    "Board": {"_last_request", "_speaks_until"},
}
PAST = {"PaymentBus": {"_extra_at"}, "Host": {"panel_heard"}, "Panel": {"said_at"}}  # bench times of what is over
IN_BENCH_TIME = {"Cold", "ColdKeeper"}  # touched by far calls only
COUNTING = {"Answerer": {"requests"}, "Asker": {"seq"}}  # grow by the same in every cycle


Place = tuple[dict, str]  # where a value stands, and by what name


class Portrait:
    """All that a bench remembers, as one long tuple; times are relative to `now`."""

    def __init__(self, bench, now: int):
        self._now = now
        self._seen: set[int] = set()
        self.values: list = []
        self.counting: list[tuple[object, str, int]] = []
        self.seldom: list[Place] = []  # bench times: of what is no part of any cycle,
        self.regular: list[Place] = []  # of what is done again and again and leaves all as it was,
        self.past: list[Place] = []  # and of what is over
        self._add_all((bench.board, bench.host, bench.panel, bench.devices, bench.auditor, bench.coils, bench.door,
                       bench.supply, bench.lines, bench.rng))  # fmt: skip

    def add_calls(self, calls) -> None:
        """The calls still to be made."""
        for when, timed in calls:
            if timed.users:  # made anew each time, with contexts and futures of its own
                self.values += [when - self._now, getattr(timed._args[0], "__qualname__", "")]
                continue
            call = timed._call
            self.values += [when - self._now, getattr(call, "__qualname__", ""), id(getattr(call, "__self__", None))]
            for one in timed._args:
                self._add_all((one,)) if type(one) in _PLAIN or isinstance(one, tuple) else self.values.append(id(one))

    def _add_all(self, values) -> None:
        append, now = self.values.append, self._now
        for value in values:
            kind = type(value)
            how = _HOW[kind] if kind in _HOW else _how(kind)
            if how is _TIME:
                append(value - now if -NEAR < value - now < NEAR else value)
            elif how is _AS_IT_IS:
                append(value)
            elif how is _NOT_AT_ALL:
                continue
            elif type(how) is Plan or how is _CHANCE:
                if id(value) not in self._seen:
                    self._seen.add(id(value))
                    self._add_object(how, value) if how is not _CHANCE else self._add_chance(value)
            elif not value:
                append(())
            elif how is _IN_ORDER:
                append(len(value))
                self._add_all(value)
            elif how is _BY_NAME:
                self.values += value
                self._add_all(value.values())
            else:
                append(frozenset(value))

    def _add_chance(self, rng: Random) -> None:
        _, words, gauss = rng.getstate()
        self.values += words[0], words[-1], gauss  # the last one counts draws, until all words are others

    def _add_object(self, plan: "Plan", thing) -> None:
        held = vars(thing) if plan.slots is None else {name: getattr(thing, name, None) for name in plan.slots}
        for places, names in ((self.seldom, plan.seldom), (self.regular, plan.regular), (self.past, plan.past)):
            for name in names:
                places += [(held[name], key) for key in held[name]] if type(held[name]) is dict else [(held, name)]
        self.counting += [(thing, name, held[name]) for name in plan.counting]
        self._add_all([value for name, value in held.items() if name not in plan.left_out])


_PLAIN = frozenset({int, str, bytes, bool, float, type(None)})
_TIME, _AS_IT_IS, _NOT_AT_ALL, _IN_ORDER, _BY_NAME, _IN_NO_ORDER, _CHANCE = (f"how {n}" for n in range(7))
_REMEMBERS = ("benchsim.seats", "benchsim.machine", "benchsim.links", "benchsim.lines")


class Plan(NamedTuple):
    """What of a kind of thing is looked at: names of attributes. `slots` is None where it has a `__dict__`."""

    slots: tuple[str, ...] | None
    seldom: tuple[str, ...]
    regular: tuple[str, ...]
    past: tuple[str, ...]
    counting: tuple[str, ...]
    left_out: frozenset[str]


_BUILT_IN = {
    int: _TIME, **dict.fromkeys(_PLAIN - {int}, _AS_IT_IS), Random: _CHANCE, dict: _BY_NAME, set: _IN_NO_ORDER,
    **dict.fromkeys((list, tuple, deque), _IN_ORDER), frozenset: _IN_NO_ORDER,
}  # fmt: skip
_HOW: dict[type, "str | Plan"] = dict(_BUILT_IN)  # of every kind that was seen


def _how(kind: type) -> "str | Plan":
    """How to look at what is of a kind."""
    built_in = next((one for one in kind.__mro__ if one in _BUILT_IN), None)
    _HOW[kind] = how = _BUILT_IN[built_in] if built_in else _plan(kind)
    return how


def _plan(kind: type) -> "str | Plan":
    if not kind.__module__.startswith(_REMEMBERS) or kind.__name__ in IN_BENCH_TIME:
        return _NOT_AT_ALL  # it remembers nothing of the bench, or in bench time alone
    above = kind.__mro__
    passing, counting, past = (
        frozenset().union(*(table.get(one.__name__, ()) for one in above)) for table in (PASSING, COUNTING, PAST)
    )
    seldom, regular = (
        frozenset().union(*(vars(one).get(name, ()) for one in above)) for name in ("BENCH_TIMES", "REGULAR")
    )
    slots = tuple(name for one in above for name in vars(one).get("__slots__", ())) if not kind.__dictoffset__ else None
    left_out = passing | counting | past | seldom | regular
    return Plan(slots, *(tuple(sorted(names)) for names in (seldom, regular, past, counting)), left_out)
