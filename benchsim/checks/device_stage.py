"""A payment device under test, alone on the bus with a master of ours: the stage asks, polls, and spoils on purpose.

    s.start_up()   break ─► JUST RESET ─► the start-up of this kind of device, at the level it tells
    s.ask(…)       a command, again until it is taken        s.once(…)     just once
    s.poll(…)      POLL for a while                          s.poll_for(…) until something is told
    s.spoilt(…)    a command with something wrong            s.reply_with  another reply than ACK
    s.customer(…)  somebody acts at the device

It does only what a device meets in life, or what the standard lets it expect. Seconds, unless a name says ms.
"""

import asyncio
from collections.abc import Callable
from typing import NamedTuple

from benchsim.checks.device_master import REPLIES, TryingMaster, Words
from benchsim.checks.device_start import STEPS, Step
from benchsim.checks.stage import NotReached, Stage
from benchsim.events import TICKS_PER_MS, ticks
from benchsim.schema.bus import Message, Mode, command_words
from benchsim.schema.fields import Misfit

PAUSE = 0.006  # after each exchange: longer than a reply may take, so that none at all is known for what it is
INTERVAL = 0.1  # POLL to POLL
TRIES = 5  # of a command that gets NAK or silence
BOOT = 20  # for a device to give its first answer
ANSWER = 5.0  # for an answer that may come in a later POLL; a cashless device can tell another time
PERSON = 60.0  # for a person to act, where we see that it was done
WATCH = 15.0  # the same where we do not


class Answer(NamedTuple):
    """How a command ended: "ack", "nak", "data", "silence", "broken" (bad even after RET), "unfit" (data that
    this command does not give), or "dropped" (data that the master did not acknowledge).
    """

    kind: str
    messages: tuple[Message, ...] = ()

    @property
    def taken(self) -> bool:
        """Both sides know that it was done."""
        return self.kind in ("ack", "data", "unfit")

    def fields(self, name: str) -> dict | None:
        """The fields of the first message of that name; None if there is none."""
        return next((m.fields for m in self.messages if m.name == name), None)


class Told(dict):
    """What a device told of itself. What it did not tell ends the case."""

    def __missing__(self, key):
        raise NotReached(f"the device did not tell its {key}")


