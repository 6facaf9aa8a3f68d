"""A bench of another process, as a page sees it: what it told, and hands that reach over there."""

from multiprocessing import get_context
from pathlib import Path

from benchsim.errors import UsageError
from benchsim.events import Burst, ticks
from benchsim.faults import load_cards
from benchsim.schema import Book
from benchsim.settings import Settings
from benchsim.web.real_bench import Words, play
from benchsim.web.shown import MOMENT, Picture, Shown

PATIENCE = 5.0  # seconds that it may take to answer
START = 60.0  # and to begin: a computer may be slow


class Mirror(Shown):
    """Begins the bench. UsageError says why it cannot be."""

    def __init__(self, settings: Settings, book: Book, words: Words, folder: Path | None = None):
        super().__init__(settings, book, folder=folder)
        context = get_context("spawn")
        self._wire, far = context.Pipe()
        self._process = context.Process(target=play, args=(words, far), daemon=False)
        self._process.start()
        far.close()
        self._now, self._machine, self._seconds = 0, None, 0
        try:
            ready = self._await(START)
            self.listen(ready["links"], ready["subject"], ready["seats"])
            self.real, self.coins, self.bills = ready["seats"], ready["coins"], ready["bills"]
            self.cards = [load_cards()[name] for name in ready["cards"]]
            self._take(*self._heard_of(START))
        except UsageError:
            self.close()
            raise

    # ---- what it tells

    def now(self) -> int:
        """Ticks of the bench when it was last heard of."""
        return self._now

    def machine(self) -> Picture:
        """What it looked like then."""
        return self._machine

    def advance(self, wall: float) -> None:
        """Hear all that it has told."""
        while not self.gone and self._wire.poll():
            self._take(*self._receive(PATIENCE))

    def _await(self, patience: float):
        """What it answers, after all that it tells before."""
        kind, what = self._heard_of(patience)
        while kind == "events":
            self._take(kind, what)
            kind, what = self._heard_of(patience)
        return what

    def _heard_of(self, patience: float) -> tuple:
        """What it says next. UsageError where that is why it cannot, or nothing."""
        kind, what = self._receive(patience)
        if kind == "refused":
            raise UsageError(what)
        return kind, what

    def _receive(self, patience: float) -> tuple:
        try:
            if self._wire.poll(patience):
                return self._wire.recv()
            return "refused", "the bench does not answer"
        except (EOFError, OSError):
            if not self.gone:
                self.gone = True
                self._told(self._now / ticks(1), "the bench has ended")
            return "refused", "the bench has ended"

    def _take(self, kind: str, what: tuple) -> None:
        if kind != "events":
            return
        self._now, events, self._machine = what
        for event in events:
            if type(event) is Burst:
                self.burst(event)
            else:
                self.happening(event)
        while self._now >= ticks(self._seconds + 1):
            self._seconds += 1
            self.watch.second()
        if not self.moments or self._now - ticks(self.moments[-1]["time_s"]) >= MOMENT:
            self.look()

    # ---- hands and faults

    def do(self, name: str, *values: int) -> str:
        """One of `hands.ACTS`."""
        try:
            self._wire.send((name, list(values)))
        except OSError:
            raise UsageError("the bench has ended") from None
        return self._await(PATIENCE)

    def switch(self, name: str) -> str:
        """A fault card begins, with its default values, or ends."""
        card = next((one for one in self.cards if one.id == name), None)
        if card is None:
            return f"{name!r}: no such card at this bench"
        try:
            return self.do("switch", name)
        except UsageError as error:
            return str(error)

    def close(self) -> None:
        """The bench ends, every record is whole."""
        self._wire.close()
        self._process.join(PATIENCE)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join()
        super().close()
