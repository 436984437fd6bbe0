"""The 50-Mpx print again: from the archive, made anew on one thread and on two, and compared.

Measures and prints; asserts that the bytes are the same. `pytest -m bench -n 0 -s tests/bench`.
"""

import filecmp
import resource
import shutil
import sys
import threading
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
sys.path.insert(0, str(Path(__file__).parent))

from at_work import ask_here
from measuring import SettledClock, Spent, ours, write_picture
from test_spine import MOST_MB, make_bench_studio

from platemark.app.open_studio import open_studio, reading
from platemark.imaging.print_model import MATTE_ETCHING, make_printer_profile

DROP = "hot/small-rag/paper_20x30in.tif"
WHY = ("--by", "Mira", "--because", "a second client")


def again(root: Path, *, held: bool = False) -> tuple[Spent, Path]:
    """Order the newest print once more; the time until it is in its parcel or held, and its file.

    Of a held one the file is that of the first.
    """
    assert ask_here(root, "reprint", "1", *WHY)[0] == 0
    wanted = "held" if held else "parcelled"
    awake = threading.Event()
    with open_studio(root, SettledClock()) as studio:
        read = studio.workshop.ledger.read
        newest = read.newest_job()
        began = Spent.so_far()
        while (row := read.job(newest)) is not None and row.state != wanted:
            assert held or row.state != "held", read.body(row.held_seq)
            studio.dispatch.turn(wake=awake.set)
            awake.wait(0.02)
        spent = began.since()
        studio.dispatch.stop()
    return spent, archived(root, 1 if held else newest)


def archived(root: Path, number: int) -> Path:
    """Where the archive has, or had, a job's print file."""
    with reading(root) as reader:
        row = reader.job(number)
        assert row is not None
        assert row.print_sha256 is not None
    return root / f"archive/{row.print_sha256[:2]}/{row.print_sha256}.tif"


def working_on(root: Path, threads: int) -> None:
    """Have each child work on so many of this machine's two processors."""
    file = root / "studio.toml"
    text = file.read_text().replace("jobs = 1\n", "").replace("jobs = 2\n", "")
    file.write_text(text.replace("[limits]\n", f"[limits]\njobs = {3 - threads}\n"))


@pytest.mark.bench
def test_the_same_print_again(tmp_path: Path) -> None:
    """Byte-identical from the archive, and from the plan on one thread and on two."""
    root = tmp_path / "studio"
    make_bench_studio(root)
    warm = tmp_path / "warm.tif"
    write_picture(warm, 600, 900)
    source = tmp_path / "source.tif"
    write_picture(source, 8688, 5792)
    working_on(root, 2)
    first = ours(root, source, DROP)
    print(f"\nfirst print, two threads: {first.wall:.2f} s ({first.cpu:.2f} of processors)")
    file = archived(root, 1)
    kept = tmp_path / "kept.tif"
    shutil.copy(file, kept)
    for words, threads, gone in (
        ("from the archive", 2, False),
        ("made anew on one thread", 1, True),
        ("made anew on two threads", 2, True),
    ):
        working_on(root, threads)
        if gone:
            file.unlink()
        spent, made = again(root)
        assert made == file
        # Compared piece by piece: a child counts what its parent had in memory at its start.
        assert filecmp.cmp(made, kept, shallow=False)
        print(f"{words}: {spent.wall:.2f} s ({spent.cpu:.2f} of processors), the same bytes")
    new = tmp_path / "new.icc"
    new.write_bytes(make_printer_profile(MATTE_ETCHING))
    code, said = ask_here(
        root, "profiles", "add", str(new), "--lab", "brindlewick", "--surface", "small-rag", *WHY
    )
    assert code == 0, said
    spent, _ = again(root, held=True)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    print(
        f"rendered by another profile and compared: {spent.wall:.2f} s ({spent.cpu:.2f} of "
        f"processors); largest child {peak} MB"
    )
    assert peak <= MOST_MB
