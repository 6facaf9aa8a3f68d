"""How late answers come in real time, with four links live on pseudo-terminals: ours, a thread per link, a bare loop.

    kit      a program of its own polls the board            timed
    bus      another polls three payment devices in turn     timed
    panel    a finger is down, a report every 20 ms
    kit 2    a second bench's host polls the sample board

All are asked by the same programs, and all mean to answer after the same time. Told is how much later
than meant the first byte of an answer was read outside: it holds the way there, the way back, and what the
seat adds by chance (ours, on the bus, up to 0.5 ms). Ours records and judges meanwhile, as `benchsim run`
does, and asks for real-time priority. The peer, a thread with blocking pyserial per link, is as a user would
write it. The bare loop answers by rote and does nothing else, with real-time priority: what comes late there is
late by this computer. The system's own workers, which carry the bytes of pseudo-terminals, have no such
priority: whatever else the system does for itself shows in the rarest tenth of a percent.
"""

import contextlib
import heapq
import json
import os
import select
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).resolve().parent.parent
PERIOD = 0.025  # seconds between two questions
WORD, BYTE = 11 / 9600, 10 / 115_200  # seconds: a word of the bus, a byte of the kit link
BUS_DELAY, KIT_DELAY = 0.001, 0.002  # seconds that a seat means to take at least, from question to answer
POLLS = (0x0B, 0x33, 0x12)  # of changer, validator, reader
SETTLE = 2.0  # seconds until all are up


# ---- the programs that ask


def heard(fd: int) -> bytes:
    """What comes next. A terminal may be set to read nothing at once, so it is waited for first."""
    select.select([fd], [], [])
    return os.read(fd, 256)


def started() -> float:
    """When all are told to begin."""
    sys.stdin.readline()
    return time.monotonic()


def ask_bus(path: str, seconds: float) -> list[float]:
    """Seconds from each POLL to the first byte of its answer, less what was meant."""
    fd, late = os.open(path, os.O_RDWR | os.O_NOCTTY), []
    until, turn = started() + seconds, 0
    while time.monotonic() < until:
        poll = POLLS[turn % len(POLLS)]
        turn += 1
        asked = time.monotonic()
        os.write(fd, bytes((0x90 | poll >> 4, poll & 15, 0x80 | poll >> 4, poll & 15)))
        data = heard(fd)
        late.append(time.monotonic() - asked - BUS_DELAY - WORD)
        while not (len(data) % 2 == 0 and data[-2] & 0x10):  # to the word with the mode bit
            data += heard(fd)
        if len(data) > 2:
            os.write(fd, b"\x80\x00")  # ACK
        time.sleep(PERIOD)
    return late


def ask_kit(path: str, seconds: float) -> list[float]:
    """The same for POLLs of the kit link; an answer is handed over once its frame would be over."""
    polls = kit_polls()
    fd, late = os.open(path, os.O_RDWR | os.O_NOCTTY), []
    until, turn = started() + seconds, 0
    while time.monotonic() < until:
        asked = time.monotonic()
        os.write(fd, polls[turn % 256])
        turn += 1
        data = heard(fd)
        came = time.monotonic()
        while data.count(0x7E) < 2:
            data += heard(fd)
        late.append(came - asked - KIT_DELAY - len(data) * BYTE)
        time.sleep(PERIOD)
    return late


def kit_polls() -> list[bytes]:
    """POLL with each sequence number."""
    return [frame(bytes((3, seq))) for seq in range(256)]


def frame(body: bytes) -> bytes:
    """A frame of the kit link."""
    from benchsim.links.kit_frames import wrap
    from benchsim.schema import load_book

    return wrap(load_book().kit, body)


def listen(path: str, seconds: float) -> list[float]:
    """Read all and answer nothing."""
    fd, until = os.open(path, os.O_RDWR | os.O_NOCTTY), started() + seconds
    while time.monotonic() < until:
        heard(fd)
    return []


ASKERS = {"bus": ask_bus, "kit": ask_kit, "panel": listen}


