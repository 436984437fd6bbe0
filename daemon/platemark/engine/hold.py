"""What people see of held jobs: their folders, their answer sheets, and WAITING.txt."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import stat
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.examine import MEASURES, PROOF, PROOF_FORM, facts_of, original_path
from platemark.engine.knowing import answers_of, asked, choose, layout_of
from platemark.engine.reprinted import BODY, SIDE_BY_SIDE
from platemark.engine.workshop import Folders, Workshop
from platemark.intake.held import OURS, picture_name, write_held_folder
from platemark.ledger.read import JobRow
from platemark.model.errors import DiskFault
from platemark.model.finding import Finding
from platemark.model.geometry import MOST_TRIMMED_PERCENT, aspect_error, describe_ppi
from platemark.model.job import Drop, job_number, shown_name
from platemark.model.lab import Product
from platemark.model.measures import Measures
from platemark.model.notice import HeldNotice
from platemark.model.picture import Facts
from platemark.model.plain import from_plain
from platemark.model.request import Fit, Request
from platemark.model.sits import Sits, sentences
from platemark.model.surface import Surface
from platemark.model.units import BadSize, orientation_of, parse_full_size, shown
from platemark.model.work import ChildLimits, Choice, PreviewReport, PreviewTask


def is_shown(workshop: Workshop, row: JobRow) -> bool:
    """Whether everything of ours is in the folder of a held job."""
    folder = folder_of(workshop, row)
    # A link that leads nowhere is there too, and in the way.
    return all(os.path.lexists(folder / ours) for ours in OURS)


def in_the_way(workshop: Workshop, row: JobRow) -> str:
    """Say what keeps us from a held job's folder; empty where nothing does.

    Whoever may write into `held/` may put a link there; what it leads to is not ours to write or
    delete.
    """
    folder = folder_of(workshop, row)
    for place in (folder.parent, folder):
        shown = place.relative_to(workshop.folders.root)
        try:
            if not stat.S_ISDIR(place.lstat().st_mode):
                return f"{shown} is no folder but something else. Remove it; it is made anew."
        except FileNotFoundError:
            continue
        except OSError as error:
            return f"{shown} cannot be looked at: {error.strerror}."
    return ""


def show_held(workshop: Workshop, row: JobRow, drawing: bytes | None) -> None:
    """Make the folder of a held job, whole or not at all.

    Args:
        workshop: The open studio.
        row: A held job.
        drawing: What `drawing_of` gave; None where the picture cannot be drawn.
    """
    folder = folder_of(workshop, row)
    notice = notice_of(workshop, row)
    staging = workshop.folders.scratch("held") / f"{row.job}-{secrets.token_hex(4)}"
    original, name = original_path(workshop, row), _name(workshop, row)
    try:
        write_held_folder(staging, notice, original, name, drawing, _proof(workshop, row))
        for path in (staging, *staging.iterdir()):
            for_the_group(workshop, path)
        durable.sync_tree(staging)
        _keep_drawing(workshop, row, drawing)
        durable.make_folder(folder.parent)
        if not os.path.lexists(folder):
            durable.publish(staging, folder)
            return
        # Something of theirs kept the folder when the job was held before; ours go beside it.
        for ours in staging.iterdir():
            if not os.path.lexists(folder / ours.name):
                durable.publish(ours, folder / ours.name)
    finally:
        if staging.exists():
            durable.remove_tree(staging)


def drawing_shown(folders: Folders, row: JobRow) -> Path:
    """Where the drawing of a held job is for the status page; what is in `held/` is anybody's."""
    return folders.scratch("shown") / f"{row.job}-{row.moved_seq}.jpg"


def tidy_shown(workshop: Workshop) -> None:
    """Remove the drawings of jobs that are held no more, or were held anew since."""
    held = {drawing_shown(workshop.folders, row) for row in workshop.ledger.read.jobs(state="held")}
    for left in workshop.folders.scratch("shown").iterdir():
        if left not in held:
            durable.remove_file(left)


