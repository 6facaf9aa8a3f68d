"""The master of the device plans: it asks as the standard says, and can be told to spoil what it says.

    master   10C 0FF 0FF 000 000 00A     COIN TYPE as it should be
             10C 0FF 0FF 000 000 00B     `wrong_sum`
             00C 0FF 0FF 000 000 00A     `no_mode`: nobody is spoken to
             10C 0FF 0FF 000 000 10A     `more_mode`: mode bit on the last word too
             10C 0FF 0FF 000 00A         `short`: one word less, its checksum right
             10C 0FF 0FF 000 000 000 00A `long`: one word more, its checksum right
             10C 0FF 0FF 000 000         `cut_off`: the checksum is missing
"""

from benchsim.events import MODE
from benchsim.links.bus import BusMaster
from benchsim.schema.bus import command_words

Words = tuple[int, ...]
REPLIES = ("ACK", "RET", "NAK", None)  # None: nothing at all


class TryingMaster(BusMaster):
    """`replies`: what to say to the next good data blocks, in order, of `REPLIES`; to all later ones ACK.
    `acknowledged`: it was ACK to the last one.
    """

    def __init__(self, clock, line, book, seat: str = "board"):
        super().__init__(clock, line, book, seat)
        bus = book.bus
        self._words = {"ACK": bus.ack, "RET": bus.ret, "NAK": bus.nak, None: None}
        self.replies: list[str | None] = []
        self.acknowledged = False

    def add(self, words: Words, at: int) -> int:
        """Words from tick `at` on, beside what is asked. Returns their end."""
        return self._line.say(self._seat, words, at).end

    def reply(self, data: bytes) -> int | None:
        said = self.replies.pop(0) if self.replies else "ACK"
        self.acknowledged = said == "ACK"
        return self._words[said]


def wrong_sum(words: Words) -> Words:
    """One bit of the checksum is wrong."""
    return (*words[:-1], words[-1] ^ 0x01)


def no_mode(words: Words) -> Words:
    """The mode bit of the address word is missing."""
    return (words[0] & ~MODE, *words[1:])


def more_mode(words: Words) -> Words:
    """The last word has a mode bit too."""
    return (*words[:-1], words[-1] | MODE)


def short(words: Words) -> Words:
    """The last word before the checksum is missing, the checksum fits what is left."""
    return _with_sum(words[:-2])


def long(words: Words) -> Words:
    """There is one word 00 too many, the checksum fits."""
    return _with_sum((*words[:-1], 0))


def cut_off(words: Words) -> Words:
    """The block ends before its checksum."""
    return words[:-1]


def _with_sum(words: Words) -> Words:
    return command_words(bytes(word & 0xFF for word in words))
