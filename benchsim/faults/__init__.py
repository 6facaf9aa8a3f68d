"""Faults: cards as data, the mechanisms behind them, and when they are there."""

from benchsim.faults.cards import Card, card, cautions, load_cards
from benchsim.faults.schedule import Fault, Laid, faults_of_file, fits_bench, lay, parse_fault, refuse_real

__all__ = ["Card", "Fault", "Laid", "card", "cautions", "faults_of_file", "fits_bench", "lay", "load_cards", "parse_fault", "refuse_real"]
