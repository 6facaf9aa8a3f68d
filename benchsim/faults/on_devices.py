"""What can be wrong with a payment device: its feed, its clock, its set-up, its mechanics."""

from functools import partial

from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_MS
from benchsim.faults.mechanism import Site, Undo, again, mechanism, on, put, put_item

OTHER = {"cashless1": "cashless2", "cashless2": "cashless1"}  # a second device of the kind can be strapped to


def unfed(device) -> Undo:
    """No supply reaches a device, whoever switches it on meanwhile."""
    was = device.on
    device.stop()
    wanted = [was]

    def start() -> None:
        wanted[0] = True

    back = put(device, "start", start)

    def undo() -> None:
        back()
        if wanted[0]:
            device.start()

    return undo


@mechanism("device unplugged", needs=("{seat}",))
def device_unplugged(site: Site, seat: str) -> Undo:
    """The device's harness is out: no supply, no word."""
    return unfed(site.bench.devices[seat])


@mechanism("device mute", needs=("{seat}",), one_ended=True)
def device_mute(site: Site, seat: str) -> Undo:
    """The device hears and acts, and none of its words reaches the bus."""
    return put(site.bench.devices[seat].bus, "muted", True)


@mechanism("device clock off", needs=("{seat}",))
def device_clock_off(site: Site, seat: str, percent: float) -> Undo:
    """The device's bit clock is fast (positive) or slow, so its words are shorter or longer."""
    bus, word = site.bench.devices[seat].bus, site.bench.lines["bus"].word_ticks
    return put(bus, "word", round(word / (1 + percent / 100)))


@mechanism("device slow", needs=("{seat}",))
def device_slow(site: Site, seat: str, delay_ms: float) -> Undo:
    """The device begins its answers so long after the command."""
    return put(site.bench.devices[seat].bus, "delay", round(delay_ms * TICKS_PER_MS))


@mechanism("second device on an address", needs=("{seat}",))
def second_device(site: Site, seat: str) -> Undo:
    """A second device of the same kind is strapped to the same address."""
    bench, first = site.bench, site.bench.devices[seat]
    if OTHER[seat] in bench.devices:
        raise UsageError(f"a second {seat}: the bench has a {OTHER[seat]} already, expected one without")
    told = partial(bench.trace.happening, OTHER[seat])
    second = type(first)(bench.clock, bench.lines["bus"], site.rng, {}, told, seat=OTHER[seat])
    second.bus.address = first.bus.address
    second.bus.mode = second.bus.mode  # known by the new address
    second.start()
    return second.stop


@mechanism("device state", needs=("{seat}",))
def device_state(site: Site, seat: str, state: str) -> Undo:
    """The device is in a state that its mechanics are in, and tells so."""
    device = site.bench.devices[seat]
    device.trouble(state)
    return lambda: device.trouble(state, False)


@mechanism("device set up otherwise", needs=("{seat}",))
def device_setting(site: Site, seat: str, name: str, value: object) -> Undo:
    """The device was configured for another machine; the board learns it when the device starts."""
    return put_item(site.bench.devices[seat].settings, name, value)


@mechanism("tube sensor defective", needs=("changer",))
def tube_blind(site: Site, tube: int) -> Undo:
    """The sensor of a coin tube no longer sees the coins."""
    changer = site.bench.devices["changer"]
    changer.blind(tube)
    return lambda: changer.trouble("TUBE SENSOR DEFECTIVE", False)


@mechanism("tubes empty", needs=("changer",))
def tubes_empty(site: Site) -> Undo:
    """Nobody filled the coin tubes."""
    changer = site.bench.devices["changer"]
    before, changer.tubes[:] = list(changer.tubes), [0] * len(changer.tubes)

    def undo() -> None:
        changer.tubes[:] = [a + b for a, b in zip(changer.tubes, before, strict=True)]

    return undo


@mechanism("tube jams", needs=("changer",))
def tube_jams(site: Site, after: int) -> Undo:
    """Every coin tube jams once so many more coins were paid from it."""
    changer = site.bench.devices["changer"]
    for tube in range(len(changer.tubes)):
        changer.jam_tube(tube, after)
    return lambda: changer.trouble("TUBE JAM", False)


@mechanism("coins counted twice", needs=("changer",))
def double_arrival(site: Site, rate: float) -> Undo:
    """The coin sensor bounces: so large a share of the coins is seen as two in a row and given back."""
    changer = site.bench.devices["changer"]
    insert = changer.insert

    def seen_twice(coin: int) -> None:
        if changer.takes(coin) and site.rng.random() < rate:
            changer.report("DOUBLE ARRIVAL")
            changer.happen("coin", type=coin, value=changer.value(coin), to="return")
        else:
            insert(coin)

    return put(changer, "insert", seen_twice)


@mechanism("stacker full", needs=("validator",))
def stacker_full(site: Site) -> Undo:
    """The bill stacker is full."""
    validator = site.bench.devices["validator"]
    validator.stacked = validator.settings["capacity"]
    return validator.empty


@mechanism("cash box out", needs=("validator",))
def cash_box_out(site: Site) -> Undo:
    """The validator's cash box is not in its place."""
    validator = site.bench.devices["validator"]
    validator.take_box()
    return validator.put_box


@mechanism("reader malfunctions", needs=("{seat}",))
def malfunction(site: Site, seat: str, code: int, every_s: float) -> Undo:
    """The reader finds an error of its own again and again, and tells it."""
    reader = site.bench.devices[seat]
    return again(site, lambda: every_s, lambda: reader.malfunction(code))


@mechanism("reader never decides", needs=("{seat}",))
def never_decides(site: Site, seat: str) -> Undo:
    """A vend request is taken and never answered: the reader waits for its network for ever."""
    return put(site.bench.devices[seat], "never_answers", True)


@mechanism("reader loses sessions", needs=("{seat}",))
def loses_sessions(site: Site, seat: str, after_s: float) -> Undo:
    """So long after a card was taken its session is gone in the reader, and nobody is told."""
    reader = site.bench.devices[seat]

    def lost(happening) -> None:
        if happening.seat == seat and happening.data.get("state") == "in":
            reader.lose_session()

    return on(site, "card", lost, lambda: after_s)


@mechanism("device restarts", needs=("{seat}",))
def device_restarts(site: Site, seat: str, every_s: float) -> Undo:
    """The device starts anew about this often."""
    device = site.bench.devices[seat]
    return again(site, lambda: every_s * site.rng.uniform(0.7, 1.3), device.restart)


@mechanism("lever stuck", needs=("changer",))
def lever_stuck(site: Site) -> Undo:
    """The return lever is held down."""
    changer = site.bench.devices["changer"]
    changer.hold_lever()
    return lambda: changer.hold_lever(False)
