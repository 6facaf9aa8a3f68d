"""Strategies: what they give is legal by the readers and by outside tables; the state machine test finds planted faults."""

import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest
from crccheck.crc import CrcX25
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.stateful import run_state_machine_as_test

from benchsim.errors import UsageError
from benchsim.links.kit_frames import unwrap
from benchsim.schema import load_book
from benchsim.strategies import BenchMachine, bus_commands, customers, faults, kit_requests, play_customers
from benchsim.testing import VirtualBench

ADDRESSES = {"changer": 0x08, "validator": 0x30, "cashless1": 0x10}  # MDB/ICP 4.3 §2
FEW = settings(
    max_examples=4, stateful_step_count=6, deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate]
)  # what is found is not shrunk here: that would take a minute
EXAMPLE = spec_from_file_location("example_host", Path(__file__).parents[1] / "fixtures" / "examples" / "host.py")
HOST = module_from_spec(EXAMPLE)
EXAMPLE.loader.exec_module(HOST)


@given(kit_requests())
def test_kit_requests_are_whole_frames(request):
    assert (request.wire[0], request.wire[-1]) == (0x7E, 0x7E) and 0x7E not in request.wire[1:-1]
    body, broken = unwrap(load_book().kit, request.wire[1:-1])
    assert not broken and 2 <= len(body) <= 126 and body[1] == request.seq
    assert load_book().kit.parse_request(body).fields == request.fields


@given(kit_requests(names=["VEND"]))
def test_kit_requests_of_one_kind(request):
    """Check by another library: CRC-16/X-25 over body and check leaves a constant (RFC 1662 appendix C)."""
    plain = request.wire[1:-1].replace(b"\x7d\x5e", b"\x7e").replace(b"\x7d\x5d", b"\x7d")
    assert plain[0] == 0x06 and len(plain) == 2 + 4 + 2  # VEND: row, column, price u2
    assert CrcX25.calc(plain[:-2]).to_bytes(2, "little") == plain[-2:]


@given(bus_commands())
def test_bus_commands_are_whole_blocks(command):
    first, *rest = command.words
    assert first & 0x1F8 == 0x100 | ADDRESSES[command.seat] and all(word < 0x100 for word in rest)
    assert len(command.words) <= 36 and rest[-1] == (sum(command.words[:-1]) & 0xFF)


@given(faults(seats=("host",), within=20), customers(most=4))
@settings(max_examples=5, deadline=None)
def test_the_benchs_own_seats_get_over_any_schedule_without_a_crash(schedule, acts):
    with VirtualBench(seats=("host",), faults=schedule, judge=False) as bench:
        bench.start(HOST.Host(*bench.connect("kit")).run())
        play_customers(bench, acts)
        bench.run_for(5)
    assert len(bench.faults) == len(schedule)


@pytest.mark.parametrize("ask", [lambda: kit_requests(names=["NOPE"]), lambda: bus_commands(seats=["host"]), lambda: faults(cards=["nope"])])
def test_what_makes_no_sense_is_told(ask):
    with pytest.raises(UsageError, match="expected|benchsim faults"):
        given(ask())(settings(max_examples=1)(lambda one: None))()


class ExampleHost(BenchMachine):
    seats = ("host",)

    def subject(self, bench):
        bench.start(HOST.Host(*bench.connect("kit")).run())


class Rewriting(HOST.Host):
    """Each try of a request has a number of its own: not the same bytes."""

    async def ask(self, operation, payload=b"", tries=HOST.TRIES):
        for _ in range(tries):
            try:
                return await super().ask(operation, payload, 1)
            except HOST.LinkLost:
                continue
        raise HOST.LinkLost


class RewritingHost(BenchMachine):
    seats = ("host",)

    def subject(self, bench):
        bench.start(Rewriting(*bench.connect("kit")).run())


def test_the_machine_leaves_the_example_host_alone():
    run_state_machine_as_test(ExampleHost, settings=FEW)


def test_the_machine_finds_a_host_that_does_not_repeat_itself():
    with pytest.raises(AssertionError, match="KIT-RETRY at host") as found:
        run_state_machine_as_test(RewritingHost, settings=FEW)
    assert "said last:" in str(found.value) and "answers_are_lost" in "\n".join(found.value.__notes__)


def test_without_hypothesis_it_says_how_to_get_it():
    code = "import sys; sys.modules['hypothesis'] = None\nimport benchsim.strategies"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=Path(__file__).parents[1])
    assert "pip install benchsim[search]" in done.stderr.splitlines()[-1]
