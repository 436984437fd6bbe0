"""The morning digest: made every day, sent by ways that fail, and silent about its secrets."""

import http.server
import json
import os
import sqlite3
import time
from pathlib import Path

import pytest
from at_night import Later, entries, nights
from at_work import ask_here
from mornings import (
    Channel,
    MailServer,
    add_settings,
    one_morning,
    opened,
    serving,
    until_told,
    write_certificate,
)

from platemark.app.page.studio_seen import StudioSeen
from platemark.app.page.views_now import _state as now_view
from platemark.engine import morning_sending
from platemark.engine.morning_files import forget_words
from platemark.engine.workshop import Folders
from platemark.ledger.erasing import KIND as ERASED_KIND

SECRET, ADDRESS, USER = "quite-a-secret-word", "ilka@quillfen.example", "prints-login"
MAIL = """
[morning]
send = ["mail"]
credentials = "{credentials}"
[morning.mail]
host = "localhost"
port = {port}
security = "{security}"
sender = "prints@quillfen.example"
to = ["{to}"]
"""


def mornings(root: Path) -> list[tuple[str, bool, int]]:
    """Local date of each digest, whether it was late, and how many were missed before it."""
    return [
        (each.body["local_date"], each.body["late"], each.body["missed"])
        for each in entries(root, "morning-written")
    ]


def outcomes(root: Path) -> list[tuple[str, str]]:
    """Way and outcome of each try on record."""
    return [(each.body["way"], each.body["outcome"]) for each in entries(root, "morning-told")]


@pytest.fixture
def secrets(tmp_path: Path) -> Path:
    """A credentials file as it should be."""
    path = tmp_path / "credentials.toml"
    path.write_text(f'mail_user = "{USER}"\nmail_password = "{SECRET}"\n')
    path.chmod(0o600)
    return path


def test_a_morning_tells_of_everything(swept: Path) -> None:
    """Taken, sent, held with its reason, and what to do, as text and page; the record holds it."""
    one_morning(swept, 1)
    text = (swept / "MORNING.txt").read_text()
    for words in ("TO DO TODAY", "1 held picture waits for", "TAKEN IN", "SENT", "HELD, AND WHY",
                  "has no colour profile", "Nothing says when your display was calibrated",
                  "No backup of the studio was ever made", "The next one is due"):  # fmt: skip
        assert words in text
    assert "Nothing is on its way." in text
    page = (swept / "MORNING.html").read_text()
    assert "default-src 'none'" in page
    assert "has no colour profile" in page
    ((day, _, _),) = mornings(swept)
    for kind in ("txt", "html", "json"):
        assert (swept / f"mornings/{day}.{kind}").is_file()
    assert ask_here(swept, "ledger", "verify")[0] == 0
    assert nights(swept) == []


def test_a_quiet_day_has_its_digest_too(swept: Path) -> None:
    """The second morning says that nothing happened; one a date, however often it is asked."""
    one_morning(swept, 1)
    one_morning(swept, 2)
    one_morning(swept, 2)
    assert len(mornings(swept)) == 2
    text = (swept / "MORNING.txt").read_text()
    assert "Nothing was dropped." in text
    assert "Nothing was sent." in text
    assert "(since " in text


def test_missed_mornings_are_caught_up_once_and_called_late(swept: Path) -> None:
    """Down over four: one digest when it runs again, which says so, for all of the time."""
    one_morning(swept, 1)
    one_morning(swept, 6)
    assert len(mornings(swept)) == 2
    assert mornings(swept)[-1][1:] == (True, 4)
    assert "4 mornings before it had none" in " ".join((swept / "MORNING.txt").read_text().split())


def test_past_ones_go_after_their_time(swept: Path) -> None:
    """They stay as long as [morning] says; what is not ours in that folder stays."""
    add_settings(swept, "[morning]\nkeep_days = 3")
    one_morning(swept, 1)
    ((first, _, _),) = mornings(swept)
    (swept / "mornings/notes.txt").write_text("mine")
    one_morning(swept, 3)
    assert (swept / f"mornings/{first}.txt").is_file()
    one_morning(swept, 6)
    assert not (swept / f"mornings/{first}.txt").exists()
    assert (swept / "mornings/notes.txt").is_file()


