"""Runs the command line: `python -m platemark`."""

from platemark.app.cli import main

main()
