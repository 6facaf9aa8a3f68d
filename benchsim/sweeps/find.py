"""Look for faults that make a seat break a rule, and shrink them to the least that still does.

Hypothesis proposes lists of cards with moments, lengths and parameters, and shrinks what breaks the rule: fewer
faults, earlier moments, parameters left at their defaults. What it finds is a bench file that plays it again:
`benchsim run FILE --virtual --visit`.
"""

from collections.abc import Callable
from dataclasses import replace

from benchsim.checks.far_ends import excuse
from benchsim.checks.result import CaseResult
from benchsim.errors import UsageError
from benchsim.faults import Fault, load_cards
from benchsim.faults.cards import Card, Parameter
from benchsim.judge import all_rules
from benchsim.live.visit import LENGTH
from benchsim.settings import Settings
from benchsim.sweeps.work import judged

MOST = 3  # faults at once
TENTHS = 10  # moments and lengths are whole tenths of a second


def find(settings: Settings, rule: str, cards: list[str], seed: int, tries: int, seat: str | None = None,
         told: Callable[[], None] = lambda: None) -> list[Fault] | None:  # fmt: skip
    """The least faults of these cards by which `rule` fails in a visit (at `seat`, or at any), as far as they were found
    in so many visits; None if none was.
    """
    try:
        import hypothesis as h
        from hypothesis.errors import NoSuchExample
    except ImportError:
        raise UsageError("--find: expected the extra: pip install 'benchsim[search]'") from None
    if rule not in {one.id for one in all_rules()}:
        raise UsageError(f"--find {rule}: no such rule, expected an id such as KIT-ONCE (list: benchsim rules)")

    played: dict[str, bool] = {}

    def breaks(faults: list[Fault]) -> bool:
        """What was played is known; once there were enough visits, nothing new breaks it, so the shrinking ends."""
        name = "".join(fault.as_toml() for fault in faults)
        if name not in played:
            if len(played) >= tries:
                return False
            told()
            played[name] = breaks_it(settings, faults, rule, seed, seat)
        return played[name]

    if breaks([]):
        raise UsageError(f"--find {rule}: fails on this bench without any fault, expected a rule that holds")
    wanted = h.settings(max_examples=tries, database=None, deadline=None, derandomize=True,
                        phases=(h.Phase.generate, h.Phase.shrink),  # explaining traces every line: ten times slower
                        suppress_health_check=list(h.HealthCheck))  # fmt: skip
    known = load_cards()
    try:
        return h.find(_faults([known[name] for name in cards], settings), breaks, settings=wanted)
    except NoSuchExample:
        return None


def breaks_it(settings: Settings, faults: list[Fault], rule: str, seed: int, seat: str | None = None) -> bool:
    """Does the rule fail in a visit with these faults?"""
    all_faults = [*settings.faults, *faults]
    result = CaseResult("find", "", None)
    result.verdicts = judged(replace(settings, faults=all_faults), seed, (rule,)).verdicts()
    excuse(result, all_faults, settings.book())
    return any(v.outcome == "fail" and seat in (None, v.judged) for v in result.verdicts)


def _faults(cards: list[Card], settings: Settings):
    from hypothesis import strategies as st

    def parameter(p: Parameter):
        if p.among:
            return st.sampled_from(p.among)
        if p.of:
            return st.integers(0, getattr(settings, p.of) - 1)
        if type(p.default) is int:
            return st.integers(p.low, p.high)
        return st.floats(p.low, p.high, allow_nan=False).map(lambda value: round(value, 3))

    tenths = st.integers(0, round(LENGTH * TENTHS)).map(lambda n: n / TENTHS)
    lengths = st.none() | st.integers(1, round(LENGTH * TENTHS)).map(lambda n: n / TENTHS)

    def of(card: Card):
        chosen = st.fixed_dictionaries({}, optional={name: parameter(p) for name, p in card.parameters.items()})
        return st.tuples(chosen, tenths, lengths).map(lambda found: Fault(card, *found))

    return st.lists(st.sampled_from(cards).flatmap(of), min_size=1, max_size=MOST)


def as_bench_file(settings: Settings, faults: list[Fault], rule: str, seed: int) -> str:
    """The bench with these faults; its first line says what it shows."""
    body = settings.text.rstrip() or f'title = "{settings.title}"'
    lines = [line for line in body.splitlines() if not line.startswith("seed")]
    head = [f"# breaks {rule}: benchsim run THIS.toml --virtual --visit", f"seed = {seed}"]
    return "\n".join([*head, *lines, "", *(fault.as_toml() for fault in faults)])
