"""The price table as both sides can know it: what is staged, what is in force."""


class Prices:
    """Follows the exchanges. `force` lists the tables that may be in force (several after a lost answer to
    PRICE-COMMIT, none while nothing is known).
    """

    def __init__(self, spec):
        self._spec = spec
        self.rows = self.columns = None
        self.force: list[tuple[int, ...]] = []
        self.entries: int | None = None  # of the staged table, None: nothing is staged
        self.staged: list[int] = []
        self.refused = 0  # whole tables refused one after the other
        self._asked = None

    def request(self, x) -> None:
        """A new request: one whose answer was lost may have been carried out."""
        if x.repeat:
            return
        before, self._asked = self._asked, x if x.name == "PRICE-COMMIT" else None
        if before is not None and before.answer is None and self.whole:
            self.force = [*self.force, tuple(self.staged)]

    def answer(self, x, heard) -> None:
        """The board said how it took it."""
        step = _STEPS.get(x.name)
        if step is not None and not x.repeat:
            step(self, x, heard)

    @property
    def whole(self) -> bool:
        """Is the staged table complete?"""
        return self.entries is not None and len(self.staged) == self.entries

    @property
    def check(self) -> int:
        """The check over the staged prices."""
        return self._spec.table_check(self.staged)

    def price(self, row: int, column: int) -> set[int]:
        """The prices that may be in force at a position; empty where that is not known."""
        if self.columns is None or not (row < self.rows and column < self.columns):
            return set()
        at = row * self.columns + column
        return {table[at] for table in self.force if at < len(table)}

    def _drop(self) -> None:
        self.entries, self.staged = None, []

    def _reset(self, x, heard) -> None:
        self._drop()
        self.refused = 0

    def _ident(self, x, heard) -> None:
        if x.ok:
            self.rows, self.columns = heard.message.fields["rows"], heard.message.fields["columns"]

    def _begin(self, x, heard) -> None:
        if x.ok:
            self.entries, self.staged = x.fields["entries"], []

    def _part(self, x, heard) -> None:
        if x.ok:
            self.staged += x.fields["prices"]

    def _commit(self, x, heard) -> None:
        if x.ok:
            self.force = [tuple(self.staged)] if self.whole else []
            self.refused = 0
        elif heard.message.status == _BAD_ARGUMENT:
            self.refused += 1
        if x.ok or heard.message.status == _BAD_ARGUMENT:
            self._drop()


_BAD_ARGUMENT = 3
_STEPS = {
    "RESET": Prices._reset,
    "IDENT": Prices._ident,
    "PRICE-BEGIN": Prices._begin,
    "PRICE-PART": Prices._part,
    "PRICE-COMMIT": Prices._commit,
}
