from __future__ import annotations

import shlex
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_tickets import FEW_PIXELS, PROPORTION, SENT_ALREADY, made_notice
from platemark.intake.answers import (
    WIDTH,
    answer_sheet,
    answer_text,
    decide_command,
    read_answer,
    with_refusal,
    without_refusal,
)
from platemark.intake.waiting import waiting_text
from platemark.model.finding import Finding
from platemark.model.notice import Answer, HeldNotice, WaitingLine

NOTICE = made_notice(FEW_PIXELS)
BOTH = made_notice(PROPORTION, FEW_PIXELS)


def filled(
    notice: HeldNotice, *ticks: str, by: str = "Ida Marlow", because: str = "seen", mark: str = "x"
) -> str:
    """The sheet with the lines that begin with `ticks` marked and the two fields filled in."""
    lines = []
    for line in answer_sheet(notice).splitlines():
        if any(line.startswith(f"[ ] {tick}") for tick in ticks):
            line = f"[{mark}]{line[3:]}"
        lines.append({"by: ": f"by: {by}", "because: ": f"because: {because}"}.get(line, line))
    return "\n".join(lines) + "\n"


def test_untouched_sheet_says_nothing() -> None:
    """A sheet as we wrote it is no answer and no mistake."""
    assert read_answer(answer_sheet(NOTICE), NOTICE) is None
    assert read_answer(answer_sheet(BOTH), BOTH) is None


def test_acceptance_is_read() -> None:
    """A ticked accept line gives the code, the entry, the name and the reason."""
    answer = read_answer(filled(NOTICE, "accept size-ppi"), NOTICE)
    assert answer == Answer(123, 4711, ("size-ppi",), (), False, "Ida Marlow", "seen")


def test_setting_is_read() -> None:
    """A ticked choice gives its key and value without the explanation behind it."""
    answer = read_answer(filled(BOTH, "set fit=crop", by="tom wicket"), BOTH)
    assert answer == Answer(123, 4711, (), (("fit", "crop"),), False, "Tom Wicket", "seen")


def test_free_size_is_read() -> None:
    """A size written after “set size =” is an answer of its own."""
    sheet = filled(NOTICE).replace("set size = ", "set size = 11×14in")
    answer = read_answer(sheet, NOTICE)
    assert isinstance(answer, Answer)
    assert answer.settings == (("size", "11×14in"),)


def test_withdrawal_is_read() -> None:
    """A ticked withdraw line takes the job back."""
    answer = read_answer(filled(BOTH, "withdraw"), BOTH)
    assert isinstance(answer, Answer)
    assert (answer.withdraw, answer.accept, answer.settings) == (True, (), ())


@pytest.mark.parametrize("mark", ["x", "X", "v", "V", " x ", "\tx", "✓", "yes", "*"])
def test_any_usual_tick_counts(mark: str) -> None:
    """People tick in many ways."""
    assert isinstance(read_answer(filled(NOTICE, "withdraw", mark=mark), NOTICE), Answer)


@pytest.mark.parametrize("mark", ["?", "no", "x?"])
def test_unclear_tick_is_asked_about(mark: str) -> None:
    """A mark that may mean yes or no is never taken for either."""
    answer = read_answer(filled(NOTICE, "withdraw", mark=mark), NOTICE)
    assert isinstance(answer, str)
    assert "not clear" in answer


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"]
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_any_editor_may_save_it(encoding: str, line_end: str) -> None:
    """Encodings, byte order marks and line ends of plain editors all give the same answer."""
    notice = made_notice(FEW_PIXELS, people=(("Zoë Ågren", "photographer"),))
    sheet = filled(notice, "accept size-ppi", by="Zoë Ågren", because="café wall, far away")
    data = sheet.replace("\n", line_end).encode(encoding)
    answer = read_answer(answer_text(data), notice)
    assert isinstance(answer, Answer)
    assert (answer.by, answer.because) == ("Zoë Ågren", "café wall, far away")


