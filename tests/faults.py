"""The faults that Platemark must outlive, numbered; each has a test marked `fault(number)`.

A fault that this system cannot be made to have, or whose part of Platemark is not there, has its
reason here instead. `test_faults.py` holds the two against each other and writes the table in
DEVELOPERS.md.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """What goes wrong, and what must come of it."""

    number: int
    what: str
    must: str
    why_not: str = ""
    """Why no test makes it; empty where one does."""


FAULTS = (
    Fault(1, "the service is killed before any lasting operation", "a restart makes nothing of it"),
    Fault(2, "it is killed again while it starts after that", "nor of that"),
    Fault(3, "the power fails", "what was synced is there, and nothing depends on the rest"),
    Fault(4, "the disk refuses to sync", "the service stops and says so; nothing counts as done"),
    Fault(5, "the disk is full", "new work waits, what is done is sent, and all goes on with room"),
    Fault(6, "the disk has no file entries left, or a quota is reached", "the same"),
    Fault(7, "the disk turns read-only", "the service stops and says so"),
    Fault(8, "more changes than the system tells", "every file is found by the scan"),
    Fault(9, "fewer folders may be watched than there are", "doctor says so; all is found"),
    Fault(10, "watching dies", "it is begun anew within ten seconds"),
    Fault(11, "the hot folders' root is renamed, or mounted anew", "no new jobs, nothing is gone"),
    Fault(12, "a share hangs", "everything that is not on it goes on"),
    Fault(13, "a share is not mounted: its folder is empty", "offline, nothing counts as deleted"),
    Fault(14, "a copy pauses", "it is waited for, not held"),
    Fault(15, "a file has its size before its bytes", "it is not taken before it rests"),
    Fault(16, "a copy keeps its old time, or a time is set back", "it is noticed all the same"),
    Fault(17, "a file is replaced while it is read", "the old one or the new one, never a mixture"),
    Fault(18, "the same name with other bytes", "another picture"),
    Fault(19, "the same picture again", "held, not printed twice"),
    Fault(20, "a file goes before it is taken", "nothing is made of it, and nothing stumbles"),
    Fault(21, "a pipe, a socket, a device, a link", "told, never opened or followed"),
    Fault(22, "hostile names", "harmless wherever they are shown; the bytes are kept"),
    Fault(23, "names that differ in case or composition alone", "both are kept apart"),
    Fault(24, "a picture is cut off anywhere", "never printed"),
    Fault(25, "a bit of an archived file changes", "found, named, never printed"),
    Fault(26, "a small file that opens to a vast picture", "refused from its header"),
    Fault(27, "decoding crashes or wants all memory", "that file is held, the others go on"),
    Fault(28, "decoding never ends", "ended at its deadline, with all that it started"),
    Fault(29, "a damaged, missing or wrong profile", "held, never guessed"),
    Fault(30, "a picture of 16 bit", "16 bit to the end"),
    Fault(31, "the service dies, its child lives", "the child ends within a second"),
    Fault(32, "one file of many kills its process", "that one is held, and only that one"),
    Fault(
        33,
        "a helping machine is lost",
        "the same result from another",
        why_not="one machine does all the work; there are no others to lose",
    ),
    Fault(40, "the clock jumps", "waiting is by a clock that does not; the record keeps its order"),
    Fault(41, "daylight saving begins and ends", "one upkeep for every local date"),
    Fault(42, "the service is down over the time of its upkeep", "done once, and called late"),
    Fault(43, "two services for one studio", "the second says so and ends with 4"),
    Fault(44, "the record is locked, or its file is damaged", "refused, never made anew unasked"),
    Fault(45, "an entry is changed, removed, put in, put elsewhere, or the end cut off", "named"),
    Fault(46, "a flood of requests for the status page", "the work goes on"),
    Fault(47, "the disk of the log is full", "the work goes on"),
    Fault(48, "killed in the middle of bringing an older record up to date", "old or new, whole"),
)
