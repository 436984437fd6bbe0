"""A lab that fetched its parcels gets them brought from now on."""

from pathlib import Path

from at_work import ask, jobs
from harness import LAB


def test_what_was_put_out_to_be_fetched_is_never_brought(studio: Path) -> None:
    """A parcel that the lab may have fetched is not delivered when the way is changed later."""
    lab = studio / "labs" / f"{LAB}.toml"
    brought = lab.read_text()
    lab.write_text(brought.replace('method = "folder"\npath = "at-the-lab"', 'method = "collect"'))
    ask(studio, "sweep")
    assert [job["state"] for job in jobs(studio)] == ["parcelled", "held"]
    lab.write_text(brought)
    ask(studio, "sweep")
    assert not list((studio / "at-the-lab").iterdir())
    assert [job["state"] for job in jobs(studio)] == ["parcelled", "held"]
