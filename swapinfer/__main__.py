"""Run with ``python -m swapinfer``."""

from swapinfer.commands import main

main()
