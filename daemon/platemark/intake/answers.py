"""`ANSWER.txt`: the sheet on which a person ticks what is to become of a held job.

Written for a plain editor on any system, and read with patience: any tick, any line ends, any of
the encodings that such editors save in.
"""

from __future__ import annotations

import re
import shlex
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from platemark.intake.plain_text import flat, shortened, wrapped
from platemark.model.finding import Acceptor, Finding
from platemark.model.job import job_number
from platemark.model.notice import Answer, HeldNotice
from platemark.model.request import read_value
from platemark.model.studio import without_role
from platemark.model.units import BadSize, Size, parse_size

WIDTH = 80
"""Columns of what is explained; a line to tick is never broken."""

_TICKED = {"x", "v", "y", "yes", "ok", "*", "+", "✓", "✔", "☑", "☒", "✗", "✘"}
_UNTICKED = {"", "_"}
_TICK = re.compile(r"\[([^\]]{0,8})\]\s*(.*)")
_FREE = re.compile(r"set\s+([a-z_]+)\s*[=:]\s*(.*)", re.IGNORECASE)
_FIELD = re.compile(r"(by|because)\s*[:=]\s*(.*)", re.IGNORECASE)
_BOUND = re.compile(
    r"job\s+0*([0-9]{1,9}),?\s+answered\s+to\s+entry\s+([0-9]{1,18})\W*", re.IGNORECASE
)
# The explanation that stands behind a tick line; at least two spaces before it.
_EXPLAINED = re.compile(r"\s{2,}\(.*\)\s*$")
_REFUSED = "#! "
"""Begins the lines that we add to a sheet that somebody filled in."""
# Accepting has tick lines of its own, which are bound to what the person saw.
_NOT_SET_HERE = ("allow", "because")

_STRICT: dict[Acceptor, int] = {"assistant": 0, "photographer": 1, "never": 2}
_CHOICE_WORDS = {
    "fit=crop": "Fill the size, cut off what is too much",
    "fit=border": "Keep the whole picture, with white paper around it",
    "border=none": "Leave the border out",
    "edge=included": "The picture brings its own edge",
    "untagged=srgb-camera": "Read it as sRGB",
}


@dataclass(slots=True)
class _Sheet:
    """What stands on a sheet, before it is judged."""

    accept: list[str] = field(default_factory=list)
    settings: list[tuple[str, str]] = field(default_factory=list)
    withdraw: bool = False
    by: str = ""
    because: str = ""
    bound: tuple[int, int] | None = None
    problems: list[str] = field(default_factory=list)

    @property
    def decides(self) -> bool:
        return bool(self.accept or self.settings or self.withdraw)


