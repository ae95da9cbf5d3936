"""Run with ``python -m swapinfer``."""

from swapinfer.cli import main

main()