@contextlib.contextmanager
def outside(paths: dict[str, str], seconds: float):
    """The programs at the other ends. Gives a function that waits for what they have measured."""
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    board = [sys.executable, str(ROOT / "fixtures/sample_board/board.py"), paths["kit 2"]]
    helpers = [subprocess.Popen(board, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=env)]
    askers = [
        subprocess.Popen(
            [sys.executable, __file__, link, paths[link], str(seconds)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env,
        )
        for link in ASKERS
    ]  # fmt: skip

    def measured() -> list[float]:
        time.sleep(SETTLE)  # starting programs is no part of the measurement
        for asker in askers:
            asker.stdin.write(b"go\n")
            asker.stdin.flush()
        return [late for asker in askers for late in json.loads(asker.communicate(timeout=seconds + 30)[0])]

    try:
        yield measured
    finally:
        for each in (*helpers, *askers):
            each.kill()
            each.communicate()


def figures(late: list[float]) -> dict[str, float]:
    """Milliseconds."""
    ordered = sorted(late)
    at = lambda part: 1000 * ordered[min(len(ordered) - 1, int(part * len(ordered)))]  # noqa: E731
    return {"p50": at(0.5), "p99": at(0.99), "p99.9": at(0.999)}


# ---- ours


def ours(seconds: float) -> dict[str, float]:
    """Two benches in one process, a port for each link."""
    import asyncio

    from benchsim.bench import Bench
    from benchsim.clock import run
    from benchsim.clock.tidy import tidied
    from benchsim.ports import default_where, open_port
    from benchsim.ports.urgent import urgent
    from benchsim.schema import load_book
    from benchsim.settings import Settings

    book = load_book()

    async def main(clock):
        sells = Bench(Settings(), book, clock, seed=1, real=frozenset(("host",)))
        pays = Bench(Settings(), book, clock, seed=2, real=frozenset(("board",)))
        seats = {"kit": (sells, "kit", "host"), "panel": (sells, "panel", "host"),
                 "bus": (pays, "bus", "board"), "kit 2": (pays, "kit", "board")}  # fmt: skip
        ports = {}
        for name, (bench, link, seat) in seats.items():
            spec = book.links[link]
            ports[name] = open_port(default_where(spec.word), bench.lines[link], seat, spec.asks == seat, spec.word)
        with contextlib.ExitStack() as captures:
            for bench in (sells, pays):
                captures.enter_context(recorded(bench, folder))
                bench.power_on()
            sells.panel.press(100, 100)
            await clock.sleep(SETTLE)
            with tidied(clock), outside({name: port.path for name, port in ports.items()}, seconds) as measured:
                found = await asyncio.to_thread(measured)
            for port in ports.values():
                port.close()
            clock.stop()
        return figures(found)

    with tempfile.TemporaryDirectory() as folder, urgent():
        return run(main, virtual=False)


@contextlib.contextmanager
def recorded(bench, folder: str):
    """Capture and judge, as in `benchsim run`."""
    from benchsim.bench import bench_links
    from benchsim.captures import open_writer
    from benchsim.live.watch import Watch

    links = bench_links(bench.book)
    path = Path(folder) / f"{id(bench)}.pcapng"
    with open_writer(path, links) as writer:
        bench.trace.listeners += [writer, Watch(links, bench.book, None)]
        yield
        bench.trace.close()


# ---- the peers

ROTE = {"kit": "_rote_board", "bus": "_rote_devices", "panel": "_rote_panel", "kit 2": "_rote_host"}
BOARD_SAYS = [bytes((0x83, seq, 0, 1, 0, 0, 0, 0, 0)) for seq in range(256)]
NO_NEWS = b"\x90\x00"  # of a device: the ACK of a POLL


@contextlib.contextmanager
def terminals():
    """{link: our end}, {link: path of the other}."""
    import pty
    import tty

    pairs = {name: pty.openpty() for name in ROTE}
    for end in sum(pairs.values(), ()):
        tty.setraw(end)
    try:
        yield {name: ours_ for name, (ours_, _) in pairs.items()}, {name: os.ttyname(end) for name, (_, end) in pairs.items()}
    finally:
        for _, end in pairs.values():
            os.close(end)


def peer(seconds: float) -> dict[str, float]:
    """A thread with blocking pyserial per link, answering by rote."""
    import serial

    ended = threading.Event()
    with terminals() as (ends, paths):
        ports = {name: _blocking(serial, fd) for name, fd in ends.items()}
        threads = [
            threading.Thread(target=globals()[work], args=(ports[name], ended), daemon=True) for name, work in ROTE.items()
        ]
        for thread in threads:
            thread.start()
        try:
            with outside(paths, seconds) as measured:
                return figures(measured())
        finally:
            ended.set()
            for thread in threads:
                thread.join()
            for port in ports.values():
                port.close()


def bare(seconds: float) -> dict[str, float]:
    """One loop for all links, answering by rote, with real-time priority."""
    from benchsim.ports.urgent import thread_is_urgent, urgent

    ended = threading.Event()
    with terminals() as (ends, paths), urgent():
        loop = threading.Thread(target=lambda: (thread_is_urgent(), _rote_all(ends, ended)), daemon=True)
        loop.start()
        try:
            with outside(paths, seconds) as measured:
                return figures(measured())
        finally:
            ended.set()
            loop.join()
            for end in ends.values():
                os.close(end)


def _rote_all(ends: dict[str, int], ended) -> None:
    names, heard_ = {fd: name for name, fd in ends.items()}, dict.fromkeys(ends, b"")
    answers, polls, turn = [frame(body) for body in BOARD_SAYS], kit_polls(), 0
    due = [(time.monotonic(), "panel", bytes(10)), (time.monotonic(), "kit 2", polls[0])]  # a heap: when, where, what
    while not ended.is_set():
        while due[0][0] <= time.monotonic():
            when, name, data = heapq.heappop(due)
            os.write(ends[name], data)
            turn += 1
            if name == "panel":
                heapq.heappush(due, (when + 0.02, name, data))
            elif name == "kit 2":
                heapq.heappush(due, (when + 0.1, name, polls[turn % 256]))
        for fd in select.select(names, [], [], max(0.0, due[0][0] - time.monotonic()))[0]:
            name, now = names[fd], time.monotonic()
            heard_[name] += os.read(fd, 256)
            if name == "kit" and heard_[name].count(0x7E) >= 2:
                answer = answers[turn % 256]
                heapq.heappush(due, (now + KIT_DELAY + len(answer) * BYTE, name, answer))
            elif name != "bus" or len(heard_[name]) < 4:
                continue
            else:
                heapq.heappush(due, (now + BUS_DELAY + WORD, name, NO_NEWS))
            heard_[name] = b""


def _blocking(serial, fd: int):
    """pyserial opens by path, and this end of a pseudo-terminal has none."""
    with mock.patch("serial.serialposix.os.open", return_value=fd):
        return serial.Serial("our end", timeout=0.2)


def _rote_board(port, ended) -> None:
    answers, turn = [frame(body) for body in BOARD_SAYS], 0
    while not ended.is_set():
        if len(port.read_until(b"\x7e")) > 1:  # the closing flag
            answer = answers[turn % 256]
            turn += 1
            time.sleep(KIT_DELAY + len(answer) * BYTE)
            port.write(answer)


def _rote_devices(port, ended) -> None:
    while not ended.is_set():
        if len(port.read(4)) == 4:
            time.sleep(BUS_DELAY + WORD)
            port.write(NO_NEWS)


def _rote_panel(port, ended) -> None:
    while not ended.is_set():
        port.write(bytes(10))
        time.sleep(0.02)


def _rote_host(port, ended) -> None:
    polls, turn = kit_polls(), 0
    while not ended.is_set():
        port.write(polls[turn % 256])
        turn += 1
        port.read_until(b"\x7e")
        port.read_until(b"\x7e")
        time.sleep(0.1)


if __name__ == "__main__":
    from benchsim.ports.urgent import urgent

    link, path, seconds = sys.argv[1:]
    with urgent():  # a measuring instrument should not wait
        print(json.dumps(ASKERS[link](path, float(seconds))))
