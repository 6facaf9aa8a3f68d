"""The plans for cashless devices under test, at either address (MDB/ICP 4.3 §7)."""

from benchsim.checks.cashless_disorder import DISORDER
from benchsim.checks.cashless_mishaps import MISHAPS
from benchsim.checks.cashless_options import OPTIONS
from benchsim.checks.cashless_sessions import SESSIONS
from benchsim.checks.cashless_variants import variants
from benchsim.checks.device_cases import COMMON, start_ups
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.stage import Plan
from benchsim.schema import load_book


def _plan(seat: str) -> Plan:
    cases = start_ups(load_book().devices["cashless"], seat)
    for part in (COMMON, SESSIONS, MISHAPS, OPTIONS, DISORDER):
        cases |= part.of(seat)
    return Plan(seat, cases, DeviceStage, ("bus",), variants(seat), alone=True)


PLAN, PLAN2 = _plan("cashless1"), _plan("cashless2")
