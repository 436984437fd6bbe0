"""Writes the tables of faults and of messages into DEVELOPERS.md."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "unit"))

import test_faults
import test_messages

if __name__ == "__main__":
    for made in (test_faults, test_messages):
        text, table = made.DEVELOPERS.read_text("utf-8"), made.table()
        made.DEVELOPERS.write_text(made.TABLE.sub(lambda _, table=table: table, text), "utf-8")
