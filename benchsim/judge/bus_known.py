"""What a payment device told of itself over the bus, and in which ways its words can be meant accordingly."""

from collections.abc import Iterable
from functools import lru_cache

from benchsim.schema import Misfit
from benchsim.schema.bus import Message, Mode

EVERY_FEATURE = 0xFFFFFFFF
WIDE_MONEY = 1  # feature bit of cashless devices, MDB/ICP 4.3 §7


class Known:
    """What is known of one device from what passed over the bus."""

    def __init__(self, seat: str, device):
        self.seat, self.device = seat, device  # device: its DeviceSpec, None where there is no file
        self.level: int | None = None  # as reported in its SETUP answer
        self.said_level: int | None = None  # the controller's, told to a cashless device
        self.reported: int | None = None  # feature bits of its identification
        self.response_s = 0  # cashless: its own response time, seconds
        self.forget()
        self.enabled: int | None = None  # not known before the first reset that was heard

    def forget(self) -> None:
        """After a reset nothing is enabled."""
        self.enabled: int | None = 0
        self.last = None  # the `Exchange` before

    @property
    def used_level(self) -> int | None:
        """The level that both sides speak."""
        if self.level is None or self.said_level is None:
            return self.level
        return min(self.level, self.said_level)

    def learn(self, command: Message, answers: Iterable[Message]) -> None:
        """A command reached it, and its answer came back."""
        if command.name == "RESET":
            self.enabled = 0
        elif command.name == "FEATURES":
            self.enabled = command.fields["features"]
        elif command.name == "SETUP CONFIG":
            self.said_level = command.fields["level"]
        for answer in answers:
            self._learn_from(answer)

    def _learn_from(self, answer: Message) -> None:
        if answer.name in ("SETUP", "CONFIG"):
            self.level = answer.fields.get("level", self.level)
            self.response_s = answer.fields.get("response_s", 0)
        elif answer.name.startswith("IDENTIFICATION"):
            self.reported = answer.fields.get("features", self.reported)
        elif answer.name == "JUST RESET":
            self.enabled = 0

    def modes(self) -> list[Mode]:
        """Every mode that it may be in, as far as is known; the most likely first."""
        return _modes(self.device, self.used_level, self.enabled)

    def reads(self, parse) -> tuple[object, Misfit | None]:
        """(what the first mode that fits makes of it, None), or (None, why no mode fits)."""
        why = None
        for mode in self.modes():
            try:
                return parse(mode), None
            except Misfit as misfit:
                why = why or misfit
        return None, why


@lru_cache(256)
def _modes(device, level: int | None, enabled: int | None) -> list[Mode]:
    """Every mode at that level and with those features, where they are known. Nobody may change the list."""
    levels = [level] if level else sorted(device.levels, reverse=True)
    features = [0, EVERY_FEATURE] if enabled is None else [enabled]
    wides = device.name == "cashless"
    return [Mode(n, f, wides and bool(f >> WIDE_MONEY & 1)) for n in levels for f in features]
