"""Wrong payment devices for the self-test, of whatever kind: each differs from the good seat in one thing. Odd ones that
are legal: `device_legal`.

A class here is mixed into a seat's class (`mixed`). Times from MDB/ICP 4.3 §3.
"""

from benchsim.events import FRAMING, MODE, TICKS_PER_MS, ticks
from benchsim.schema.bus import COMMAND_BITS


def mixed(fault: type, seat: type) -> type:
    """The seat's class with that difference."""
    return type(fault.__name__, (fault, seat), {"__doc__": fault.__doc__, "__module__": __name__})


class Spoils:
    """What all that change their words share: `say(name, words, at)` says an answer in its own way, or returns
    False to have it said as it is. `name` is the command, "RET" for a repetition.
    """

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.said = 0
        self.bus.tricks.append(self._trick)

    def _trick(self, name, words, at):
        self.said += 1
        changed = self.say(name, words, at)
        return None if changed is False else lambda: changed and self.line.say(self.seat, *changed)


# ---- wrong: words and times


class SlowClock:
    """Its bit rate is 3 % low."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus.word = self.line.word_ticks * 103 // 100


class FastClock:
    """Its bit rate is 1.5 % high."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus.word = self.line.word_ticks * 985 // 1000


class NoStopBit(Spoils):
    """Now and then a word lacks its stop bit."""

    def say(self, name, words, at):
        return ((*words[:-1], words[-1] | FRAMING), at) if self.said % 7 == 0 else False


