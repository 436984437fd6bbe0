"""Moves a job from one state to the next."""
