"""What can be wrong with the coils, their wiring, the delivery sensor and the board that drives them."""

from benchsim.events import TICKS_PER_MS
from benchsim.faults.mechanism import Site, Undo, added, again, all_of, listed, mechanism, put
from benchsim.faults.on_host import panel_off


@mechanism("connectors exchanged", needs=("coils",))
def connectors_exchanged(site: Site) -> Undo:
    """The row connector sits in the column socket, and the other way round."""
    return put(site.bench.coils.wiring, "exchanged", True)


@mechanism("column open", needs=("coils",))
def column_open(site: Site, column: int) -> Undo:
    """A column wire has no contact."""
    return added(site.bench.coils.wiring.open_columns, {column})


@mechanism("row open", needs=("coils",))
def row_open(site: Site, row: int) -> Undo:
    """A row wire has no contact."""
    return added(site.bench.coils.wiring.open_rows, {row})


@mechanism("rows shorted", needs=("coils",))
def rows_shorted(site: Site, row: int) -> Undo:
    """A row wire touches the next one."""
    coils = site.bench.coils
    return added(coils.wiring.shorted_rows, {min(row, max(coils.rows - 2, 0))})


@mechanism("coil jammed", needs=("coils",))
def coil_jammed(site: Site, row: int, column: int) -> Undo:
    """A coil cannot turn."""
    return added(site.bench.coils.jammed, {(row, column)})


@mechanism("coil not there", needs=("coils",))
def coil_missing(site: Site, row: int, column: int) -> Undo:
    """A coil's motor is not connected."""
    return added(site.bench.coils.missing, {(row, column)})


@mechanism("home switch stuck", needs=("coils",))
def home_switch_stuck(site: Site, row: int, column: int, reads: str) -> Undo:
    """A coil's home switch reads the same for good."""
    switch = site.bench.coils.switch
    switch[row, column] = reads
    return lambda: switch.pop((row, column), None)


@mechanism("delivery sensor", needs=("coils",))
def delivery_sensor(site: Site, how: str) -> Undo:
    """The light curtain is blocked, unplugged or blind."""
    return put(site.bench.coils.curtain, "fault", how)


@mechanism("board slow", needs=("board",))
def board_slow(site: Site, delay_ms: float) -> Undo:
    """The board's answers on the kit link begin so much later than usual."""
    board, more = site.bench.board, round(delay_ms * TICKS_PER_MS)
    return listed(board.tricks, lambda name, body, wire, at: lambda: board.line.say("board", tuple(wire), at + more))


@mechanism("board off", needs=("board",))
def board_off(site: Site) -> Undo:
    """The board gets no supply."""
    board = site.bench.board
    if board.powered:
        board.power_off()
    return _kept_off(board)


@mechanism("main harness open", needs=("supply", "panel"))
def main_harness_open(site: Site) -> Undo:
    """No supply reaches board, computer, panel or payment devices."""
    return all_of(put(site.bench.supply, "open", True), panel_off(site))


@mechanism("board restarts", needs=("board",))
def board_restarts(site: Site, every_s: float) -> Undo:
    """The board's watchdog strikes about this often."""
    board = site.bench.board

    def restart() -> None:
        if board.powered:
            board.power_off()
            board.power_on(cause=1)

    return again(site, lambda: every_s * site.rng.uniform(0.7, 1.3), restart)


def _kept_off(party) -> Undo:
    """Whoever switches the party on meanwhile: it starts when the fault ends."""
    back = put(party, "power_on", lambda *_, **__: None)

    def undo() -> None:
        back()
        party.power_on()

    return undo
