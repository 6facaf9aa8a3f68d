"""The plan for a board under test: we are every device on its bus, and its host.

Each case begins with the board's power-on (a real one is started anew). A board that is reached on one link only
plays the cases that need no other. The rules alone say what the board should have made of it all.
"""

from benchsim.checks import (
    board_audit_cases,
    board_audit_variants,
    board_bus_cases,
    board_card_cases,
    board_card_variants,
    board_cold_cases,
    board_cold_variants,
    board_kit_cases,
    board_kit_frames,
    board_kit_requests,
    board_kit_silence,
    board_kit_steps,
    board_kit_tables,
    board_kit_variants,
    board_legal,
    board_machine_cases,
    board_sale_cases,
    board_start_cases,
    board_variants,
)
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.stage import Plan

# Each of these registers its cases in the one table of the kit link, in this order.
KIT = (board_kit_cases, board_kit_frames, board_kit_requests, board_kit_tables, board_kit_silence, board_cold_cases)
# Cards and the machine are sales too: they stand in the table of `board_sale_cases`, in the order of their import.
SALES = (board_sale_cases, board_card_cases, board_machine_cases)
CASES = board_start_cases.CASES | board_bus_cases.CASES | board_kit_steps.CASES | board_sale_cases.CASES
CASES |= board_audit_cases.CASES
VARIANTS = (
    board_variants.VARIANTS + board_card_variants.VARIANTS + board_kit_variants.VARIANTS + board_audit_variants.VARIANTS
    + board_cold_variants.VARIANTS + board_legal.VARIANTS
)  # fmt: skip

PLAN = Plan("board", CASES, BoardStage, ("bus", "kit", "audit"), VARIANTS)
