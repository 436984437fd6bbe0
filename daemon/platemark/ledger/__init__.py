"""The append-only, hash-chained record and what is derived from it."""