def _keep_drawing(workshop: Workshop, row: JobRow, drawing: bytes | None) -> None:
    """Keep a held job's drawing where the page finds it; it may be lost, the folder has it too."""
    if drawing is None:
        return
    target = drawing_shown(workshop.folders, row)
    with contextlib.suppress(OSError):
        target.write_bytes(drawing)


def _proof(workshop: Workshop, row: JobRow) -> bytes | None:
    """The proof sheet of a held job; None where it was not drawn, or the archive lost it."""
    sha256 = workshop.ledger.read.body(row.held_seq).get(PROOF, "")
    path = workshop.folders.archived(sha256, PROOF_FORM)
    if not sha256 or not path.is_file():
        return None
    data = path.read_bytes()
    return data if hashlib.sha256(data).hexdigest() == sha256 else None


def _sits(workshop: Workshop, row: JobRow, surface: Surface | None) -> tuple[Sits, ...]:
    body = workshop.ledger.read.body(row.held_seq)
    lab = workshop.settings.lab(row.lab) if row.lab else None
    product = lab.product_for(row.surface) if lab is not None else None
    if PROOF not in body or surface is None or product is None:
        return ()
    measures = from_plain(Measures, body[MEASURES])
    return sentences(measures, surface, by_lab_profile=product.profile is not None)


def for_the_group(workshop: Workshop, path: Path) -> None:
    """Let the group of `held/` write to a folder or file there, whatever the service's mask is."""
    is_folder = path.is_dir()
    try:
        os.chown(path, -1, workshop.folders.held.stat().st_gid, follow_symlinks=False)
        path.chmod(0o2770 if is_folder else 0o660)
    except PermissionError:
        structlog.get_logger().warning("held-not-for-the-group", name=path.name)


def clear_held(workshop: Workshop, row: JobRow) -> None:
    """Take a job's held folder away once it is answered; what people put there stays."""
    folder = folder_of(workshop, row)
    for left in workshop.folders.scratch("shown").glob(f"{row.job}-*.jpg"):
        durable.remove_file(left)
    if not folder.exists() or in_the_way(workshop, row):
        return
    picture = folder / picture_name(_name(workshop, row))
    is_ours = any((folder / ours).exists() for ours in OURS) or picture.exists()
    if not is_ours and any(folder.iterdir()):
        return  # what is left is theirs; an empty folder is what a crash left of ours
    for ours in OURS:
        if (folder / ours).is_symlink() or not (folder / ours).is_dir():
            durable.remove_file(folder / ours)
    plain = picture.is_file() and not picture.is_symlink()
    if plain and durable.hash_file(picture) == row.original_sha256:
        durable.remove_file(picture)
    try:
        with durable.step("remove-folder", folder):
            folder.rmdir()
    except DiskFault as fault:
        if fault.is_failing:
            raise
        # Something of theirs is in it, or it is open elsewhere: it is theirs to keep.
        structlog.get_logger().info("held-folder-kept", job=row.job, folder=folder.name)


def folder_of(workshop: Workshop, row: JobRow) -> Path:
    """Where a held job's folder is."""
    return workshop.folders.held_folder(row.surface, row.original_name, row.job)


def stops_of(workshop: Workshop, row: JobRow) -> tuple[Finding, ...]:
    """The findings of a held job, stops first; accepted ones left out."""
    body = workshop.ledger.read.body(row.held_seq)
    taken = {a["code"] for a in body.get("accepted", [])}
    findings = [from_plain(Finding, item) for item in body.get("findings", [])]
    return tuple(f for f in findings if f.code not in taken)


