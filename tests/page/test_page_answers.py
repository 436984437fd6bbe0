"""Answers given on the page: the same as a sheet's, bound to what was seen, taken once."""

import json
import re
import time
from http import HTTPStatus
from pathlib import Path

from at_page import SCRIPT_NAME, Shown, served
from at_work import jobs
from recalled_studio import swept

Fields = list[tuple[str, str]]
WITHDRAW: Fields = [("withdraw", "yes"), ("by", "Mira"), ("because", "not wanted")]


def held(studio: Path) -> dict[str, int]:
    return {job["original_name"]: job["job"] for job in jobs(studio) if job["state"] == "held"}


def waiting(studio: Path) -> list[dict[str, object]]:
    return [json.loads(each.read_bytes()) for each in (studio / "decisions").glob("*.json")]


def test_the_form_offers_what_the_sheet_does(page: Shown) -> None:
    """Each tick of ANSWER.txt is on the page, and no other."""
    for job in held(page.studio).values():
        sheet = next((page.studio / "held").glob(f"*/*--{job:06d}/ANSWER.txt")).read_text()
        of_sheet = set(
            re.findall(r"^\[ \] (accept \S+|set \S+?|withdraw)(?:   |$)", sheet, re.MULTILINE)
        )
        text = page.get(f"/job/{job}")[2]
        ticks = re.findall(r'<input type="checkbox" name="(\w+)" value="([^"]+)"', text)
        of_page = {"withdraw" if name == "withdraw" else f"{name} {value}" for name, value in ticks}
        assert of_page == of_sheet
        assert ('name="size"' in text) == ("set size =" in sheet)


def test_without_a_service_it_waits_in_decisions(page: Shown) -> None:
    """One file, bound to the entry that was seen; a sweep takes it. The page says that it waits."""
    job = held(page.studio)["untagged.tif"]
    hidden, browser = page.form_of(f"/job/{job}")
    fields = [*hidden.items(), *WITHDRAW]
    status, headers, _ = page.send(fields, browser)
    assert status == HTTPStatus.SEE_OTHER
    (decision,) = waiting(page.studio)
    assert (decision["job"], decision["by"], decision["withdraw"]) == (job, "Mira", True)
    assert f"{job}:{decision['expected_seq']}" == hidden["job"]
    _, _, text = page.get(headers["location"])
    assert "No service is running" in text
    # Sent twice, by a second click or a reload, it is one answer.
    assert page.send(fields, browser)[0] == HTTPStatus.SEE_OTHER
    assert len(waiting(page.studio)) == 1
    swept(page.studio)
    assert page.get(headers["location"])[2].count("It is withdrawn now") == 1
    assert page.send(fields, browser)[0] == HTTPStatus.SEE_OTHER
    # Gone back to, changed and sent again it is another answer, and it is said that it came late.
    other = [("accept", "colour-untagged"), ("by", "Mira"), ("because", "it is sRGB after all")]
    status, _, text = page.send([*hidden.items(), *other], browser)
    assert status == HTTPStatus.CONFLICT
    assert "Your answer was not taken" in text
    assert waiting(page.studio) == []


def test_an_answer_lets_a_job_go_on(page: Shown) -> None:
    """The service takes it while the sender waits, and the picture is printed."""
    job = held(page.studio)["untagged.tif"]
    with served(page.studio):
        hidden, browser = page.form_of(f"/job/{job}")
        answer = [("accept", "colour-untagged"), ("by", "Mira"), ("because", "a camera's sRGB")]
        status, headers, _ = page.send([*hidden.items(), *answer], browser)
        assert status == HTTPStatus.SEE_OTHER
        deadline = time.monotonic() + 60
        while "The answer was taken." not in page.get(headers["location"])[2]:
            assert time.monotonic() < deadline
            time.sleep(0.1)
    (told,) = [each for each in jobs(page.studio) if each["job"] == job]
    assert told["state"] in ("claimed", "examined", "rendered", "parcelled", "delivered")


WRONG: list[tuple[Fields, str]] = [
    ([("by", "Mira"), ("because", "x")], "Nothing is decided yet"),
    ([("withdraw", "yes"), ("because", "x")], "Say who decides"),
    ([("withdraw", "yes"), ("by", "Mallory"), ("because", "x")],
     "Mallory is not one of the studio&#39;s people (Mira, Asa)"),
    ([("withdraw", "yes"), ("by", "Mira"), ("because", "...")], "Say why"),
    ([("withdraw", "yes"), ("by", "Mira"), ("because", "x" * 501)], "at most 500 signs"),
    ([("accept", "colour-cmyk"), ("by", "Mira"), ("because", "x")], "not offered"),
    ([("set", "copies=900"), ("by", "Mira"), ("because", "x")], "not offered"),
    ([("accept", "colour-untagged"), ("by", "Asa"), ("because", "x")], "photographer"),
    ([("accept", "colour-untagged"), ("withdraw", "yes"), ("by", "Mira"), ("because", "x")],
     "both to withdraw"),
]  # fmt: skip