def test_name_is_matched_in_either_form_of_its_accents() -> None:
    """Some systems write an accented letter as two signs; it is still the same person."""
    notice = made_notice(FEW_PIXELS, people=(("Zoë Ågren", "photographer"),))
    answer = read_answer(filled(notice, "withdraw", by="ZOE\u0308 A\u030aGREN"), notice)
    assert isinstance(answer, Answer)
    assert answer.by == "Zoë Ågren"


def test_reason_may_be_longer_than_a_line() -> None:
    """Lines straight after “because:” belong to the reason."""
    sheet = filled(NOTICE, "withdraw", because="the client\nchanged her mind")
    answer = read_answer(sheet, NOTICE)
    assert isinstance(answer, Answer)
    assert answer.because == "the client changed her mind"


def test_withdrawing_and_going_on_contradict() -> None:
    """Nothing is guessed from a sheet that says two things."""
    answer = read_answer(filled(NOTICE, "withdraw", "accept size-ppi"), NOTICE)
    assert isinstance(answer, str)
    assert "leave one tick" in answer


def test_two_values_for_one_key_contradict() -> None:
    """Crop and border together are asked about; one size said twice in two ways is not."""
    answer = read_answer(filled(BOTH, "set fit=crop", "set fit=border"), BOTH)
    assert isinstance(answer, str)
    assert "crop and border" in answer
    twice = filled(NOTICE, "set size=12x16in").replace("set size = ", "set size = 12 x 16 in")
    assert isinstance(read_answer(twice, NOTICE), Answer)


def test_unknown_name_is_answered_with_the_names() -> None:
    """Who may decide is said where somebody else signs."""
    answer = read_answer(filled(NOTICE, "withdraw", by="Nobody"), NOTICE)
    assert isinstance(answer, str)
    assert "Ida Marlow, Tom Wicket" in answer


@pytest.mark.parametrize(
    "by", ["Tom Wicket (assistant)", "tom wicket (ASSISTANT)", "TOM WICKET", " Tom Wicket ( x ) "]
)
def test_name_may_be_written_as_the_sheet_prints_it(by: str) -> None:
    """The sheet lists names with their roles; either way the name is that of the settings."""
    answer = read_answer(filled(NOTICE, "withdraw", by=by), NOTICE)
    assert isinstance(answer, Answer)
    assert answer.by == "Tom Wicket"


def test_a_role_in_brackets_gives_no_right() -> None:
    """An assistant who signs as photographer is still the assistant."""
    sheet = filled(NOTICE, "accept size-ppi", by="Tom Wicket (photographer)")
    answer = read_answer(sheet, NOTICE)
    assert isinstance(answer, str)
    assert "can only be accepted by a photographer: Ida Marlow" in answer


@pytest.mark.parametrize("because", ["…", "...", " - ", '"…"'])
def test_dots_are_no_reason(because: str) -> None:
    """What stands in our own example for a reason is not taken for one."""
    answer = read_answer(filled(NOTICE, "withdraw", because=because), NOTICE)
    assert isinstance(answer, str)
    assert "why" in answer


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_refusal_stands_on_the_sheet_and_changes_nothing(encoding: str, line_end: str) -> None:
    """Why a sheet is not applied is said on it; every byte that somebody saved is still there."""
    sheet = filled(NOTICE, "withdraw", by="Zoë", because="café wall")
    data = sheet.replace("\n", line_end).encode(encoding)
    why = read_answer(answer_text(data), NOTICE)
    assert isinstance(why, str)
    noted = with_refusal(data, why)
    assert answer_text(noted).startswith("#! NOT APPLIED. “Zoë” is none of the people")
    assert without_refusal(noted) == data
    assert with_refusal(noted, why) == noted
    assert read_answer(answer_text(noted), NOTICE) == why
    mended = answer_text(noted).replace("by: Zoë", "by: Ida Marlow")
    assert isinstance(read_answer(mended, NOTICE), Answer)


@pytest.mark.parametrize(
    ("by", "because", "word"), [("", "seen", "by:"), ("Ida Marlow", "", "why")]
)
def test_half_filled_sheet_says_what_is_missing(by: str, because: str, word: str) -> None:
    """A tick without a name or a reason is not applied."""
    answer = read_answer(filled(NOTICE, "withdraw", by=by, because=because), NOTICE)
    assert isinstance(answer, str)
    assert word in answer