def notice_of(workshop: Workshop, row: JobRow) -> HeldNotice:
    """What a person is told about a held job."""
    read = workshop.ledger.read
    surface = workshop.settings.surface(row.surface)
    lab = workshop.settings.lab(row.lab) if row.lab else None
    facts = facts_of(workshop, row)
    findings = stops_of(workshop, row)
    held = read.entry(row.moved_seq)
    since = datetime.fromisoformat(held.at) if held is not None else workshop.clock.now()
    moment = workshop.local(since)
    return HeldNotice(
        job=row.job,
        name=row.original_name,
        surface=row.surface,
        surface_name=surface.name if surface is not None else row.surface,
        lab_name=lab.name if lab is not None else "",
        size=row.size or "",
        order=row.order or "",
        seq=row.moved_seq,
        held_since=f"{moment.day} {moment:%B %Y, %H:%M}",
        findings=findings,
        facts=describe(facts) if facts is not None else (),
        people=tuple((p.name, p.role) for p in workshop.settings.studio.people),
        drawing_choices=tuple(
            (c.label, text) for c, text in _choices_of(workshop, row, facts, findings)
        ),
        size_remarks=_size_remarks(facts, findings),
        answered=_answered(workshop, row),
        sits=_sits(workshop, row, surface),
        folder=_dropped_in(workshop, row),
        then_and_now=_then_and_now(workshop, row),
    )


def _then_and_now(workshop: Workshop, row: JobRow) -> str:
    """What the proof shows of a reprint that would differ; empty where it shows this print."""
    body = workshop.ledger.read.body(row.held_seq)
    drawn = body.get(BODY, {}).get(SIDE_BY_SIDE)
    if not drawn or body.get(PROOF) != drawn:
        return ""
    return (
        f"Job {job_number(body[BODY]['of'])} as it was printed, the same picture as it would be "
        "printed now, and where the two differ."
    )


def _dropped_in(workshop: Workshop, row: JobRow) -> str:
    """The folder that a job's file was dropped in, from the studio, for people."""
    drop = Drop(**workshop.ledger.read.body(row.claimed_seq)["drop"])
    hot = os.fsencode(workshop.settings.studio.hot.path)
    return shown_name(hot + b"/" + drop.path_bytes.rpartition(b"/")[0])


def _answered(workshop: Workshop, row: JobRow) -> str:
    """The answer after which the job is held again, for people; empty where there was none."""
    read = workshop.ledger.read
    taken = None
    for entry in read.entries(job=row.job):
        if entry.seq >= row.moved_seq:
            break
        if entry.kind in ("decided", "held", "set-back"):
            taken = entry if entry.kind == "decided" else None
    if taken is None:
        return ""
    at, now = (workshop.local(moment) for moment in (
        datetime.fromisoformat(taken.at), workshop.clock.now()
    ))  # fmt: skip
    day = "" if at.date() == now.date() else f"{at.day} {at:%B}, "
    body = read.filled(taken.body)
    said = [f"{key} = {text}" for key, text in body["settings"].items()]
    said += [f"{item['code']} accepted" for item in body["accepted"]]
    return f"Your answer of {day}{at:%H:%M} was taken ({', '.join(dict.fromkeys(said))}), but:"


def _name(workshop: Workshop, row: JobRow) -> bytes:
    """The name that a job's file was dropped under."""
    body = workshop.ledger.read.body(row.claimed_seq)
    return Drop(**body["drop"]).path_bytes.rsplit(b"/", 1)[-1]


def describe(facts: Facts) -> tuple[tuple[str, str], ...]:
    """A picture's facts for people."""
    rows = [
        ("format", facts.format.upper() if facts.format != "other" else "not a picture"),
        ("pixels", f"{facts.upright_width} × {facts.upright_height}" if facts.width else "none"),
        ("depth", f"{facts.bits} bit" if facts.bits else "unknown"),
        ("colours", facts.mode),
        ("profile", facts.profile.description if facts.profile is not None else "none"),
        ("bytes", f"{facts.bytes:,}"),
    ]
    if facts.ppi is not None:
        rows.append(("resolution tag", f"{facts.ppi} ppi"))
    return tuple(rows)


