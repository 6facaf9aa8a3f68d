"""The program under test: what it waited for a processor counts as a stall of this computer, not as its own delay."""

import os
import sys

import pytest

from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.lines import Line, Trace
from benchsim.ports import Program
from benchsim.ports.base import Port
from benchsim.ports.waiting import PROCESSORS, Threads, Waiting, pressure_us, stolen_us

MS = 72_000  # ticks


def test_programs_that_share_a_processor_wait():
    """Three that only compute, on one processor: each of them waits."""
    if not hasattr(os, "sched_setaffinity"):
        pytest.skip("processors cannot be chosen here")
    busy = "import os; os.sched_setaffinity(0, {0}); x = 0\nwhile True: x += 1"
    programs = [Program([sys.executable, "-c", busy], {}) for _ in range(3)]
    own = [Threads(program.pid, "/proc") for program in programs]

    async def all_waited(clock):
        for _ in range(2000):
            await clock.sleep(0.01)
            if all(one.ns() > 20_000_000 for one in own) and programs[0].waited() > 20 * MS:
                return True
        return False

    try:
        assert run(all_waited, virtual=False)
    finally:
        for program, one in zip(programs, own, strict=True):
            program.stop()
            one.close()


def test_what_the_system_cannot_start_is_told_in_a_line(tmp_path):
    """It may be executed, but has neither a form that the system knows nor a first line that names an interpreter."""
    program = tmp_path / "host"
    program.write_text("x")
    program.chmod(0o755)
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(UsageError) as refused:
        Program([str(program), "/dev/none"], {})
    assert str(refused.value) == f"--exec: {program}: exec format error, expected a program that this system can start"
    assert len(os.listdir("/proc/self/fd")) == before


def told(proc, **files):
    """A system that tells this: path with _ for / -> text."""
    for name, text in files.items():
        path = proc / name.replace("_", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


CALM = "some avg10=0.00 avg60=0.00 avg300=0.00 total=0\n"


def test_the_pressure_of_the_system(tmp_path):
    """The form of /proc/pressure/cpu by the documentation of Linux (accounting/psi)."""
    total = "some avg10=0.22 avg60=0.17 avg300=1.11 total=58761459\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=7\n"
    told(tmp_path, pressure_cpu=total)
    waiting = Waiting(0, str(tmp_path))
    assert waiting.ticks() == 58_761_459 * 72 * PROCESSORS  # the file tells a mean over the processors
    waiting.close()
    waiting.close()
    assert waiting.ticks() == 0


def test_time_stolen_from_a_virtual_machine_is_a_wait(tmp_path):
    """The form of /proc/stat by proc(5): the eighth number is stolen time."""
    stat = "cpu  1483171 105335 106391 600642 5133 0 956 3 0 0\ncpu0 725145 47471 49516 327273 1 0 2 1 0 0\n"
    told(tmp_path, pressure_cpu=CALM, stat=stat)
    waiting = Waiting(0, str(tmp_path))
    assert waiting.ticks() == 3 * 1_000_000 // os.sysconf("SC_CLK_TCK") * 72
    waiting.close()


def test_threads_of_the_session_and_workers_of_the_kernel(tmp_path, monkeypatch):
    """The form of schedstat by Linux (scheduler/sched-stats): on a processor, waiting for one (ns), turns."""
    monkeypatch.setattr(os, "getsid", {7: 7, 8: 7, 9: 1, 10: 1, 11: 7}.get)
    told(tmp_path, loadavg="0.1 0.1 0.1 1/99 10\n", **{
        "7_comm": "host", "7_task_7_schedstat": "5 1000 2\n", "7_task_12_schedstat": "5 200 2\n",
        "8_comm": "child", "8_task_8_schedstat": "5 30 2\n",
        "9_comm": "kworker/u8:2-events_unbound", "9_task_9_schedstat": "5 4 2\n",
        "10_comm": "kworker/0:1", "10_task_10_schedstat": "5 77777 2\n",
    })  # fmt: skip
    threads = Threads(7, str(tmp_path))
    assert threads.ns() == 1234
    told(tmp_path, **{"8_task_8_schedstat": "5 530 3\n", "11_comm": "late", "11_task_11_schedstat": "5 10000 2\n"})
    assert threads.ns() == 1734
    told(tmp_path, loadavg="0.1 0.1 0.1 1/99 11\n")  # another process has begun
    assert threads.ns() == 11_734
    told(tmp_path, **{"8_task_8_schedstat": ""})  # one has ended: what it waited stays
    assert threads.ns() == threads.ns() == 11_734
    threads.close()


@pytest.mark.parametrize("text", ["", "cpu 1 2 3", "intr 1 2 3 4 5 6 7 8 9", "cpu 1 2 3 4 5 6 7 x"])
def test_a_form_of_stolen_time_that_is_not_known_tells_nothing(text):
    assert stolen_us(text.encode()) == 0


@pytest.mark.parametrize("text", ["", "some", "some total=x", "full total=5\n"])
def test_a_form_that_is_not_known_tells_nothing(text):
    assert pressure_us(text.encode()) == 0


def test_a_program_that_has_ended_still_tells_its_last_words():
    program = Program([sys.executable, "-c", "print('one'); print('two'); print(); print('three')"], {})
    program._process.wait()
    program.stop()
    program.stop()
    assert program.last_words(2) == ["two", "three"]


class Wire:
    path, uncertainty, note, adapter = "fake", 0, "", False

    def open(self, port):
        pass

    def write(self, data):
        return len(data)


@pytest.mark.parametrize(
    ("waits", "told"),
    [
        ((10 * MS, 12 * MS), []),  # 2 ms are no stall
        ((10 * MS, 15 * MS), [5000]),
        ((0, 0), []),
        ((10 * MS, 70 * MS), [50_000]),  # nobody waits for longer than the time that went by
    ],
)
def test_a_wait_between_question_and_answer_is_told(waits, told):
    stalls = []

    class Listener:
        def burst(self, burst):
            pass

        def happening(self, happening):
            assert (happening.kind, happening.data["who"]) == ("late", "theirs")
            stalls.append(happening.data["us"])

    async def main(clock):
        trace = Trace(clock)
        trace.listeners.append(Listener())
        line = Line("kit", 1000, clock, trace)
        line.attach("ours", True, lambda burst: None)
        port = Port(line, "theirs", False, Wire())
        port.waited = iter(waits).__next__
        line.say("ours", (1,), 0)
        answered = clock.now() + 50 * MS + line.word_ticks  # it is spoken to when the word is over
        clock.call_at(answered, port.came, b"\x01", answered)
        await clock.sleep(1)

    run(main)
    assert stalls == told