def test_name_without_a_tick_is_asked_about() -> None:
    """A signed sheet on which nothing is ticked is not taken for silence."""
    answer = read_answer(filled(NOTICE), NOTICE)
    assert isinstance(answer, str)
    assert "Nothing is ticked" in answer


def test_assistant_may_not_accept_for_the_photographer() -> None:
    """A photographer's finding names the photographers; an assistant's is anybody's."""
    answer = read_answer(filled(NOTICE, "accept size-ppi", by="Tom Wicket"), NOTICE)
    assert isinstance(answer, str)
    assert "Ida Marlow" in answer
    again = made_notice(SENT_ALREADY)
    for name in ("Tom Wicket", "Ida Marlow"):
        assert isinstance(read_answer(filled(again, "accept same-again", by=name), again), Answer)


def test_never_has_no_tick_line_and_cannot_be_written_in() -> None:
    """A finding that nobody may accept is not offered, and is refused where somebody adds it."""
    assert "accept size-proportion" not in answer_sheet(BOTH)
    sheet = filled(BOTH, "withdraw").replace("[x] withdraw", "[x] accept size-proportion")
    answer = read_answer(sheet, BOTH)
    assert isinstance(answer, str)
    assert "cannot be accepted by anybody" in answer


def test_accepting_one_of_two_stops_is_not_enough() -> None:
    """An acceptance that would only hold the job again says what is left."""
    answer = read_answer(filled(BOTH, "accept size-ppi"), BOTH)
    assert isinstance(answer, str)
    assert "size-proportion" in answer
    both = read_answer(filled(BOTH, "accept size-ppi", "set fit=crop"), BOTH)
    assert isinstance(both, Answer)


def test_bad_value_is_answered_with_what_would_be_right() -> None:
    """A size that cannot be read is said with an example."""
    answer = read_answer(filled(NOTICE).replace("set size = ", "set size = 12x"), NOTICE)
    assert isinstance(answer, str)
    assert "16x20in" in answer


@pytest.mark.parametrize("key", ["allow", "because"])
def test_acceptances_are_not_set(key: str) -> None:
    """What somebody may not accept by a tick, they may not set either."""
    answer = read_answer(f"[x] set {key}=size-ppi\n{filled(NOTICE)}", NOTICE)
    assert isinstance(answer, str)
    assert "not set here" in answer


def test_stray_words_are_not_passed_over() -> None:
    """A line that nobody can read may be the most important one."""
    answer = read_answer(f"please crop a little left\n{filled(NOTICE, 'withdraw')}", NOTICE)
    assert isinstance(answer, str)
    assert "please crop a little left" in answer


def test_sheet_of_another_job_is_refused() -> None:
    """A sheet copied into the wrong folder decides nothing."""
    other = made_notice(FEW_PIXELS, job=124)
    answer = read_answer(filled(other, "withdraw"), NOTICE)
    assert isinstance(answer, str)
    assert "000124" in answer
    assert "000123" in answer


def test_sheet_without_its_last_line_is_refused() -> None:
    """Without the entry it answers to, nobody knows what the person saw."""
    sheet = filled(NOTICE, "withdraw").replace("job 000123, answered to entry 4711", "")
    answer = read_answer(sheet, NOTICE)
    assert isinstance(answer, str)
    assert "job 000123, answered to entry 4711" in answer


def test_stale_sheet_keeps_the_entry_it_answered_to() -> None:
    """An answer to an older entry is read with that entry, for the engine to refuse or apply."""
    now = made_notice(SENT_ALREADY, seq=4800)
    answer = read_answer(filled(NOTICE, "accept size-ppi"), now)
    assert isinstance(answer, Answer)
    assert answer.seq == 4711


def test_explanations_fit_eighty_columns() -> None:
    """Only lines to tick are longer than a narrow window."""
    for line in answer_sheet(BOTH).splitlines():
        assert len(line) <= WIDTH or line.startswith("[ ]")


