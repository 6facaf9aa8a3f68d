"""How the board's outputs reach the coils: a matrix of row wires by column wires, and what can be wrong with it.

    board's row outputs ── connector ── row wires ──┐
                                                    ├─ a coil at each crossing, with a diode of its own
    board's column outputs ── connector ── column wires ──┘

A position is driven by one row output and one column output. Not modelled: sneak paths of coils without diodes,
a column-to-column short, partial contacts.
"""

Position = tuple[int, int]  # row, column


class Wiring:
    """The harness of one machine. Every fault is a change of a wire, so one survey and one VEND show it alike."""

    def __init__(self, rows: int, columns: int):
        self.rows, self.columns = rows, columns
        self.row_wire = list(range(rows))  # which row wire each row output reaches
        self.column_wire = list(range(columns))
        self.open_rows: set[int] = set()  # wires without contact
        self.open_columns: set[int] = set()
        self.shorted_rows: set[int] = set()  # row wire r touches row wire r + 1
        self.exchanged = False  # the row connector sits in the column socket, and the other way round
        self.diodes = True  # each coil has its own; without, an exchanged pair of connectors drives it backwards

    def swap_rows(self, one: int, other: int) -> None:
        """Two row wires were exchanged."""
        wire = self.row_wire
        wire[one], wire[other] = wire[other], wire[one]

    def swap_columns(self, one: int, other: int) -> None:
        """Two column wires were exchanged."""
        wire = self.column_wire
        wire[one], wire[other] = wire[other], wire[one]

    def reached(self, row: int, column: int) -> list[Position]:
        """Crossings that get current when the board drives an output pair: none, one, or more with a short."""
        if self.exchanged:
            if self.diodes:
                return []  # they block: the current would flow backwards
            row, column = column, row
        if row >= self.rows or column >= self.columns:
            return []
        row, column = self.row_wire[row], self.column_wire[column]
        if row in self.open_rows or column in self.open_columns:
            return []
        return [(one, column) for one in self._touching(row)]

    def _touching(self, row: int) -> list[int]:
        """A row wire and all that it is shorted to, the driven one first."""
        low = high = row
        while low - 1 in self.shorted_rows and low > 0:
            low -= 1
        while high in self.shorted_rows and high + 1 < self.rows:
            high += 1
        return [row, *(one for one in range(low, high + 1) if one != row)]
