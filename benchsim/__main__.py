"""`python -m benchsim`."""

from benchsim.cli import main

main()
