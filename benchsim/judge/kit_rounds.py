"""The kit link at rest: POLL after POLL, and no answer tells anything new (`judge.rounds`)."""

from benchsim.events import Burst
from benchsim.judge.kit_talk import Exchange, Heard
from benchsim.judge.rounds import Like, LinkRounds, rounds_of
from benchsim.links.kit_frames import frame_alone, needless
from benchsim.schema.fields import Misfit

KEPT = 1 << 12  # frames of which the meaning is kept: every seq with what a board says at rest


@rounds_of("kit")
class KitRounds(LinkRounds):
    """Frames that differ in nothing but their times, their numbers and their checks."""

    link = "kit"

    def __init__(self, judge, rounds):
        super().__init__(judge, rounds)
        spec = judge.book.kit
        self._spec, self._limits, doubt = spec, spec.limits, self.talk.doubt
        self._wait = spec.limits["wait"].low - doubt  # an answer that begins so soon was surely awaited
        self._silence = spec.limits["watchdog"].low - doubt  # requests with less between their ends keep the board going
        self._sure = doubt < spec.limits["gap"].high and self._wait > 0  # else frames may have been dropped or not
        self._meanings: dict[tuple, tuple[tuple, int] | None] = {}
        self._seq = self._asked_at = self._end = 0  # of the last exchange at rest: its number, end of its question, its end

    def _meaning(self, out: bool, words: tuple[int, ...]) -> tuple[tuple, int] | None:
        """(all of a frame but its number, its number) of a POLL or an answer without events; None for any other."""
        if (out, words) not in self._meanings:
            if len(self._meanings) >= KEPT:
                self._meanings.clear()
            self._meanings[out, words] = self._read(out, words)
        return self._meanings[out, words]

    def _read(self, out: bool, words: tuple[int, ...]) -> tuple[tuple, int] | None:
        frame = frame_alone(self._spec, Burst(0, len(words), self.link, out, "", words))
        if frame is None or frame.broken or needless(self._spec, frame) or self._spec.turned(frame.body, out):
            return None
        try:
            message = self._spec.parse_request(frame.body) if out else self._spec.parse_answer(frame.body)
        except Misfit:
            return None
        if message.name != "POLL" or message.fields.get("events") or not out and message.status:
            return None
        size = len(frame.body) if out else (len(frame.body), message.status)
        return (out, size, message.op, repr(message.fields)), message.seq

    def exchange(self, question: Burst, answer: Burst | None) -> tuple | None:
        x = self.talk.current
        if not self._sure or answer is None or x is None or x.answer is None:
            return None
        if x.tries != 1 or x.repeat or x.spoilt or x.waited < 0 or question.gaps or answer.gaps:
            return None
        asked, told = self._meaning(True, question.words), self._meaning(False, answer.words)
        if asked is None or told is None or not asked[1] == told[1] == x.seq:
            return None
        if x.first.start != question.start or x.answer.start != answer.start:
            return None
        self._seq, self._asked_at, self._end = x.seq, question.end, answer.end
        return asked[0], told[0], x

    def asks(self, burst: Burst) -> Like | None:
        start, end, _, _, _, words, gaps = burst
        what, seq = self._meanings.get((True, words)) or self._meaning(True, words) or (None, 0)
        like = self.likes.get(what)
        if like is None or gaps or seq != (self._seq + 1) % self._spec.seqs:
            return None
        if start < self._end or end - self._asked_at >= self._silence:
            return None
        self._seq, self._asked_at = seq, end
        return like

    def answers(self, like: Like, burst: Burst) -> bool:
        start, end, _, _, _, words, gaps = burst
        what, seq = self._meanings.get((False, words)) or self._meaning(False, words) or (None, 0)
        if what != like.answer or gaps or seq != self._seq or not 0 <= start - self._asked_at < self._wait:
            return False
        self._end = end
        return True

    def skip(self, exchanges: int) -> None:
        self.talk.leapt(exchanges)
        self.talk.requests += exchanges

    def heard(self, burst: Burst, number: int, x: Exchange) -> Heard:
        return Heard(frame_alone(self._spec, burst), number, self.talk.seats[burst.out], self._spec)
