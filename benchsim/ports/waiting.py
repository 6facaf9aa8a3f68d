"""How long a program under test has waited for this computer so far: what delays it beside its own slowness.

Told are, of Linux,

    /proc/PID/task/TID/schedstat   nanoseconds that a thread has waited for a processor: of the program's session, and of
                                   the kernel's workers, one of which hands on the bytes of pseudo-terminals
    /proc/pressure/cpu             microseconds in which anything at all waited for one: whoever else the program asks
    /proc/stat                     hundredths of a second for which a virtual machine was stopped whole

and their sum, which may be more than the program has waited for. The pressure alone is not enough: the kernel counts it in
whole ticks of its timer from one time that anybody asks to the next, so that whoever asks often is told too little
(kernel/sched/psi.c, collect_percpu_times). It is a mean over the processors that had work, so that one program may
have waited as many times longer as there are processors. Waits for a disk are not known. Elsewhere nothing is known.
"""

import os
from contextlib import suppress

from benchsim.events import TICKS_PER_SECOND, TICKS_PER_US

PROC = "/proc"
WORKERS = "kworker/u"  # those bound to no processor, by name
PROCESSORS = os.cpu_count() or 1


class Waiting:
    """Of what is in the session that `leader` leads (None: of no program). `proc`: where the system tells it."""

    def __init__(self, leader: int | None, proc: str = PROC):
        self._pressure, self._stat = (_opened(f"{proc}/{name}") for name in ("pressure/cpu", "stat"))
        self._threads = Threads(leader, proc)
        self.ticks()  # the first look at all processes takes longest

    def ticks(self) -> int:
        """A total that only grows; a wait under way may be counted once it is over."""
        stolen = stolen_us(_read(self._stat)) + pressure_us(_read(self._pressure)) * PROCESSORS
        return stolen * TICKS_PER_US + self._threads.ns() * TICKS_PER_SECOND // 1_000_000_000

    def close(self) -> None:
        """Let go. Harmless twice."""
        for file in {self._pressure, self._stat} - {-1}:
            os.close(file)
        self._pressure = self._stat = -1
        self._threads.close()


class Threads:
    """Those of a session and the kernel's workers. One that is new is counted with all that it ever waited."""

    def __init__(self, leader: int | None, proc: str):
        self._leader, self._proc, self._newest = leader, proc, _opened(f"{proc}/loadavg")
        self._told = b""  # by the system, of the last process that began
        self._files: dict[str, int] = {}  # path of a thread's file -> descriptor
        self._ns: dict[str, int] = {}
        self._ended_ns = 0
        self._others: set[str] = set()  # processes that are none of ours

    def ns(self) -> int:
        """Nanoseconds waited, all together."""
        newest = _read(self._newest).rpartition(b" ")[2]
        if newest != self._told or not newest:
            self._told = newest
            self._look_for_more()
        for path, file in list(self._files.items()):
            told = _read(file).split()
            if len(told) == 3:
                self._ns[path] = int(told[1])
            else:  # it has ended
                os.close(self._files.pop(path))
                self._ended_ns += self._ns.pop(path, 0)
        return self._ended_ns + sum(self._ns.values())

    def close(self) -> None:
        """Let go. Harmless twice."""
        for file in [*self._files.values(), self._newest]:
            if file >= 0:
                os.close(file)
        self._files, self._newest = {}, -1

    def _look_for_more(self) -> None:
        processes = {name for name in _names(self._proc) if name.isdecimal()}
        self._others &= processes
        for pid in processes - self._others:
            if not self._is_ours(pid):
                self._others.add(pid)
                continue
            for thread in _names(f"{self._proc}/{pid}/task"):
                path = f"{self._proc}/{pid}/task/{thread}/schedstat"
                if path not in self._files and (file := _opened(path)) >= 0:
                    self._files[path] = file

    def _is_ours(self, pid: str) -> bool:
        with suppress(OSError):  # it has ended meanwhile, or nobody may know
            if os.getsid(int(pid)) == self._leader:
                return True
            with open(f"{self._proc}/{pid}/comm") as file:
                return file.read().startswith(WORKERS)
        return False


def _opened(path: str) -> int:
    """A file descriptor, -1 where there is no such file."""
    try:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return -1


def _read(file: int) -> bytes:
    """Its first line or two; nothing where there is none."""
    with suppress(OSError):
        return os.pread(file, 400, 0) if file >= 0 else b""
    return b""


def _names(folder: str) -> list[str]:
    with suppress(OSError):
        return os.listdir(folder)
    return []


def pressure_us(text: bytes) -> int:
    """The total of the line `some avg10=… avg60=… avg300=… total=MICROSECONDS`; 0 if there is none."""
    for line in text.splitlines():
        name, _, rest = line.partition(b" ")
        total = rest.rpartition(b"total=")[2]
        if name == b"some" and total.isdigit():
            return int(total)
    return 0


def stolen_us(text: bytes) -> int:
    """Of the line `cpu user nice system idle iowait irq softirq steal …` (proc(5)), in microseconds; 0 if there is none."""
    words = text.partition(b"\n")[0].split()
    if words[:1] != [b"cpu"] or len(words) < 9 or not words[8].isdigit():
        return 0
    return int(words[8]) * 1_000_000 // os.sysconf("SC_CLK_TCK")