def acceptable(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The stops that somebody may accept."""
    return tuple(f for f in findings if f.severity == "stop" and f.accept != "never")


def cured_by_size(findings: Iterable[Finding]) -> bool:
    """Whether another size may settle one of the stops."""
    return any(
        f.severity == "stop"
        and (f.code.startswith("size-") or any(c.startswith("size=") for c in f.choices))
        for f in findings
    )


def is_reason(text: str) -> bool:
    """Whether a reason says anything: dots that stand for one do not."""
    return any(sign.isalnum() for sign in text)


def choice_words(choice: str) -> str:
    """What a ready answer such as `size=16x24in` asks for."""
    key, _, value = choice.partition("=")
    if key == "size":
        return f"Print it at {size_words(value)}"
    return _CHOICE_WORDS.get(choice, f"{key.replace('_', ' ').capitalize()}: {value}")


def size_words(text: str) -> str:
    """A size for people: `16 × 20 in`."""
    try:
        size = parse_size(text)
    except BadSize:
        return text
    if isinstance(size, Size) and not size.name:
        return f"{size.width} × {size.height} {size.unit}"
    return str(size)


def drawn_words(choice: str, notice: HeldNotice) -> tuple[str, str]:
    """The letter that a ready answer has on the drawing, and what is said there; else empty."""
    for letter, meaning in notice.drawing_choices:
        setting, _, words = meaning.partition(":")
        if setting.strip() == choice:
            return letter, words.strip()
    return "", ""


def remark_on(choice: str, notice: HeldNotice) -> str:
    """What a ready answer comes to: its letter on the drawing, or the pixels of a size."""
    letter, _ = drawn_words(choice, notice)
    return f"{letter} on the drawing" if letter else dict(notice.size_remarks).get(choice, "")


def choices_of(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Every ready answer of the findings, once each."""
    return tuple(dict.fromkeys(flat(choice) for f in findings for choice in f.choices))


def decide_command(notice: HeldNotice, *options: str) -> str:
    """The command that gives the same answer, safe to paste into a shell."""
    # A person's own name is quoted; NAME is left for them to fill in where there are several.
    by = notice.people[0][0] if len(notice.people) == 1 else "NAME"
    quoted = " ".join(shlex.quote(option) for option in options)
    return f'platemark decide {notice.job} {quoted} --by {shlex.quote(by)} --because "…"'


def answer_sheet(notice: HeldNotice) -> str:
    """Write the sheet of one held job."""
    lines = [
        *_explained(f"{notice.name} waits for a person: job {job_number(notice.job)}."),
        *_explained(notice.answered),
        "#",
        *_explained(
            "Put an x between the brackets of what you decide, fill in the two lines at the end, "
            "and save this file. Lines that begin with # only explain. WHY.html shows the "
            "picture and says more."
        ),
        "#",
    ]
    stops = [f for f in notice.findings if f.severity == "stop"]
    for number, finding in enumerate(stops, 1):
        lines += _explained(f"{finding.message} {finding.next}", f"{number}. ")
    lines += ["", *_tick_lines(notice)]
    names = ", ".join(f"{name} ({role})" for name, role in notice.people)
    lines += [
        "",
        *_explained(f"Who decides, and why. Names: {names}."),
        "by: ",
        "because: ",
        "",
        *_explained("This line says what you answered to; leave it as it is."),
        _binding(notice),
    ]
    return "\n".join(lines) + "\n"


def answer_text(data: bytes) -> str:
    """Decode a sheet as an editor may have saved it: UTF-8, UTF-16 or a Western code page."""
    return data.decode(_encoding(data), "replace").removeprefix("\ufeff")


def without_refusal(data: bytes) -> bytes:
    """A sheet as the person saved it, without the lines that `with_refusal` put on top."""
    encoding = _encoding(data)
    text = data.decode(encoding, "replace")
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    lines = text.removeprefix(mark).splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(_REFUSED.rstrip())]
    return data if kept == lines else (mark + "".join(kept)).encode(encoding, "replace")


def with_refusal(data: bytes, sentence: str) -> bytes:
    """A filled-in sheet with a note on top that says why it is not applied.

    Args:
        data: The sheet as it was saved; what the person typed stays, in its encoding.
        sentence: What is wrong, and what to do.
    """
    data = without_refusal(data)
    encoding = _encoding(data)
    mark = "\ufeff".encode(encoding) if encoding.startswith("utf") else b""
    mark = mark if data.startswith(mark) else b""
    ending = "\r\n" if "\r\n".encode(encoding) in data else "\n"
    said = wrapped(f"NOT APPLIED. {sentence}", WIDTH, _REFUSED, _REFUSED)
    note = "".join(f"{line}{ending}" for line in said)
    return mark + note.encode(encoding, "replace") + data.removeprefix(mark)


def read_answer(text: str, notice: HeldNotice) -> Answer | str | None:
    """Read what a person did to a sheet.

    Args:
        text: The sheet, from `answer_text`.
        notice: What is held now. A sheet that answers an older entry is read without being held
            against the findings, so that whoever applies it can say what has changed.

    Returns:
        The answer; or what is wrong, in sentences for WAITING.txt; or None while nothing is
        decided.
    """
    sheet = _read(text, notice)
    if not sheet.decides and not sheet.by and not sheet.because and not sheet.problems:
        return None
    if sheet.bound is None:
        return (
            "The last line of ANSWER.txt is missing or changed. Put this line back: "
            f"{_binding(notice)}."
        )
    job, seq = sheet.bound
    if job != notice.job:
        return (
            f"This ANSWER.txt is of job {job_number(job)}, but it lies in the folder of job "
            f"{job_number(notice.job)}. Fill in the sheet of that folder."
        )
    by, trouble = _who(sheet, notice)
    problems = [*sheet.problems, *_contradictions(sheet), *trouble]
    if seq == notice.seq:
        problems += _against_findings(sheet, by, notice)
    if problems:
        return " ".join(dict.fromkeys(problems))
    settings = tuple(dict.fromkeys(sheet.settings))
    accept = tuple(dict.fromkeys(sheet.accept))
    return Answer(job, seq, accept, settings, sheet.withdraw, by, sheet.because)