def test_what_is_not_right_is_said_and_kept(page: Shown) -> None:
    """The sentence says what; what was typed stays; nothing is written."""
    job = held(page.studio)["untagged.tif"]
    hidden, browser = page.form_of(f"/job/{job}")
    for fields, said in WRONG:
        status, _, text = page.send([*hidden.items(), *fields], browser)
        assert status == HTTPStatus.UNPROCESSABLE_ENTITY
        assert said in text
        assert 'role="alert"' in text
    assert waiting(page.studio) == []


def test_no_field_can_be_a_second_line(page: Shown) -> None:
    """A reason or a name with a line's end in it ticks nothing."""
    job = held(page.studio)["untagged.tif"]
    for ending in ("\n", "\r\n", "\r", "\x0b", "\x85", "\u2028", "\x00"):
        hidden, browser = page.form_of(f"/job/{job}")
        because = f"fine{ending}[x] withdraw{ending}by: Asa"
        fields = [("accept", "colour-untagged"), ("by", "Mira"), ("because", because)]
        page.send([*hidden.items(), *fields], browser)
    for decision in waiting(page.studio):
        assert decision["withdraw"] is False
        assert decision["by"] == "Mira"


def test_two_people_decide_one_job(page: Shown) -> None:
    """The first counts; the second is told by whom and when, and may answer what is held now."""
    job = held(page.studio)["untagged.tif"]
    with served(page.studio):
        first, of_first = page.form_of(f"/job/{job}")
        second, of_second = page.form_of(f"/job/{job}")
        assert page.send([*first.items(), *WITHDRAW], of_first)[0] == HTTPStatus.SEE_OTHER
        answer = [("accept", "colour-untagged"), ("by", "Mira"), ("because", "it is sRGB")]
        status, _, text = page.send([*second.items(), *answer], of_second)
    assert status == HTTPStatus.CONFLICT
    assert "has moved on since you looked at it. Mira gave another answer at" in text
    assert "It is withdrawn now" in text
    assert waiting(page.studio) == []


def test_two_at_the_same_moment(page: Shown) -> None:
    """Both were handed in before either was taken: one is refused by the service, and told."""
    job = held(page.studio)["untagged.tif"]
    sent = []
    for because in ("first", "second"):
        hidden, browser = page.form_of(f"/job/{job}")
        fields = [*hidden.items(), ("withdraw", "yes"), ("by", "Mira"), ("because", because)]
        sent.append(page.send(fields, browser)[1]["location"])
    swept(page.studio)
    told = [page.get(each)[2] for each in sent]
    assert sum("It is withdrawn now" in each for each in told) == 1
    assert sum("has moved on since" in each for each in told) == 1


def test_several_at_once(page: Shown) -> None:
    """One form, one name, one reason, a decision for each; one that moved on stops them all."""
    found = held(page.studio)
    several = "&".join(f"job={job}" for job in found.values())
    _, _, text = page.get(f"/held/together?{several}")
    assert "Answer all 2" in text
    targets = re.findall(r'name="job" value="([^"]+)"', text)
    assert len(targets) == len(found) == 2
    hidden, browser = page.form_of(f"/held/together?{several}")
    fields = [("mark", hidden["mark"]), ("nonce", hidden["nonce"]), *WITHDRAW]
    fields += [("job", target) for target in targets]
    stale = [(name, re.sub(r":\d+$", ":1", value)) if name == "job" else (name, value)
             for name, value in fields]  # fmt: skip
    assert page.send(stale, browser)[0] == HTTPStatus.CONFLICT
    assert waiting(page.studio) == []
    status, headers, _ = page.send(fields, browser)
    assert status == HTTPStatus.SEE_OTHER
    assert {decision["job"] for decision in waiting(page.studio)} == set(found.values())
    swept(page.studio)
    assert page.get(headers["location"])[2].count("It is withdrawn now") == 2


