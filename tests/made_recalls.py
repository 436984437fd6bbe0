"""Recall notices as values, for tests of their pages and their schema."""

from dataclasses import replace

from platemark.engine.recall_notice import INSTRUCTIONS
from platemark.model.recall import RECALL_VERSION, RecalledPrint, RecallNotice
from platemark.model.ticket import Witness


def made_print(job: int = 123, **changed: object) -> RecalledPrint:
    """One job that is called back."""
    made = RecalledPrint(
        job=job,
        parcel="brindlewick-000017",
        product="Smooth Cotton Rag 310",
        surface="smooth-rag",
        size="16x20in",
        copies=2,
        purpose="final",
        print_file=f"data/{job:06d}_2x_heron-at-first-light_16x20in.tif",
        print_file_sha256="5f" * 32,
        title="Heron at first light",
        order="Alder and Finch",
    )
    return replace(made, **changed)  # type: ignore[arg-type]


def made_recall(*prints: RecalledPrint, **changed: object) -> RecallNotice:
    """A notice of some jobs, or of one."""
    made = RecallNotice(
        version=RECALL_VERSION,
        parcel="brindlewick-000018",
        lab="brindlewick",
        lab_name="Brindlewick Print Room",
        studio="Studio Quillon",
        created="2026-03-14T09:12:05.000Z",
        witness=Witness(4711, "a7" * 32),
        prints=prints or (made_print(),),
        whole_parcels=(),
        before=(),
        instructions=INSTRUCTIONS,
        studio_contact="print@studio-quillon.example, +49 30 000 000",
    )
    return replace(made, **changed)  # type: ignore[arg-type]