def _tick_lines(notice: HeldNotice) -> list[str]:
    lines: list[str] = []
    may = acceptable(notice.findings)
    for code in dict.fromkeys(f.code for f in may):
        same = [f for f in may if f.code == code]
        figures = ", ".join(
            f"{name} {shortened(value, 24)}" for f in same for name, value in f.figures
        )
        said = "; ".join(part for part in (figures, same[0].accept) if part)
        lines.append(f"[ ] accept {code}   ({flat(said)})")
    if lines:
        lines = [*_explained("Print it as it is:"), *lines, ""]
    asked = [
        f"[ ] set {choice}   ({flat(_said(choice, notice))})"
        for choice in choices_of(notice.findings)
    ]
    if cured_by_size(notice.findings):
        asked.append("set size = ")
    if any(f.code == "request-unclear" for f in may):
        asked += _explained("The right value goes on a line of its own, like: set copies = 2")
    if asked:
        lines += _explained("Or ask for something else:" if lines else "Ask for something else:")
        lines += [*asked, ""]
    lines += [*_explained("Or take it back:" if lines else "Take it back:"), "[ ] withdraw"]
    return lines


def _said(choice: str, notice: HeldNotice) -> str:
    letter, drawn = drawn_words(choice, notice)
    if letter:
        return f"{letter} on the drawing: {drawn}"
    remark = remark_on(choice, notice)
    return f"{choice_words(choice)}: {remark}" if remark else choice_words(choice)


def _encoding(data: bytes) -> str:
    """The encoding of a sheet; a byte order mark is part of the text then."""
    # Our own sheet is nearly all ASCII, so every second byte is zero in UTF-16.
    if data.startswith(b"\xff\xfe") or data[1:200:2].count(0) > len(data[1:200:2]) // 2:
        return "utf-16-le"
    if data.startswith(b"\xfe\xff") or data[0:200:2].count(0) > len(data[0:200:2]) // 2:
        return "utf-16-be"
    for encoding in ("utf-8", "cp1252"):
        try:
            data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def _binding(notice: HeldNotice) -> str:
    return f"job {job_number(notice.job)}, answered to entry {notice.seq}"


def _read(text: str, notice: HeldNotice) -> _Sheet:
    sheet = _Sheet()
    offered = choices_of(notice.findings)
    open_field = False
    for raw in unicodedata.normalize("NFC", text).splitlines():
        line = raw.replace("\ufeff", "").replace("\x00", "").strip()
        if not line or line.startswith("#"):
            open_field = False
        elif match := _BOUND.fullmatch(line):
            sheet.bound = (int(match[1]), int(match[2]))
            open_field = False
        elif match := _TICK.fullmatch(line):
            _read_tick(sheet, match[1].strip().lower(), match[2].strip(), offered)
            open_field = False
        elif match := _FREE.fullmatch(line):
            _read_setting(sheet, match[1].lower(), match[2].strip())
            open_field = False
        elif match := _FIELD.fullmatch(line):
            setattr(sheet, match[1].lower(), match[2].strip())
            open_field = match[1].lower() == "because"
        elif open_field:
            # A reason may be longer than a line.
            sheet.because = f"{sheet.because} {line}".strip()
        else:
            sheet.problems.append(f"The line “{shortened(flat(line), 60)}” cannot be read.")
    return sheet


