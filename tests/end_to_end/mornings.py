"""A server for mail and one for channels, and mornings of a studio that is open."""

import http.server
import json
import socketserver
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any, ClassVar

from at_night import Later
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from platemark.app.open_studio import OpenStudio, open_studio

PATIENCE_S = 30


class MailServer(socketserver.ThreadingTCPServer):
    """A small server for mail (RFC 5321), with STARTTLS (RFC 3207) and AUTH PLAIN (RFC 4954)."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, certificate: Path | None = None) -> None:
        """Listen; encrypted after STARTTLS where there is a certificate with its key."""
        super().__init__(("127.0.0.1", 0), _Talk)
        self.certificate = certificate
        self.mails: list[tuple[list[str], EmailMessage]] = []
        self.logins: list[str] = []
        self.answers: dict[str, list[str]] = {}
        """What is answered once each, instead of the usual, by the first word of a command."""
        self.hangs = threading.Event()
        self.talks = 0

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.server_address[1])


class _Talk(socketserver.StreamRequestHandler):
    server: MailServer

    def handle(self) -> None:
        self.server.talks += 1
        if self.server.hangs.is_set():
            time.sleep(PATIENCE_S)
            return
        self._to: list[str] = []
        self._say("220 here")
        while line := self.rfile.readline():
            text = line.decode().strip()
            word = text.split(" ")[0].upper()
            queued = self.server.answers.get(word)
            if queued:
                self._say(queued.pop(0))
            elif not self._answer(word, text):
                return

    def _answer(self, word: str, text: str) -> bool:
        if word == "EHLO":
            encrypted = isinstance(self.connection, ssl.SSLSocket)
            starttls = self.server.certificate is not None and not encrypted
            self._say("250-here\r\n" + ("250 STARTTLS" if starttls else "250 AUTH PLAIN"))
        elif word == "STARTTLS" and self.server.certificate is not None:
            self._say("220 go on")
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(self.server.certificate)
            self.connection = context.wrap_socket(self.connection, server_side=True)
            self.rfile, self.wfile = self.connection.makefile("rb"), self.connection.makefile("wb")
        elif word == "AUTH":
            self.server.logins.append(text)
            self._say("235 welcome")
        elif word == "RCPT":
            self._to.append(text.partition("<")[2].rpartition(">")[0])
            self._say("250 yes")
        elif word == "DATA":
            self._say("354 go on")
            lines = []
            while (line := self.rfile.readline()) != b".\r\n":
                lines.append(line.removeprefix(b"."))
            mail = message_from_bytes(b"".join(lines), policy=default)
            assert isinstance(mail, EmailMessage)
            self.server.mails.append((self._to, mail))
            self._say("250 taken")
        elif word == "QUIT":
            self._say("221 bye")
            return False
        else:
            self._say("250 yes")
        return True

    def finish(self) -> None:
        """Close what was encrypted too; the server itself knows only what it began with."""
        super().finish()
        if isinstance(self.connection, ssl.SSLSocket):
            self.connection.close()

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())
        self.wfile.flush()


class Channel(http.server.BaseHTTPRequestHandler):
    """Where Apprise's `json://` channel posts to; status codes are given in turn, then 200."""

    told: ClassVar[list[dict[str, Any]]] = []
    statuses: ClassVar[list[int]] = []

    def do_POST(self) -> None:
        """Take what is told."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        status = Channel.statuses.pop(0) if Channel.statuses else 200
        if status == 200:
            Channel.told.append(json.loads(body))
        self.send_response(status)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def serving(server: socketserver.BaseServer) -> Iterator[socketserver.BaseServer]:
    """A server that answers while the block runs."""
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()


def write_certificate(folder: Path) -> Path:
    """A certificate for localhost with its key, in one file that also says whom to trust."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    path = folder / "localhost.pem"
    path.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        + made.public_bytes(serialization.Encoding.PEM)
    )
    return path


def add_settings(studio: Path, text: str) -> None:
    """Add sections to a studio's settings."""
    toml = studio / "studio.toml"
    toml.write_text(f"{toml.read_text()}\n{text}\n")


def until_told(studio: OpenStudio, clock: Later | None = None) -> None:
    """Tend the morning until it rests; with a clock, go over the pauses between tries as well."""
    morning = studio.dispatch.morning
    morning.daily = True
    deadline = time.monotonic() + PATIENCE_S
    rested = 0
    while rested < (8 if clock is not None else 3):
        assert time.monotonic() < deadline
        morning.tend(lambda: ())
        rested = 0 if morning.is_at_work else rested + 1
        if clock is not None and not morning.is_at_work:
            clock.waited += 11_000
        time.sleep(0.01)


@contextmanager
def opened(root: Path, clock: Later) -> Iterator[OpenStudio]:
    """A studio open for mornings alone."""
    with open_studio(root, clock) as studio:
        try:
            yield studio
        finally:
            studio.dispatch.stop()


def one_morning(root: Path, days: float, *, over_pauses: bool = False) -> None:
    """Open a studio so many days later, let its digest be made and sent, and close it."""
    clock = Later(days=days)
    with opened(root, clock) as studio:
        until_told(studio, clock if over_pauses else None)
