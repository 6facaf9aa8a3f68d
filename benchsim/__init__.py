"""Test bench for vending machine conversion kits. Start with `benchsim.bench` and `benchsim.cli`."""
