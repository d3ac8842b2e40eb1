"""`python -m metercap` is the command line."""

from metercap.cli import main

main()
