"""Faults of the world, each with a code, a sentence, a hint and an exit code.

    PlatemarkError
    ├── UsageError          the command was asked for something it cannot do     exit 2
    │   ├── SettingsError       the studio's settings have mistakes
    │   ├── StudioMissing       there is no studio here
    │   ├── DecisionRefused     a person's answer cannot be applied
    │   └── CredentialsRefused  the names and passwords for sending cannot be used
    ├── StudioBusy          another service has this studio                      exit 4
    └── WorldError          the disk, the system or a program failed             exit 1
        ├── DiskFault           a read, write or sync was refused
        ├── DiskFull            there is not enough room
        ├── FolderGone          a folder that must be there is not
        ├── RecordDamaged       the ledger does not verify
        ├── RecordLocked        another program holds the ledger
        ├── ChildFault          the system would not start a child process
        └── DeliveryFault       the lab's end refused or cannot be reached

A fault of a *picture* is a finding, never an exception.
"""

from __future__ import annotations


class PlatemarkError(Exception):
    """Something outside a picture went wrong; says what, and what to do next."""

    code = "fault"
    exit_code = 1
    retry = False
    """Whether trying the same again later may help."""

    def __init__(self, sentence: str, hint: str = "") -> None:
        super().__init__(sentence, hint)
        self.sentence = sentence
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.sentence} {self.hint}".strip()


class UsageError(PlatemarkError):
    """The command was asked for something that it cannot do."""

    code = "usage"
    exit_code = 2


class SettingsError(UsageError):
    """The studio's settings have mistakes; the sentence lists all of them."""

    code = "settings"


class StudioMissing(UsageError):
    """There is no studio where the command was told to look."""

    code = "studio-missing"


class DecisionRefused(UsageError):
    """A person's answer cannot be applied; the sentence says why."""

    code = "decision-refused"


class CredentialsRefused(UsageError):
    """The file with names and passwords cannot be used, or others may read it."""

    code = "credentials"


class StudioBusy(PlatemarkError):
    """Another service has this studio."""

    code = "studio-busy"
    exit_code = 4
    retry = True


class WorldError(PlatemarkError):
    """The disk, the system or a program that Platemark needs failed."""

    code = "world"


class DiskFault(WorldError):
    """A read, a write or a sync was refused by the disk."""

    code = "disk-fault"
    is_failing = False
    """The disk itself fails or was made read-only: nothing else that is asked of it can count."""


class DiskFull(WorldError):
    """There is not enough room to go on."""

    code = "disk-full"
    retry = True


class FolderGone(WorldError):
    """A folder that must be there is not."""

    code = "folder-gone"
    retry = True


class RecordDamaged(WorldError):
    """The ledger does not verify; nothing is repaired without a person."""

    code = "record-damaged"


class RecordLocked(WorldError):
    """Another program keeps the ledger's file locked."""

    code = "record-locked"
    retry = True


class ChildFault(WorldError):
    """The system would not start or feed a child process."""

    code = "child-fault"
    retry = True


class DeliveryFault(WorldError):
    """The lab's end refused the parcel or cannot be reached."""

    code = "delivery-fault"
    retry = True
