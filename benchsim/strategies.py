"""Hypothesis strategies: legal traffic, customers, fault schedules; and a state machine test for a seat of the user's own.

    class MyHost(BenchMachine):
        seats = ("host",)

        def subject(self, bench):
            bench.start(my_host(*bench.connect("kit")))

    TestMyHost = MyHost.TestCase

Needs Hypothesis (`pip install benchsim[search]`). Whatever is found shrinks to the fewest acts, words or faults.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

try:
    from hypothesis import strategies as st
    from hypothesis.stateful import RuleBasedStateMachine, precondition, rule
except ImportError:
    raise ImportError("benchsim.strategies needs Hypothesis: pip install benchsim[search]") from None

from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.links.kit_frames import wrap
from benchsim.live.customer import KEYS
from benchsim.schema import Book, load_book
from benchsim.schema.bits import BitLayout
from benchsim.schema.bus import Mode, command_words
from benchsim.schema.fields import Field, Layout
from benchsim.settings import Settings
from benchsim.testing.findings import one_line, report
from benchsim.testing.virtual_bench import VirtualBench

SEQS = 256  # of a request on the kit link
MOST_WORDS = 36  # in a block of the bus, its sum included: MDB/ICP 4.3 §2
ACTS = {name: call for name, call in KEYS.values() if name not in ("service button", "audit read")}


# ---- legal traffic


def values(layout: Layout | BitLayout, room: int) -> st.SearchStrategy[dict]:
    """Any values that a layout can carry in `room` bytes, each in its legal range."""
    if isinstance(layout, BitLayout):
        return st.fixed_dictionaries({name: st.integers(0, mask) for name, (_, mask) in layout.fields.items()})
    return _values(layout, room)


@st.composite
def _values(draw, layout: Layout, room: int) -> dict:
    found: dict = {}
    for field in layout.fields:
        left = room - sum(other.least for other in layout.fields if other is not field)
        found[field.name] = draw(_value(field, left, found))
    return found


def _value(field: Field, left: int, found: dict) -> st.SearchStrategy:
    if field.rest and field.type == "hex":
        return st.binary(max_size=left)
    if field.rest and field.type == "ascii":
        return _text(left)
    one = _one(field)
    if isinstance(field.count, str):
        return st.lists(one, min_size=found[field.count], max_size=found[field.count])
    if field.rest or field.trim:
        size = min(left // field.size, field.count or left)
        return st.lists(one, max_size=size).map(lambda few: few + [0] * ((field.count or 0) - len(few)))
    return one if field.count is None else st.lists(one, min_size=field.count, max_size=field.count)


def _one(field: Field) -> st.SearchStrategy:
    top = 256**field.size
    if field.legal is not None:
        return st.sampled_from(sorted(field.legal))
    match field.type:
        case "u" | "bits":
            return st.integers(0, top - 1)
        case "s":
            return st.integers(-top // 2, top // 2 - 1)
        case "bcd":
            return st.text("0123456789", min_size=2 * field.size, max_size=2 * field.size)
        case "hex":
            return st.binary(min_size=field.size, max_size=field.size)
        case _:
            return _text(field.size)


def _text(most: int) -> st.SearchStrategy[str]:
    """Padding and what is cut off with it do not stand at the end."""
    return st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=most)


class KitRequest(NamedTuple):
    """A request of the host: its name, what it carries, and the bytes on the wire, flags included."""

    name: str
    seq: int
    fields: dict
    wire: bytes


@st.composite
def kit_requests(draw, names: Iterable[str] = (), book: Book | None = None) -> KitRequest:
    """Legal requests on the kit link, of all kinds or of some. `book`: with a link of your own, whose fields must be
    told as they are on the wire (no codes, places or money steps)."""
    spec = (book or load_book()).kit
    plain = [op for op in spec.operations.values() if isinstance(op.request, Layout) and (not names or op.name in names)]
    if not plain:
        raise UsageError(f"kit_requests: no operation of {', '.join(names)}, expected some of {', '.join(spec.by_name)}")
    operation, seq = draw(st.sampled_from(plain)), draw(st.integers(0, SEQS - 1))
    fields = draw(values(operation.request, spec.most - 2))
    return KitRequest(operation.name, seq, fields, wrap(spec, spec.build_request(operation.name, seq, **fields)))


class BusCommand(NamedTuple):
    """A block of the master: whom it asks, what, and its words of nine bits."""

    seat: str
    name: str
    fields: dict
    words: tuple[int, ...]


@st.composite
def bus_commands(draw, seats: Iterable[str] = ("changer", "validator", "cashless1"), level: int = 1,
                 book: Book | None = None) -> BusCommand:  # fmt: skip
    """Legal blocks for these seats of the payment bus, as a device of that level takes them."""
    book = book or load_book()
    known = {seat: device for device in book.devices.values() for seat in device.seats}
    seat = draw(st.sampled_from([_known(seat, known) for seat in seats]))
    device, mode = known[seat], Mode(level)
    command = draw(st.sampled_from(list(device.commands.values())))
    fields = draw(values(command.form.pick(mode), MOST_WORDS - 1 - command.head))
    block = device.build_command(command.name, device.seats[seat], mode, **fields)
    return BusCommand(seat, command.name, fields, command_words(block))


def _known(seat: str, known: dict) -> str:
    if seat not in known:
        raise UsageError(f"bus_commands: no seat {seat!r} on the bus, expected some of {', '.join(known)}")
    return seat


# ---- what befalls a bench


def customers(most: int = 10, pause: float = 10.0) -> st.SearchStrategy[list[tuple[float, str]]]:
    """What people do: (seconds to wait, then the act), each act of `ACTS`, for `play_customers`."""
    return st.lists(st.tuples(_seconds(pause), st.sampled_from(sorted(ACTS))), max_size=most)


def play_customers(bench: VirtualBench, acts: Iterable[tuple[float, str]]) -> None:
    """Play them on a bench."""
    for seconds, act in acts:
        bench.run_for(seconds)
        ACTS[act](bench.customer)


@st.composite
def faults(draw, seats: Iterable[str] = (), cards: Iterable[str] = (), most: int = 3, within: float = 60.0,
           settings: Settings | None = None) -> list[str]:  # fmt: skip
    """Fault schedules as `VirtualBench(faults=…)` takes them: `most` cards (of all, or of `cards`), each begun within
    so many seconds, some of them over again before the end. Only what can befall a bench with `seats` of your own.
    """
    known, settings = load_cards(), settings or Settings()
    wanted = [_card(name, known) for name in cards] or list(known)
    fitting = sorted(name for name in wanted if _fits(known[name], frozenset(seats), settings))
    if not fitting:
        raise UsageError(f"faults: none of {', '.join(wanted)} can befall a bench on which {', '.join(seats)} is real")
    chosen = draw(st.lists(st.sampled_from(fitting), max_size=most, unique=True))
    lasts = st.none() | _seconds(within)
    return [f"{name}@{draw(_seconds(within)):g}" + (f"+{for_:g}" if (for_ := draw(lasts)) else "") for name in chosen]


def _card(name: str, known: dict) -> str:
    if name not in known:
        raise UsageError(f"faults: no card {name!r} (list: benchsim faults)")
    return name


def _fits(card, seats: frozenset[str], settings: Settings) -> bool:
    needs = card.mechanism.needed(card.values({}))
    there = ("board" if need == "coils" else need for need in needs)
    on_bus = load_book().bus_seats
    return not any(need in seats or (need in on_bus and not settings.fitted(need)) for need in there)


def _seconds(most: float) -> st.SearchStrategy[float]:
    """Tenths of a second: what shrinks is easy to read."""
    return st.integers(1, round(most * 10)).map(lambda tenths: tenths / 10)


# ---- a test to make one's own


class BenchMachine(RuleBasedStateMachine):
    """People buy and things go wrong around a seat of your own; in the end no rule may be broken.

    Set `seats`, and in `subject` connect and start what sits there. More of your own: methods with `@rule`.
    `bench_file` and `seed` as of a bench; `settle`: seconds before the first act, to start up.
    """

    seats: tuple[str, ...] = ()
    bench_file: Path | str | None = None
    seed: int | None = None
    settle = 5.0

    def __init__(self):
        super().__init__()
        self.bench = VirtualBench(self.bench_file, seats=self.seats, seed=self.seed, name=type(self).__name__)
        try:
            self.subject(self.bench)
            self.bench.run_for(self.settle)
        except BaseException:
            self.bench.close()
            raise

    def subject(self, bench: VirtualBench) -> None:
        """Connect and start what sits on `seats`."""
        raise NotImplementedError("expected a subclass with subject(bench), which starts your own code")

    @rule(seconds=_seconds(20))
    def time_passes(self, seconds):
        """Nothing happens for a while."""
        self.bench.run_for(seconds)

    @rule(act=st.sampled_from(sorted(ACTS)))
    def somebody_acts(self, act):
        """A customer, or a technician at the door."""
        ACTS[act](self.bench.customer)
        self.bench.run_for(0.5)

    @precondition(lambda self: self.bench.board is not None)
    @rule(count=st.integers(1, 5))
    def answers_are_lost(self, count):
        """Answers of the board to the host do not arrive."""
        self.bench.stage.lose(count)

    @precondition(lambda self: self.bench.board is not None)
    @rule(seconds=_seconds(3))
    def the_cable_is_out(self, seconds):
        """Of the kit link."""
        self.bench.run(lambda bench: bench.stage.cut_kit(seconds))

    @precondition(lambda self: self.bench.board is not None and self.bench.board.on)
    @rule(seconds=_seconds(3))
    def the_board_loses_power(self, seconds):
        """And gets it back."""
        self.bench.run(lambda bench: bench.stage.reboot(seconds))

    @precondition(lambda self: self.bench.board is None)
    @rule(seconds=_seconds(3))
    def the_bus_is_unplugged(self, seconds):
        """All of it, at a board of your own."""
        self.bench.run(lambda bench: bench.stage.cut_harness(seconds))

    def teardown(self):
        """The end: every rule looks back."""
        broken = self.bench.broken()
        if broken:
            lines = "\n".join(map(one_line, broken))
            raise AssertionError(f"{lines}\n{report(self.bench, 'the acts above', None)}")
