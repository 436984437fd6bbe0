"""Platemark: finished pictures in, lab-ready print files out, and a record of everything done."""

__version__ = "0.1.0"
