"""Invented pictures for the demonstration; numpy, Pillow and pyvips, for child processes only."""
