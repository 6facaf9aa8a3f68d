"""The plan for a bill validator under test (MDB/ICP 4.3 §6): bills, escrow, stacker, faults."""

from benchsim.checks.device_cases import COMMON, start_ups
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.stage import Plan
from benchsim.checks.validator_bills import BILLS
from benchsim.checks.validator_mishaps import MISHAPS
from benchsim.checks.validator_variants import VARIANTS
from benchsim.schema import load_book

CASES = start_ups(load_book().devices["validator"], "validator")
for part in (COMMON, BILLS, MISHAPS):
    CASES |= part.of("validator")

PLAN = Plan("validator", CASES, DeviceStage, ("bus",), VARIANTS, alone=True)
