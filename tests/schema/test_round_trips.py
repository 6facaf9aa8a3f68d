"""Every command, answer and activity of every bus file, in every mode: values to words and back again."""

from hypothesis import given
from hypothesis import strategies as st

from benchsim.events import Burst
from benchsim.links.bus_blocks import BlockReader
from benchsim.schema import load_book
from benchsim.schema.bus import Mode, answer_words, command_words
from benchsim.schema.forms import is_open, least_of
from benchsim.strategies import values

BOOK = load_book()
MOST = 36  # words in a block, checksum included: MDB/ICP 4.3 §2
WORD, MS = 82_500, 72_000  # ticks: 11 bits at 9600 baud; a millisecond
MODES = [Mode(level, features, wide) for level in (1, 2, 3) for features, wide in ((0, False), (0xFFFFFFFF, True))]
COMMANDS = [(d, c, m) for d in BOOK.devices.values() for c in d.commands.values() for m in MODES]
ANSWERS = [(d, c, m) for d, c, m in COMMANDS if c.answer]
ACTIVITIES = [(d, a, m) for d in BOOK.devices.values() for a in d.activities.values() for m in MODES]


def values_of(draw, layout, room):
    """Any values that a layout can carry in `room` bytes."""
    return draw(values(layout, room))


def test_there_is_a_sample_of_everything():
    """Hypothesis draws from these; none may be empty by mistake."""
    assert {d.name for d, _, _ in COMMANDS} == set(BOOK.devices)
    assert len(COMMANDS) > 600 and len(ACTIVITIES) > 500 and len(ANSWERS) > 100


@given(st.sampled_from(COMMANDS), st.data())
def test_commands(sample, data):
    device, command, mode = sample
    fields = values_of(data.draw, command.form.pick(mode), MOST - 1 - command.head)
    for address in device.seats.values():
        block = device.build_command(command.name, address, mode, **fields)
        assert len(block) <= MOST - 1
        assert (block[0] & 0xF8, block[0] & 7) == (address, command.code)
        assert command.sub is None or block[1] == command.sub
        assert device.parse_command(block, mode) == (command.name, fields, False)
        assert not command.lengths() or len(block) + 1 in command.lengths()


@given(st.sampled_from(ANSWERS), st.data())
def test_answers(sample, data):
    device, command, mode = sample
    layout = command.answer.pick(mode)
    fields = values_of(data.draw, layout, MOST - 1)
    block = device.build_answer(command.name, mode, **fields)
    assert len(block) <= MOST - 1
    (message,) = device.parse_answer(command.name, block, mode)
    assert (message.name, message.fields) == (command.name, fields)


@given(st.sampled_from([d for d in BOOK.devices.values() if d.activities]), st.sampled_from(MODES), st.data())
def test_activities_one_after_the_other(device, mode, data):
    """As many as fit in one answer; one that takes all that is left stands last."""
    block, told = b"", []
    for activity in data.draw(st.lists(st.sampled_from(list(device.activities.values())), min_size=1, max_size=8)):
        layout, head = activity.form.pick(mode), activity.code is not None
        if len(block) + head + least_of(layout) > MOST - 1:
            break
        fields = values_of(data.draw, layout, MOST - 1 - len(block) - head)
        block += device.build_activity(activity.name, mode, **fields)
        told.append((activity.name, fields))
        if is_open(layout) or getattr(activity.form, "loose", ()):  # it takes what is left, or may
            break
    assert [(m.name, m.fields) for m in device.parse_answer("POLL", block, mode)] == told


@given(st.sampled_from(COMMANDS), st.data())
def test_commands_over_the_line(sample, data):
    """A block is found whole and good among others, whether its length is known or only silence ends it."""
    device, command, mode = sample
    address = data.draw(st.sampled_from(sorted(device.seats.values())))
    fields = values_of(data.draw, command.form.pick(mode), MOST - 1 - command.head)
    words = command_words(device.build_command(command.name, address, mode, **fields))
    reader = BlockReader(BOOK)
    reader.modes[address] = device.mode(mode.level, mode.features)
    ack, at, blocks = (0x100,), 0, []
    for out, said in ((True, words), (False, ack), (True, words), (False, ack)):
        end = at + len(said) * WORD
        blocks += reader.feed(Burst(at, end, "bus", out, "", said))
        at = end + 3 * MS
    blocks += reader.close()
    assert [(b.kind, b.words, b.broken, b.address) for b in blocks] == [
        ("command", words, (), address), ("ack", ack, (), address),
    ] * 2  # fmt: skip


@given(st.sampled_from(ACTIVITIES), st.data())
def test_answers_over_the_line(sample, data):
    device, activity, mode = sample
    head = activity.code is not None
    fields = values_of(data.draw, activity.form.pick(mode), MOST - 1 - head)
    words = answer_words(device.build_activity(activity.name, mode, **fields))
    address = data.draw(st.sampled_from(sorted(device.seats.values())))
    poll = command_words(device.build_command("POLL", address))
    reader, blocks, at = BlockReader(BOOK), [], 0
    for out, said in ((True, poll), (False, words), (True, (0x000,))):
        end = at + len(said) * WORD
        blocks += reader.feed(Burst(at, end, "bus", out, "", said))
        at = end + MS
    assert [(b.kind, b.words, b.broken) for b in blocks] == [("command", poll, ()), ("answer", words, ()), ("reply", (0,), ())]