class Stutters(Spoils):
    """Pauses for 1.5 ms inside its blocks."""

    def say(self, name, words, at):
        return (words, at, (0, *(3 * TICKS_PER_MS // 2 for _ in words[1:])))


class NoModeBit(Spoils):
    """Sets no mode bit on the last word of data."""

    def say(self, name, words, at):
        return ((*words[:-1], words[-1] & ~MODE), at) if len(words) > 1 else False


class EarlyModeBit(Spoils):
    """Sets the mode bit on the second word of longer answers too."""

    def say(self, name, words, at):
        return ((words[0], words[1] | MODE, *words[2:]), at) if len(words) > 3 else False


class BadSum(Spoils):
    """Every third block of data has a wrong checksum."""

    blocks = 0

    def say(self, name, words, at):
        self.blocks += len(words) > 1
        wrong = len(words) > 1 and self.blocks % 3 == 0
        return ((*words[:-1], words[-1] ^ 0x04), at) if wrong else False


class Longwinded(Spoils):
    """Its long answers go on to 37 words and more."""

    def say(self, name, words, at):
        if len(words) < 10:
            return False
        return ((*words[:-1], *(0 for _ in range(37 - len(words))), words[-1]), at)


class Punctual:
    """Its answers begin always the same time after the command."""

    DELAY = 0  # ticks

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus.delay, self.bus._rng = self.DELAY, self

    def randrange(self, _):
        """No chance."""
        return 0


class Late(Punctual):
    """Answers begin 5.2 ms after the command."""

    DELAY = 52 * TICKS_PER_MS // 10


class LateNowAndThen(Spoils):
    """One answer in ten begins 8 ms after the command."""

    def say(self, name, words, at):
        return (words, at + 7 * TICKS_PER_MS) if self.said % 10 == 0 else False


class FallsSilent(Spoils):
    """Works for twenty answers, then never says a word again."""

    def say(self, name, words, at):
        return () if self.said > 20 else False


# ---- wrong: whom it answers, what it repeats


class AnswersAll:
    """Says ACK to commands for others as well."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.line.attach(self.seat, False, self._overhear)

    def _overhear(self, burst):
        self.bus.hear(burst)
        first = burst.words[0]
        if first & MODE and first & ~COMMAND_BITS & 0xFF != self.bus.address:
            self.line.say(self.seat, (MODE,), self.clock.now() + 2 * TICKS_PER_MS)


class Talkative(Spoils):
    """Says ACK a second time, 40 ms after it has answered a POLL."""

    def say(self, name, words, at):
        if name == "POLL":
            self.line.say(self.seat, (MODE,), at + 40 * TICKS_PER_MS)
        return False


class Interrupts(Spoils):
    """Says another ACK just when the master says its next POLL."""

    def say(self, name, words, at):
        if name == "POLL":
            self.line.say(self.seat, (MODE,), at + 97 * TICKS_PER_MS)
        return False


class OtherOnRet(Spoils):
    """Answers RET by ACK in place of the same block again."""

    def say(self, name, words, at):
        return ((MODE,), at) if name == "RET" else False


class Forgetful:
    """Takes data for delivered once it was said, whatever the master replies."""

    def _acked(self, taken):
        super()._acked(True)


class NewestFirst:
    """Offers what was not acknowledged in the reverse order."""

    def _acked(self, taken):
        super()._acked(taken)
        if not taken:
            self._events.reverse()


class ForgetsAtCommands:
    """Drops what waits to be told when another command comes between."""

    def _answer(self, message):
        if message.name not in ("POLL", "RESET"):
            self._events.clear()
            self._offered = 0
        return super()._answer(message)


# ---- wrong: resets, checksums, forms


class ResetTwice:
    """Tells JUST RESET once more when it was taken."""

    again = False

    def cleared(self):
        super().cleared()
        self.again = True

    def _acked(self, taken):
        again = taken and self._offered < 0 and self.again
        super()._acked(taken)
        if again:
            self._just_reset, self.again = True, False


class ResetLast:
    """After a reset it tells a state before JUST RESET."""

    first = False

    def cleared(self):
        super().cleared()
        self.first = True

    def _poll(self):
        if not self.first:
            return super()._poll()
        self.first = False
        state = "ROM CHECKSUM" if "ROM CHECKSUM" in self.spec.activities else "CANCELLED"
        return self.spec.build_activity(state, self.bus.mode)


class DeafToBreaks:
    """A break means nothing to it."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.line.attach(self.seat, False, lambda burst: burst.is_break or self.bus.hear(burst))


class DeafToReset:
    """Says ACK to RESET and goes on as before."""

    begun = False

    def _reset(self):
        if not self.begun or not self.on:
            super()._reset()
        self.begun = True


class ObeysBadSums:
    """Does not look at checksums: such a command is obeyed and answered."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        obey = self.bus._commanded
        self.bus._commanded = lambda block: obey(block._replace(broken=()))


class ObeysBadSumsInSilence(Spoils):
    """Commands with a wrong checksum are obeyed, but not answered."""

    hidden = False

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        obey = self.bus._commanded

        def commanded(block):
            self.hidden = block.broken == ("sum",)
            obey(block._replace(broken=()) if self.hidden else block)
            self.hidden = False

        self.bus._commanded = commanded

    def say(self, name, words, at):
        return () if self.hidden else False


class NeverGivesUp:
    """Waits for the rest of a command for ever: a pause inside does not make it void."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.bus._half._silence = ticks(0.05)


class ShortAnswers(Spoils):
    """Its long answers lack their last byte; the checksum fits."""

    def say(self, name, words, at):
        if len(words) < 15:
            return False
        return ((*words[:-2], sum(words[:-2]) & 0xFF | MODE), at)


class UnknownCode(Spoils):
    """Every fourth POLL is answered by a code that the standard does not define."""

    polls = 0

    def say(self, name, words, at):
        self.polls += name == "POLL"
        return ((0x7F, 0x7F | MODE), at) if name == "POLL" and words == (MODE,) and self.polls % 4 == 0 else False


class OneWord(Spoils):
    """Says one word that is neither ACK nor NAK nor anything else."""

    def say(self, name, words, at):
        return ((0x42 | MODE,), at) if self.said % 9 == 0 else False


WRONG = (
    (SlowClock, "polling", "BUS-RATE"),
    (FastClock, "polling", "BUS-RATE"),
    (NoStopBit, "polling", "BUS-FRAMING"),
    (Stutters, "resets", "BUS-GAP"),
    (NoModeBit, "resets", "BUS-MODE-IN"),
    (EarlyModeBit, "resets", "BUS-MODE-IN"),
    (BadSum, "resets", "BUS-SUM-IN"),
    (Longwinded, "close-commands", "BUS-LENGTH"),
    (Late, "polling", "BUS-ANSWER"),
    (LateNowAndThen, "polling", "BUS-ANSWER"),
    (FallsSilent, "polling", "BUS-SILENT"),
    (AnswersAll, "other-addresses", "BUS-MUTE"),
    (Talkative, "polling", "BUS-MUTE"),
    (Interrupts, "polling", "BUS-OVERLAP"),
    (OtherOnRet, "ask-again", "BUS-REPEAT"),
    (ResetTwice, "resets", "BUS-JUST-RESET"),
    (ObeysBadSums, "wrong-sums", "BUS-BAD-SUM-INERT"),
    (ObeysBadSumsInSilence, "wrong-sums", "BUS-BAD-SUM-INERT"),
    (UnknownCode, "polling", "BUS-SHAPE"),
    (OneWord, "polling", "BUS-SHAPE"),
)