def drawing_of(workshop: Workshop, row: JobRow) -> Callable[[], bytes | None] | None:
    """Prepare the small picture of a held original with the choices on it.

    What is returned draws it, beside the service's own thread, and gives a JPEG, or None where that
    failed; None at once where there is nothing to draw.
    """
    facts = facts_of(workshop, row)
    if facts is None or not facts.is_read:
        return None
    target = workshop.folders.scratch("drawings") / f"held-{row.job}.jpg"
    durable.remove_file(target)
    task = PreviewTask(
        original=str(original_path(workshop, row)),
        orientation=facts.orientation,
        source_profile="",
        choices=tuple(
            choice for choice, _ in _choices_of(workshop, row, facts, stops_of(workshop, row))
        ),
        drawing=str(target),
        is_icc_lab=facts.lab_encoding == "icc",
    )
    limits = workshop.child_limits(output_mb=64)
    return lambda: _drawn(workshop, task, limits)


def _drawn(workshop: Workshop, task: PreviewTask, limits: ChildLimits) -> bytes | None:
    if not isinstance(workshop.children.run(task, limits), PreviewReport):
        return None
    target = Path(task.drawing)
    data = target.read_bytes()
    durable.remove_file(target)
    return data


def _choices_of(
    workshop: Workshop, row: JobRow, facts: Facts | None, findings: tuple[Finding, ...]
) -> tuple[tuple[Choice, str], ...]:
    surface = workshop.settings.surface(row.surface)
    if facts is None or surface is None:
        return ()
    read = workshop.ledger.read
    request = asked(read, row, answers_of(read, row.job)).request
    _, product = choose(workshop.settings, surface, request)
    return drawn_choices(facts, findings, request, surface, product)


def drawn_choices(
    facts: Facts,
    findings: tuple[Finding, ...],
    request: Request,
    surface: Surface,
    product: Product | None,
) -> tuple[tuple[Choice, str], ...]:
    """What the drawing shows: the crop and the border of a stop about proportion or standing.

    Each is what the plan will be after that answer. Sizes of the picture's own proportion would all
    look alike; they are told in words.

    Args:
        facts: The picture's.
        findings: Of its job.
        request: As it is asked now.
        surface: What it is printed on.
        product: What the lab offers there; None where it offers nothing.
    """
    finding = next((f for f in findings if f.code in ("size-proportion", "size-turned")), None)
    if finding is None or finding.severity != "stop":
        return ()
    fits: tuple[Fit, ...] = ("crop", "border")
    found: list[tuple[Choice, str]] = []
    for fit in fits:
        choice = f"fit={fit}"
        layout, _ = layout_of(facts, replace(request, fit=fit), surface, product)
        if choice not in finding.choices or layout is None:
            continue
        label, kept, paper = "ab"[len(found)], layout.crop, layout.trim
        if fit == "border":
            drawn = Choice(label, kept, True, paper.width, paper.height)
            found.append((drawn, f"{choice}: whole, on {layout.sheet} of paper"))
            continue
        share = Fraction(kept.width * kept.height, facts.upright_width * facts.upright_height)
        said = f"{choice}: {shown(100 - 100 * share)} % of the picture is cut off"
        found.append((Choice(label, kept, False, 0, 0), said))
    return tuple(found)


def _size_remarks(
    facts: Facts | None, findings: tuple[Finding, ...]
) -> tuple[tuple[str, str], ...]:
    """What the picture comes to at each size among the choices: its ppi, and what is cut off."""
    if facts is None or not facts.width or not facts.height:
        return ()
    width, height = facts.upright_width, facts.upright_height
    found: list[tuple[str, str]] = []
    for choice in dict.fromkeys(c for f in findings for c in f.choices if c.startswith("size=")):
        try:
            size = parse_full_size(choice.removeprefix("size="))
        except BadSize:
            continue
        size = size.standing_like(orientation_of(width, height))
        ppi = min(width / size.w.inches, height / size.h.inches)
        off = aspect_error(width, height, size) * 100
        # Beyond that the picture is held for its proportion next.
        remark = "" if off <= MOST_TRIMMED_PERCENT else ", of another proportion than the picture"
        found.append((choice, f"{describe_ppi(ppi)}{remark}"))
    return tuple(found)