def test_stopped_before_it_was_recorded_it_is_made_again(
    swept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files were written and no entry was: the next start makes the same date's, once."""
    with opened(swept, Later(days=1)) as studio:
        studio.dispatch.morning.daily = True
        studio.dispatch.morning.tend(lambda: ())
        studio.dispatch.morning.stop()
    assert (swept / "MORNING.txt").is_file()
    assert mornings(swept) == []
    one_morning(swept, 1)
    assert len(mornings(swept)) == 1


def test_words_that_are_erased_meanwhile(swept: Path) -> None:
    """A digest that was begun before, and may hold them, is made anew; a later try sends it so."""
    clock = Later(days=1)
    with MailServer() as server, serving(server):
        server.answers = {"MAIL": ["451 later"]}
        add_settings(swept, MAIL.format(
            credentials="", port=server.port, security="none", to=ADDRESS
        ).replace('credentials = ""\n', ""))  # fmt: skip
        with opened(swept, clock) as studio:
            studio.dispatch.morning.daily = True
            studio.dispatch.morning.tend(lambda: ())
            studio.dispatch.morning.stop()
            with studio.workshop.ledger.transaction() as transaction:
                transaction.append(ERASED_KIND, {"words": []})
            (swept / "MORNING.txt").write_text("Quercus Family")
            until_told(studio)
            assert outcomes(swept) == [("mail", "refused")]
            kept = next((swept / "mornings").glob("*.json"))
            kept.write_text(kept.read_text().replace('"headline": "', '"headline": "(erased) '))
            until_told(studio, clock)
    assert len(mornings(swept)) == 1
    assert "Quercus" not in (swept / "MORNING.txt").read_text()
    ((_, sent),) = server.mails
    assert "(erased)" in sent.get_body(("plain",)).get_content()


def test_a_clients_words_can_be_taken_out(swept: Path) -> None:
    """They stand in the files, in no entry; erased, every digest is written anew without them."""
    with sqlite3.connect(swept / "ledger.sqlite3") as connection:
        words = [text for (text,) in connection.execute("SELECT text FROM words")]
    one_morning(swept, 1)
    kept = next((swept / "mornings").glob("*.json"))
    plain = json.loads(kept.read_text())
    part = next(each for each in plain["parts"] if each["part"] == "taken")
    part["lines"][0]["private"] = "Alder and Finch"
    kept.write_text(json.dumps(plain))
    assert forget_words(Folders(swept, swept / "hot"), ["Alder and Finch"]) == 1
    for path in (swept / "MORNING.txt", swept / "MORNING.html", *(swept / "mornings").iterdir()):
        assert "Alder" not in path.read_text()
    assert "(erased)" in (swept / "MORNING.txt").read_text()
    bodies = " ".join(json.dumps(each.body) for each in entries(swept, "morning-written"))
    assert not any(word in bodies for word in words if word)


def test_mail_is_sent_encrypted_with_its_password(
    swept: Path, tmp_path: Path, secrets: Path, monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """A real server gets text and page; the record says that it did, without names or secrets."""
    certificate = write_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with MailServer(certificate) as server, serving(server):
        add_settings(swept, MAIL.format(
            credentials=secrets, port=server.port, security="starttls", to=ADDRESS
        ))  # fmt: skip
        one_morning(swept, 1)
    ((to, mail),) = server.mails
    assert to == [ADDRESS]
    assert mail["Subject"].startswith("Test studio: ")
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Message-ID"].startswith("<morning.")
    body, page = mail.get_body(("plain",)), mail.get_body(("html",))
    assert body is not None
    assert page is not None
    assert "HELD, AND WHY" in body.get_content()
    assert "<!doctype html>" in page.get_content()
    assert len(server.logins) == 1
    assert outcomes(swept) == [("mail", "sent")]
    said = " ".join(json.dumps(each.body) for each in entries(swept, "morning-told"))
    for word in (SECRET, ADDRESS, USER, "quillfen"):
        assert word not in said
    # Nor does any file of the studio, nor the log, have the password.
    files = [path for path in swept.rglob("*") if path.is_file()]
    assert not any(SECRET.encode() in path.read_bytes() for path in files)
    assert SECRET not in "".join(capfd.readouterr())
    assert SECRET not in mail.as_string()


def test_the_command_says_and_sends_it(swept: Path, secrets: Path) -> None:
    """`morning` says what a digest would, `--json` for a program, `--send` tries each way once."""
    code, text = ask_here(swept, "morning")
    assert code == 0
    assert "HELD, AND WHY" in text
    told = json.loads(ask_here(swept, "morning", "--json")[1])
    assert told["headline"] in " ".join(text.split())
    assert [part["part"] for part in told["parts"]][:2] == ["to-do", "wrong"]
    code, text = ask_here(swept, "morning", "--send")
    assert code == 2
    assert "Nothing in studio.toml says how to send the digest." in text
    with MailServer() as server, serving(server):
        add_settings(swept, MAIL.format(
            credentials=secrets, port=server.port, security="none", to=ADDRESS
        ))  # fmt: skip
        assert ask_here(swept, "morning", "--send") == (0, "mail: it was sent.\n")
        server.answers = {"MAIL": ["451 later"]}
        code, text = ask_here(swept, "morning", "--send")
    assert (code, text) == (1, "mail: the other end refused it (it answered 451).\n")
    ((_, mail),) = server.mails
    assert mail["Subject"].endswith("(a trial)")
    secrets.chmod(0o644)
    code, text = ask_here(swept, "morning", "--send")
    assert code == 2
    assert "may be read or changed by others (its rights are 0644)" in " ".join(text.split())
    assert SECRET not in text
    # A trial leaves nothing behind.
    assert mornings(swept) == []
    assert not (swept / "MORNING.txt").exists()


def test_a_server_that_nobody_knows_gets_nothing(
    swept: Path, tmp_path: Path, secrets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither mail nor password goes to one whose certificate proves nothing."""
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    with MailServer(write_certificate(tmp_path)) as server, serving(server):
        add_settings(swept, MAIL.format(
            credentials=secrets, port=server.port, security="starttls", to=ADDRESS
        ))  # fmt: skip
        one_morning(swept, 1)
    assert (server.mails, server.logins) == ([], [])
    assert outcomes(swept) == [("mail", "certificate")]


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_nothing_is_sent_where_nothing_is_encrypted(
    security: str, swept: Path, secrets: Path
) -> None:
    """A server without encryption, or the wrong port of one, hears no name and no password."""
    with MailServer() as server, serving(server):
        add_settings(swept, MAIL.format(
            credentials=secrets, port=server.port, security=security, to=ADDRESS
        ))  # fmt: skip
        one_morning(swept, 1)
    assert (server.mails, server.logins) == ([], [])
    assert outcomes(swept) == [("mail", "unencrypted")]


def test_it_is_tried_again_until_it_is_taken(swept: Path) -> None:
    """Refused twice and then taken: three tries on record, one mail, and nothing waits any more."""
    with MailServer() as server, serving(server):
        server.answers = {"MAIL": ["451 later", "451 later"]}
        add_settings(swept, MAIL.format(
            credentials="", port=server.port, security="none", to=ADDRESS
        ).replace('credentials = ""\n', ""))  # fmt: skip
        one_morning(swept, 1, over_pauses=True)
        one_morning(swept, 1, over_pauses=True)
    assert outcomes(swept) == [("mail", "refused"), ("mail", "refused"), ("mail", "sent")]
    assert len(server.mails) == 1


def test_it_is_given_up_in_the_end_and_told(swept: Path) -> None:
    """Six tries; the next digest, WAITING.txt's lines and doctor say that nobody got it."""
    add_settings(swept, MAIL.format(
        credentials="", port=9, security="none", to=ADDRESS
    ).replace('credentials = ""\n', ""))  # fmt: skip
    clock = Later(days=1)
    with opened(swept, clock) as studio:
        until_told(studio, clock)
        (line,) = studio.dispatch.morning.lines()
    assert "cannot be reached" in line.sentence
    assert outcomes(swept) == [("mail", "unreachable")] * (len(morning_sending.PAUSES_S) + 1)
    assert "cannot be reached" in ask_here(swept, "doctor")[1]
    (told,) = now_view(StudioSeen.of(swept))["troubles"]
    assert "was not sent (mail): the other end cannot be reached. It was given up" in told
    one_morning(swept, 2)
    assert "could not be sent by mail, after 6 tries" in " ".join(
        (swept / "MORNING.txt").read_text().split()
    )


def test_a_wrong_password_is_not_tried_for_ever(
    swept: Path, tmp_path: Path, secrets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twice, and no more: a server may close the account."""
    certificate = write_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with MailServer(certificate) as server, serving(server):
        server.answers = {"AUTH": ["535 no"] * 9}
        add_settings(swept, MAIL.format(
            credentials=secrets, port=server.port, security="starttls", to=ADDRESS
        ))  # fmt: skip
        one_morning(swept, 1, over_pauses=True)
    assert outcomes(swept) == [("mail", "login")] * 2


def test_a_server_that_hangs_holds_nobody_up(swept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No turn waits for it; in time it counts as silent, and another try gets through."""
    monkeypatch.setattr(morning_sending, "PATIENCE_S", 1.0)
    with MailServer() as server, serving(server):
        server.hangs.set()
        add_settings(swept, MAIL.format(
            credentials="", port=server.port, security="none", to=ADDRESS
        ).replace('credentials = ""\n', ""))  # fmt: skip
        clock = Later(days=1)
        with opened(swept, clock) as studio:
            morning = studio.dispatch.morning
            morning.daily = True
            longest, deadline = 0.0, time.monotonic() + 20
            while not outcomes(swept):
                assert time.monotonic() < deadline
                began = time.monotonic()
                studio.dispatch.turn()
                longest = max(longest, time.monotonic() - began)
                time.sleep(0.02)
            assert longest < 0.7
            server.hangs.clear()
            until_told(studio, clock)
    assert outcomes(swept) == [("mail", "silent"), ("mail", "sent")]


def test_channels_get_what_is_to_do_and_no_names(
    swept: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Two channels of Apprise, one of which refuses at first: each is tried by itself."""
    Channel.told.clear()
    Channel.statuses[:] = [500]
    path = tmp_path / "credentials.toml"
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Channel) as server, serving(server):
        at = f"127.0.0.1:{server.server_address[1]}"
        path.write_text(f'channels = ["json://{SECRET}:x@{at}/a", "json://{at}/b"]\n')
        path.chmod(0o600)
        add_settings(swept, f'[morning]\nsend = ["channels"]\ncredentials = "{path}"')
        one_morning(swept, 1, over_pauses=True)
    assert [outcome for _, outcome in outcomes(swept)].count("sent") == 2
    assert [outcome for _, outcome in outcomes(swept)].count("refused") == 1
    assert len(Channel.told) == 2
    for told in Channel.told:
        assert told["title"].startswith("Test studio: ")
        assert "1 held picture waits for" in told["message"]
    assert SECRET not in capfd.readouterr().err
    assert SECRET not in json.dumps([each.body for each in entries(swept, "morning-told")])


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda path: path.chmod(0o640), "may be read or changed by others"),
        (lambda path: path.parent.chmod(0o777), "may be changed by others"),
        (lambda path: path.unlink(), "cannot be read"),
        (lambda path: path.write_text("mail_pasword = 1"), "cannot be understood"),
        (lambda path: path.rename(path.with_name("x")) and path.symlink_to("x"), "cannot be read"),
        pytest.param(
            lambda path: os.chown(path, 12345, -1), "another account", marks=pytest.mark.root
        ),
    ],
)
def test_an_open_credentials_file_is_refused_loudly(
    spoil: "object", said: str, swept: Path, tmp_path: Path
) -> None:
    """Nothing is sent; WAITING.txt, the record and doctor say so, and the digest is made."""
    folder = tmp_path / "etc"
    folder.mkdir(mode=0o700)
    path = folder / "credentials.toml"
    path.write_text(f'mail_password = "{SECRET}"\n')
    path.chmod(0o600)
    assert callable(spoil)
    spoil(path)
    with MailServer() as server, serving(server):
        add_settings(swept, MAIL.format(
            credentials=path, port=server.port, security="none", to=ADDRESS
        ))  # fmt: skip
        one_morning(swept, 1)
        code, doctor = ask_here(swept, "doctor")
    assert server.talks == 0
    assert outcomes(swept) == [("credentials", "credentials")]
    assert (swept / "MORNING.txt").is_file()
    assert code == 1
    assert said in doctor
    assert SECRET not in doctor


def test_credentials_in_the_studio_are_refused(swept: Path) -> None:
    """A backup would copy them."""
    path = swept / "credentials.toml"
    path.write_text('mail_password = "x"\n')
    path.chmod(0o600)
    add_settings(swept, f'[morning]\ncredentials = "{path}"')
    code, doctor = ask_here(swept, "doctor")
    assert code == 1
    assert "lies in the studio's folder" in doctor


def test_reminders_of_what_good_prints_rest_on(swept: Path) -> None:
    """A calibration beyond its limit, a bright display and an old sample are things to do."""
    add_settings(
        swept,
        '[display]\ncalibrated = 2020-01-05\nwhite = "D65"\nluminance = 250\nlimit_days = 30',
    )
    surface = next((swept / "surfaces").glob("*.toml"))
    text = surface.read_text()
    place = text.index("\n[")
    surface.write_text(f"{text[:place]}\nsample_seen = 2021-03-02{text[place:]}")
    one_morning(swept, 1)
    text = " ".join((swept / "MORNING.txt").read_text().split())
    assert "The display was calibrated on 5 January 2020" in text
    assert "to D65 and 250 cd/m²: more than 30 days." in text
    assert "prints look too dark beside the display" in text
    assert "was seen on 2 March 2021, more than 365 days ago" in text
    tasks = text[text.index("TO DO TODAY") : text.index("WHAT WENT WRONG")]
    assert "Calibrate it" in tasks
