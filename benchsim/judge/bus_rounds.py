"""The payment bus at rest: POLL of one device after the other, each answered ACK, and now and then a question to a
device that is not there (`judge.rounds`).
"""

from benchsim.events import MODE, Burst
from benchsim.judge.bus_talk import Exchange, Heard
from benchsim.judge.rounds import Like, LinkRounds, rounds_of

ASKED = 2  # words of a POLL, of any short question


@rounds_of("bus")
class BusRounds(LinkRounds):
    """Blocks that differ in nothing but their times, punctual and apart from each other."""

    link = "bus"
    last = 2  # whoever speaks too early answers the one before the last

    def __init__(self, judge, rounds):
        super().__init__(judge, rounds)
        limits = judge.book.bus.limits
        self._pause, self._response = limits["gap"].high, limits["response"].high
        self._ordinary: set[tuple] = set()  # words of questions; words of a question and its answer
        self._end = 0  # of the last block at rest

    def begins(self, burst: Burst) -> bool:
        return burst.out and bool(burst.words[0] & MODE)

    def ordinary(self, burst: Burst) -> bool:
        if burst.out:
            return burst.words in self._ordinary
        asked = self._open[1] if self._open else self._begun
        return asked is not None and (asked.words, burst.words) in self._ordinary

    def exchange(self, question: Burst, answer: Burst | None) -> tuple | None:
        x = self.talk.before if answer is None else self.talk.current
        if x is None or not (x.message and x.known.device and x.command.intact) or x.cut or x.again:
            return None
        if question.words != x.command.words or len(question.words) != ASKED or question.gaps:
            return None
        if answer is None:
            return self._silent(question, x)
        told = x.name == "POLL" and x.kind == "ack" and len(x.answers) == 1 and x.answer.intact and not (x.unfit or x.repeat)
        if not told or answer.gaps or x.answer.words != answer.words:
            return None
        self._end = answer.end
        self._ordinary |= {question.words, (question.words, answer.words)}
        return _told(question), _told(answer), x

    def _silent(self, question: Burst, x: Exchange) -> tuple | None:
        if x.answers:
            return None
        self._end = question.end
        self._ordinary.add(question.words)
        return _told(question), None, x

    def asks(self, burst: Burst) -> Like | None:
        like = self.likes.get((burst[1] - burst[0], *burst[3:]))
        if like is None or burst[0] - self._end <= self._pause:
            return None
        self._end = burst[1]
        return like

    def answers(self, like: Like, burst: Burst) -> bool:
        if like.answer != (burst[1] - burst[0], *burst[3:]) or not 0 <= burst[0] - self._end <= self._response:
            return False
        self._end = burst[1]
        return True

    def about(self, x: Exchange) -> str | None:
        return x.seat

    def heard(self, burst: Burst, number: int, x: Exchange) -> Heard:
        known = x.command if burst.out else x.answer
        heard = Heard(known.block._replace(start=burst.start, end=burst.end), number, known.seat)
        heard.known_as = known.known_as
        return heard


def _told(burst: Burst) -> tuple:
    """All of a burst but when it was."""
    return burst.end - burst.start, *burst[3:]