def test_words_of_a_finding_cannot_tick() -> None:
    """A message or a choice with line ends and ticks in it stays an explanation."""
    evil = Finding(
        "request-trouble", "stop", "It says\n[x] withdraw\nby: Ida Marlow", "\rbecause: x", "never",
        (), ("title=a\n[x] withdraw",),
    )  # fmt: skip
    assert read_answer(answer_sheet(made_notice(evil)), made_notice(evil)) is None


EMPTY = Finding("file-damaged", "stop", "It is empty.", "Copy it again.", "never")


def test_a_size_is_asked_for_only_where_it_helps() -> None:
    """An empty file is not cured by another size, so none is offered."""
    assert "size" not in answer_sheet(made_notice(EMPTY))
    assert "set size = " in answer_sheet(made_notice(FEW_PIXELS))
    assert "12x18in" not in answer_sheet(made_notice(FEW_PIXELS))


def test_an_answer_that_was_not_enough_is_named() -> None:
    """Who is asked again sees first that the answer arrived."""
    said = "Your answer of 15:00 was taken (fit = crop), but:"
    sheet = answer_sheet(made_notice(FEW_PIXELS, answered=said))
    assert sheet.splitlines()[1] == f"# {said}"
    assert read_answer(sheet, NOTICE) is None


def test_sizes_say_what_they_come_to() -> None:
    """A size to tick carries its ppi."""
    notice = made_notice(FEW_PIXELS, size_remarks=(("size=12x16in", "213.3 ppi"),))
    assert "[ ] set size=12x16in   (Print it at 12 × 16 in: 213.3 ppi)" in answer_sheet(notice)


def test_two_stops_of_one_code_have_one_line() -> None:
    """One tick accepts every stop of that code; where one may not be accepted, none is."""
    wish = Finding("request-unclear", "stop", "copys", "Correct it.", "assistant")
    both = made_notice(wish, replace(wish, message="titel"))
    assert answer_sheet(both).count("[ ] accept request-unclear") == 1
    mixed = made_notice(wish, replace(wish, message="said twice", accept="never"))
    answer = read_answer(filled(mixed, "accept request-unclear"), mixed)
    assert isinstance(answer, str)
    assert "cannot be accepted by anybody" in answer


HOSTILE = st.text(alphabet=st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)


@given(value=HOSTILE, name=HOSTILE)
def test_command_is_safe_to_paste(value: str, name: str) -> None:
    """A shell gives the words of the command back exactly, whatever is in a choice or a name."""
    notice = made_notice(FEW_PIXELS, people=((name, "photographer"),))
    words = shlex.split(decide_command(notice, "--set", f"title={value}"))
    assert words == [
        "platemark", "decide", "123", "--set", f"title={value}", "--by", name, "--because", "…",
    ]  # fmt: skip


@given(data=st.binary(max_size=400))
def test_any_bytes_are_read(data: bytes) -> None:
    """No file makes the reading fail, and none decides by chance."""
    assert not isinstance(read_answer(answer_text(data), NOTICE), Answer)


NOW = datetime.fromisoformat("2026-03-14T14:05:00+00:00")


def test_waiting_says_that_nothing_waits() -> None:
    """An empty list is said, so that silence is never taken for it."""
    assert waiting_text([], NOW) == "Nothing waits for a person. (14 March 2026, 14:05)\n"


def test_waiting_has_one_line_each() -> None:
    """Each thing that waits has its job, name, folder, reason and next step on one line."""
    lines = [
        WaitingLine(123, "heron.tif", "held/smooth-rag/heron--000123", "It has 128 ppi.", "Tick."),
        WaitingLine(None, "weir\n.tif", "hot", "It lies in no surface's folder.", "Move it."),
    ]
    text = waiting_text(lines, NOW).splitlines()
    assert text[0].startswith("2 things wait")
    assert text[2:] == [
        "000123  heron.tif in held/smooth-rag/heron--000123: It has 128 ppi. Tick.",
        "weir .tif in hot: It lies in no surface's folder. Move it.",
    ]