class DeviceStage(Stage):
    """`device` is the simulated subject, None for a real one. `setup` and `identity` hold what the device told of
    itself (fields of its SETUP and IDENTIFICATION answers), `heard` all that it told. `our_level`: the highest that
    the master speaks; `our_display`: columns and rows of its display; `features`: bits that it would enable.
    """

    def __init__(self, bench, person: Callable[[str], None] | None = None, switch: Callable | None = None):
        super().__init__(bench, person, switch)
        self.seat, self.device, self.book = bench.seat, bench.device, bench.book
        self.spec = next(spec for spec in bench.book.devices.values() if bench.seat in spec.seats)
        self.address = self.spec.seats[self.seat]
        self.master = TryingMaster(bench.clock, bench.lines["bus"], bench.book)
        self.our_level, self.our_display, self.features = max(self.spec.levels), (0, 0), 0xFFFFFFFF
        self.heard: list[Message] = []
        self._polled = -ticks(INTERVAL)
        self._fresh()

    # ---- asking

    async def once(self, name: str, **fields) -> Answer:
        """Say a command once."""
        return await self._exchange(self.words(name, **fields), name, fields)

    async def ask(self, name: str, **fields) -> Answer:
        """Say a command until it is taken; between two tries the device is polled. NotReached if it never is. Data
        that the master dropped are asked for again, unless they come again in a POLL.
        """
        comes_again = self.spec.commands[name].answer is None
        for _ in range(TRIES):
            answer = await self.once(name, **fields)
            if answer.taken or (comes_again and answer.kind == "dropped"):
                return answer
            await self.poll(INTERVAL)
        raise NotReached(f"the device did not take {name}: {answer.kind}")

    async def ask_for(self, name: str, *told: str, **fields) -> Message:
        """Say a command whose answer, one of `told`, may come at once or in a later POLL. Returns the answer."""
        since = len(self.heard)
        await self.ask(name, **fields)
        return await self.poll_for(*told, since=since)

    async def poll(self, seconds: float, every: float = INTERVAL) -> list[Message]:
        """POLL for so long, start to start `every` seconds apart. Returns what was told."""
        end, since = self.clock.now() + ticks(seconds), len(self.heard)
        while self._polled + ticks(every) <= end:
            await self._poll_when_due(every)
        await self._sleep_until(end)
        return self.heard[since:]

    async def poll_for(self, *names: str, within: float = 0.0, since: int | None = None) -> Message:
        """POLL until one of these is told (or was, from `since` in `heard` on), and return it. NotReached if it does
        not come in time, `response` unless `within` says otherwise; a person who acts at a real device is given more.
        """
        since = len(self.heard) if since is None else since
        end = self.clock.now() + ticks(max(within or self.response, PERSON if self.person and not self.device else 0))
        while True:
            for message in self.heard[since:]:
                if message.name in names:
                    return message
            if self.clock.now() >= end:
                raise NotReached(f"the device did not tell {' or '.join(names)}")
            await self._poll_when_due(INTERVAL)

    async def keep_polling(self) -> None:
        """One POLL, if it is time for one: between commands that take long."""
        if self.clock.now() - self._polled >= ticks(INTERVAL):
            await self._poll_when_due(INTERVAL)

    async def watch(self, seconds: float) -> list[Message]:
        """`poll`, but longer at a real device, where a person was asked to do what shows nothing."""
        return await self.poll(max(seconds, WATCH if self.person and not self.device else 0))

    async def poll_until_data(self, within: float = 5.0) -> None:
        """POLL until the device answers with data, whatever the master replies. NotReached if it only says ACK."""
        end = self.clock.now() + ticks(max(within, PERSON if self.person and not self.device else 0))
        while (await self._poll_when_due(INTERVAL)).kind not in ("data", "dropped"):
            if self.clock.now() >= end:
                raise NotReached("the device told nothing")

    async def poll_until_quiet(self, name: str, within: float = 30.0) -> None:
        """POLL until a state is told no more. NotReached if it lasts."""
        end = self.clock.now() + ticks(within)
        while name in (m.name for m in await self.poll(INTERVAL)):
            if self.clock.now() >= end:
                raise NotReached(f"the device tells {name} for ever")

    def words(self, name: str, **fields) -> Words:
        """The words of a command, in the mode that the device is in."""
        return command_words(self.spec.build_command(name, self.address, self.mode, **fields))

    @property
    def response(self) -> float:
        """Seconds that an answer may take which comes in a POLL."""
        return max(ANSWER, self.setup.get("response_s", 0)) + 1

    # ---- start-up

    async def start_up(self, until: str | None = None) -> None:
        """A break, then `set_up`."""
        await self.hold_break()
        await self.set_up(until)

    async def set_up(self, until: str | None = None, restarted: bool = False) -> None:
        """From JUST RESET through all steps of the start-up, or through those before `until`. `restarted`: JUST
        RESET was told already.
        """
        if not restarted:
            await self.just_reset()
        for step in STEPS[self.spec.name]:
            if step.name == until:
                return
            await self.step(step)

    async def just_reset(self) -> None:
        """POLL until JUST RESET; a device that is still starting is RESET each second. NotReached if it never comes."""
        for _ in range(BOOT):
            try:
                await self.poll_for("JUST RESET", within=1.0)
                return
            except NotReached:
                await self.once("RESET")
        raise NotReached("the device did not tell JUST RESET")

    async def step(self, step: Step) -> None:
        """One step of the start-up, where this device has it."""
        values = step.values(self) if self.defined(step.name) else None
        if values is None:
            return
        await self.keep_polling()
        if step.later:
            await self.ask_for(step.name, step.later, **values)
        else:
            await self.ask(step.name, **values)

    def defined(self, name: str) -> bool:
        """Does a command exist at this device's level, with its features?"""
        return self.spec.defined(name, self.mode)

    def needs(self, holds: bool, what: str) -> None:
        """NotReached with `what` unless it holds: the device at hand cannot be put to this case."""
        if not holds:
            raise NotReached(what)

    async def reset(self) -> None:
        """RESET, until it is taken."""
        await self.ask("RESET")

    async def hold_break(self, ms: float = 110, settle_ms: float = 220) -> None:
        """Hold the line active, then wait so long."""
        self.master.stop()
        end = self.master.hold(int(ms * TICKS_PER_MS))
        self._fresh()
        await self._sleep_until(end + int(settle_ms * TICKS_PER_MS))

    # ---- spoiling on purpose

    async def spoilt(self, how: Callable[[Words], Words], name: str, **fields) -> Answer:
        """A command with something wrong (see `device_master`), once."""
        return await self._exchange(how(self.words(name, **fields)))

    async def gapped(self, ms: float, name: str, **fields) -> Answer:
        """A command with a pause before its last word: up to 1.0 ms are legal. One of more than 5 ms makes it void,
        and is two bursts, so that whoever listens hears the silence.
        """
        words, gap = self.words(name, **fields), int(ms * TICKS_PER_MS)
        if gap <= self.book.bus.limits["gap"].high:
            return await self._exchange(words, name, fields, (0,) * (len(words) - 1) + (gap,))
        end = self.clock.now() + (len(words) - 1) * self.book.bus.word.ticks
        end = self.master.add(words[-1:], end + gap)
        answer = await self._exchange(words[:-1])
        await self._sleep_until(end + ticks(PAUSE))
        return answer

    async def raw(self, *data: int) -> Answer:
        """A block to whomever: these bytes and their checksum."""
        return await self._exchange(command_words(bytes(data)))

    async def break_into(self, name: str, after_ms: float = 2.0, **fields) -> None:
        """A command, and a break that begins so long after its end, whatever the device is saying."""
        words = self.words(name, **fields)
        end = self.clock.now() + len(words) * self.book.bus.word.ticks
        self.master.ask_words(words, lambda outcome: None)
        await self._sleep_until(end + int(after_ms * TICKS_PER_MS))
        await self.hold_break()

    def reply_with(self, *replies: str | None) -> None:
        """What the master says to the next data blocks: "ACK", "RET", "NAK", or None for nothing."""
        assert all(reply in REPLIES for reply in replies)
        self.master.replies += replies

    def reply_late(self, ms: float) -> None:
        """From now on the master's replies begin that long after the data."""
        self.master.turnaround = int(ms * TICKS_PER_MS)

    # ---- people

    async def off_and_on(self) -> None:
        """The device loses its supply for a moment."""
        if self.device is None and await self.supply(self.seat, False):
            await self.sleep(1)
            await self.supply(self.seat, True)
        else:
            await self.customer(f"Switch the {self.seat} off and on again", lambda device: device.restart())

    async def restarted(self) -> None:
        """Started, without supply for a moment, and set up again."""
        await self.start_up()
        await self.poll(0.5)
        await self.off_and_on()
        await self.poll_for("JUST RESET", within=20)
        await self.set_up(restarted=True)

    async def customer(self, what: str, act: Callable) -> None:
        """Somebody acts at the device: `act(device)` where it is simulated, else a person is asked for `what`."""
        if self.device is not None:
            act(self.device)
        elif self.person is not None:
            self.person(what)
        else:
            raise NotReached(f"somebody must act at the device: {what}")

    def simulated(self, what: str):
        """The simulated device. NotReached: `what` cannot be brought about in a real one from here."""
        if self.device is None:
            raise NotReached(f"only a simulated device can be made to: {what}")
        return self.device

    # ---- inside

    async def _poll_when_due(self, every: float) -> Answer:
        await self._sleep_until(self._polled + ticks(every))
        self._polled = self.clock.now()
        return await self.once("POLL")

    async def _sleep_until(self, tick: int) -> None:
        if tick > self.clock.now():
            await self.clock.sleep((tick - self.clock.now()) / ticks(1))

    async def _exchange(self, words: Words, name: str | None = None, fields: dict | None = None,
                        gaps: tuple[int, ...] = ()) -> Answer:  # fmt: skip
        """`name`: what the words are, for an answer to be read; None: nothing that is answered with data."""
        came = asyncio.get_running_loop().create_future()
        self.master.ask_words(words, came.set_result, gaps)
        outcome = await came
        await self.clock.sleep(PAUSE)
        answer = self._read(name, outcome)
        if answer.kind == "data" and not self.master.acknowledged:
            return answer._replace(kind="dropped")
        self.heard += answer.messages
        if name and answer.taken:
            self._learn(name, fields or {}, answer)
        return answer

    def _read(self, name: str | None, outcome) -> Answer:
        if outcome.kind != "data" or name is None:
            return Answer(outcome.kind)
        try:
            messages = self.spec.parse_answer(name, outcome.data, self.mode)
        except Misfit:
            return Answer("unfit")
        return Answer("data", tuple(messages))

    def _learn(self, name: str, fields: dict, answer: Answer) -> None:
        if name == "RESET":
            self._fresh()
        elif name == "FEATURES":
            self.mode = self.spec.mode(self.mode.level, fields["features"])
        for message in answer.messages:
            if message.name == "JUST RESET":
                self._fresh()
            elif message.name in ("SETUP", "CONFIG"):
                self.setup = Told(message.fields)
                self.mode = self.spec.mode(max(1, min(self.our_level, message.fields["level"])))
            elif message.name.startswith("IDENTIFICATION"):
                self.identity = Told(message.fields)

    def _fresh(self) -> None:
        """After a reset nothing is enabled, and the level is to be told anew."""
        self.mode: Mode = self.spec.mode(self.spec.levels[0])
        self.setup, self.identity = Told(), Told()