def _read_tick(sheet: _Sheet, mark: str, words: str, offered: Sequence[str]) -> None:
    shown = shortened(flat(_EXPLAINED.sub("", words)), 60)
    if mark in _UNTICKED:
        return
    if mark not in _TICKED:
        sheet.problems.append(f"Whether “{shown}” is ticked is not clear; put an x there.")
        return
    verb, _, rest = words.partition(" ")
    rest = rest.strip()
    if verb.lower() == "withdraw":
        sheet.withdraw = True
    elif verb.lower() == "accept" and rest:
        sheet.accept.append(rest.split()[0].lower())
    elif verb.lower() == "set":
        choice = next((c for c in offered if rest == c or rest.startswith(f"{c}  ")), None)
        key, equals, value = (choice or _EXPLAINED.sub("", rest)).partition("=")
        if equals and value.strip():
            _read_setting(sheet, key.strip().lower(), value.strip())
        else:
            sheet.problems.append(f"“{shown}” is ticked but says no value, like fit=crop.")
    else:
        sheet.problems.append(f"What is ticked as “{shown}” cannot be read.")


def _read_setting(sheet: _Sheet, key: str, value: str) -> None:
    if not value:
        return
    if key in _NOT_SET_HERE:
        sheet.problems.append(f"“{key}” is not set here; tick one of the accept lines instead.")
        return
    try:
        read_value(key, value)
    except ValueError as error:
        sheet.problems.append(f"For {key}: {error}.")
        return
    sheet.settings.append((key, value))


def _who(sheet: _Sheet, notice: HeldNotice) -> tuple[str, list[str]]:
    names = ", ".join(name for name, _ in notice.people)
    # The sheet prints the roles behind the names, so people write them too.
    for written in (sheet.by, without_role(sheet.by)):
        wanted = unicodedata.normalize("NFC", written).casefold()
        for name, _ in notice.people:
            if unicodedata.normalize("NFC", name).casefold() == wanted:
                return name, []
    if not sheet.by:
        return "", [f"Write after “by:” who decides: {names}."]
    return "", [f"“{flat(sheet.by)}” is none of the people who may decide: {names}."]


def _contradictions(sheet: _Sheet) -> list[str]:
    problems = []
    if not sheet.decides and not sheet.problems:
        problems.append("Nothing is ticked.")
    if sheet.withdraw and (sheet.accept or sheet.settings):
        problems.append(
            "It says both to withdraw the picture and to go on with it; leave one tick only."
        )
    values: dict[str, list[str]] = {}
    for key, value in dict.fromkeys(sheet.settings):
        values.setdefault(key, []).append(value)
    for key, several in values.items():
        if len({str(read_value(key, value)) for value in several}) > 1:
            problems.append(f"{key} is answered twice: {' and '.join(several)}; leave one.")
    if not is_reason(sheet.because):
        problems.append("Write after “because:” why.")
    return problems


def _against_findings(sheet: _Sheet, by: str, notice: HeldNotice) -> list[str]:
    problems = []
    # Somebody unknown is complained about elsewhere, not for a role as well.
    role = dict(notice.people).get(by, "photographer")
    stops: dict[str, Finding] = {}
    for found in notice.findings:
        # Of several with one code the strictest counts.
        if found.severity == "stop" and not (
            found.code in stops and _STRICT[found.accept] <= _STRICT[stops[found.code].accept]
        ):
            stops[found.code] = found
    for code in sheet.accept:
        finding = stops.get(code)
        if finding is None:
            problems.append(f"Nothing called “{flat(code)}” holds this picture.")
        elif finding.accept == "never":
            problems.append(f"{code} cannot be accepted by anybody. {finding.next}")
        elif finding.accept == "photographer" and role != "photographer":
            may = " or ".join(name for name, its in notice.people if its == "photographer")
            problems.append(f"{code} can only be accepted by a photographer: {may}.")
    if sheet.accept and not sheet.settings and not sheet.withdraw:
        left = [code for code in stops if code not in sheet.accept]
        if left:
            problems.append(f"The picture is still held by {', '.join(left)}; answer that too.")
    return problems


def _explained(text: str, first: str = "") -> list[str]:
    return wrapped(text, WIDTH, f"# {first}", "# " + " " * len(first))