def test_hostile_names_are_only_words(page: Shown) -> None:
    """In every view they are text; turning marks are made visible."""
    for path in ("/", "/held", "/search?q=heron", f"/job/{held(page.studio)[SCRIPT_NAME]}",
                 "/parcel/brindlewick-000001", "/search?q=%3Cscript%3E"):  # fmt: skip
        text = page.get(path)[2]
        assert "<script>" not in text
        assert "<img src=x" not in text
        assert "\u202e" not in text
    assert "&lt;script&gt;" in page.get("/held")[2]
    # A number as long as an address can be is a number still.
    assert page.get(f"/job/{'0' * 5000}2")[0] == HTTPStatus.OK


def test_pictures_are_those_of_the_record(page: Shown, full: Path) -> None:
    """A proof by its hash; nothing else of the archive, no path, and none that was changed."""
    text = page.get("/parcel/brindlewick-000001")[2]
    addresses = sorted(set(re.findall(r"/picture/[0-9a-f]{64}\.jpg", text)))
    status, headers, _ = page.get(addresses[0])
    assert (status, headers["content-type"]) == (HTTPStatus.OK, "image/jpeg")
    original = jobs(full)[0]["original_sha256"]
    for path in (
        f"/picture/{original}.jpg", f"/picture/{'0' * 64}.jpg", "/picture/..%2f..%2fstudio.toml",
        "/assets/..%2fsite.py", "/assets/%2e%2e/site.py", "/drawing/3-1.jpg",
        "/parcel/..%2f..%2f/studio.toml", "/parcel/brindlewick-000001/..%2f..%2fstudio.toml",
    ):  # fmt: skip
        assert page.get(path)[0] == HTTPStatus.NOT_FOUND
    sha256 = addresses[0][9:-4]
    archived = full / "archive" / sha256[:2] / f"{sha256}.jpg"
    archived.chmod(0o644)
    archived.write_bytes(archived.read_bytes() + b"x")
    assert page.get(addresses[0])[0] == HTTPStatus.NOT_FOUND


def test_no_link_is_followed(page: Shown, full: Path, tmp_path: Path) -> None:
    """A link in the archive or in `work/shown/` to a file elsewhere shows nothing of it."""
    job = held(full)["untagged.tif"]
    address = re.findall(r"/drawing/[0-9-]+\.jpg", page.get(f"/job/{job}")[2])[0]
    assert page.get(address)[0] == HTTPStatus.OK
    (drawing,) = (full / "work/shown").glob(f"{job}-*.jpg")
    proof = re.findall(r"/picture/[0-9a-f]{64}\.jpg", page.get("/parcel/brindlewick-000001")[2])[0]
    archived = full / "archive" / proof[9:11] / proof[9:]
    for path, asked in ((drawing, address), (archived, proof)):
        elsewhere = tmp_path / path.name
        path.rename(elsewhere)
        path.symlink_to(elsewhere)
        assert page.get(asked)[0] == HTTPStatus.NOT_FOUND


def test_a_ticket_that_was_changed_is_not_shown(page: Shown, full: Path) -> None:
    """A paper is held against the list, the list against the record."""
    address = "/parcel/brindlewick-000001/ticket.html"
    status, headers, text = page.get(address)
    assert status == HTTPStatus.OK
    assert headers["content-security-policy"].startswith("sandbox; default-src 'none'")
    assert "brindlewick-000001" in text
    ticket = full / "outgoing/brindlewick/brindlewick-000001/ticket.html"
    ticket.chmod(0o644)
    ticket.write_text(text + "<p>two more copies</p>")
    assert page.get(address)[0] == HTTPStatus.NOT_FOUND
    assert page.get("/parcel/brindlewick-000001/bagit.txt")[0] == HTTPStatus.NOT_FOUND


def test_a_record_that_cannot_be_read_is_said(page: Shown, full: Path) -> None:
    """The page stays, and says in the record's own words what is wrong."""
    (full / "ledger.sqlite3").rename(full / "elsewhere")
    status, _, text = page.get("/")
    assert status == HTTPStatus.SERVICE_UNAVAILABLE
    assert "is not there" in text
    assert page.get("/healthz")[0] == HTTPStatus.SERVICE_UNAVAILABLE


def test_health_and_figures(page: Shown) -> None:
    """OpenMetrics text, read by its parser; a service at work is healthy."""
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    assert page.get("/healthz")[0] == HTTPStatus.SERVICE_UNAVAILABLE
    with served(page.studio):
        assert page.get("/healthz")[0] == HTTPStatus.OK
    status, headers, text = page.get("/metrics")
    assert status == HTTPStatus.OK
    assert headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert text.endswith("# EOF\n")
    samples = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert samples["platemark_jobs", "held"] == 2
    assert samples["platemark_jobs", "delivered"] == 3
    assert samples["platemark_service_running",] == 0
    assert samples["platemark_entries_total",] > 20
