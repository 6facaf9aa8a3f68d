"""Odd but legal ways of any device to answer: nobody may fail because of them.

Limits: MDB/ICP 4.3 §3 (answer within 5.0 ms, at most 1.0 ms between words, rate +1 % / -2 %) and §2 (NAK).
"""

from benchsim.events import TICKS_PER_MS

LATE = 43 * TICKS_PER_MS // 10  # and up to half a millisecond by chance
GAP = 9 * TICKS_PER_MS // 10


def _late(device) -> None:
    device.bus.delay = LATE


def _gaps(device) -> None:
    bus = device.bus

    def trick(name, words, at):
        gaps = (0,) + (GAP,) * (len(words) - 1)
        return lambda: bus.line.say(bus.seat, words, at, gaps=gaps, word=bus.word)

    bus.tricks.append(trick)


def _slow(device) -> None:
    device.bus.word = device.line.word_ticks * 1018 // 1000


def _fast(device) -> None:
    device.bus.word = device.line.word_ticks * 992 // 1000


def _one_by_one(device) -> None:
    device.most_events = 1


def _refuses(device) -> None:
    device.refuses = True


# name -> (what it does, how)
ODDITIES = {
    "late": ("answers begin 4.3 to 4.8 ms after the command", _late),
    "gaps": ("0.9 ms between the words of an answer", _gaps),
    "slow": ("a bit rate 1.8 % low", _slow),
    "fast": ("a bit rate 0.8 % high", _fast),
    "one by one": ("one event in an answer to POLL", _one_by_one),
    "refuses": ("NAK to the first sending of every command but RESET and POLL", _refuses),
}
