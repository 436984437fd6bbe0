"""Drops pictures into a running studio, answers what is held, and is the lab: all from outside.

`python dropping.py STUDIO STOCK SEED PAUSE TAKES` moves one file after the other from STOCK into
the hot folder until its standard input ends or none is left: some are copied slowly, some come with
a request. With TAKES `1` the lab's folder is emptied all the time, into `took` beside the studio;
a parcel that comes twice is put into `twice`.
"""

import random
import select
import sys
import time
from pathlib import Path


def main() -> None:
    """Do it until told to stop."""
    studio, stock, seed, pause, takes = sys.argv[1:]
    root, chance = Path(studio), random.Random(int(seed))
    waiting = sorted(Path(stock).iterdir())
    until = 0.0
    while not select.select([sys.stdin], [], [], 0.05)[0]:
        answer(root, chance)
        if takes == "1":
            take(root)
        if waiting and time.monotonic() > until:
            drop(waiting.pop(0), root / "hot/small-rag/2x3in", chance)
            until = time.monotonic() + chance.uniform(0, 2 * float(pause))


def drop(picture: Path, hot: Path, chance: random.Random) -> None:
    """Bring one file there as people and programs do."""
    if chance.random() < 0.4:
        (hot / f"{picture.name}.toml").write_text(f"copies = {chance.randint(1, 5)}\n")
    if chance.random() < 0.5:
        picture.rename(hot / picture.name)
        return
    data = picture.read_bytes()
    half = chance.randrange(len(data))
    with (hot / picture.name).open("wb") as file:
        file.write(data[:half])
        file.flush()
        time.sleep(chance.uniform(0, 0.6))
        file.write(data[half:])
    picture.unlink()


def answer(root: Path, chance: random.Random) -> None:
    """Tick an acceptance on some sheet that nobody has touched yet, in one write."""
    for sheet in root.glob("held/*/*/ANSWER.txt"):
        try:
            text = sheet.read_text()
        except OSError:
            continue  # answered just now
        if "[x]" in text or chance.random() < 0.5:
            continue
        text = text.replace("[ ] accept ", "[x] accept ")
        text = text.replace("by: ", "by: Mira", 1).replace("because: ", "because: my own scan", 1)
        ours = root.parent / "answer"
        ours.write_text(text)
        try:
            ours.rename(sheet)
        except FileNotFoundError:
            continue  # its folder went meanwhile


def take(root: Path) -> None:
    """Take every parcel that the lab can see."""
    for parcel in (root / "at-the-lab").iterdir():
        if not parcel.name.startswith("."):
            known = (root.parent / "took" / parcel.name).exists()
            parcel.rename(root.parent / ("twice" if known else "took") / parcel.name)


if __name__ == "__main__":
    main()
