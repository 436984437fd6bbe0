"""Mail by SMTP (RFC 5321), encrypted, as text and page in one (RFC 2046)."""

from __future__ import annotations

import smtplib
import ssl
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from platemark.model.morning import Mail
from platemark.telling import Message, Told
from platemark.telling.credentials import Credentials

PATIENCE_S = 60.0
"""So long each word of the server is waited for."""


def send_mail(
    message: Message, mail: Mail, credentials: Credentials, to: tuple[str, ...] = ()
) -> Told:
    """Send a message to everybody, or to those that an earlier try has left.

    It waits as long as the server lets it; nothing of what the server said is given back.

    Args:
        message: What is told.
        mail: The server, and to whom it goes.
        credentials: Name and password; without a name nobody logs in.
        to: Addresses, where not all.
    """
    wanted = to or mail.to
    try:
        with _connected(mail) as server:
            if credentials.mail_user and mail.security != "none":
                server.login(credentials.mail_user, credentials.mail_password)
            refused = server.send_message(_written(message, mail, wanted), mail.sender, wanted)
    except smtplib.SMTPAuthenticationError as error:
        return Told("login", error.smtp_code)
    except smtplib.SMTPRecipientsRefused as error:
        codes = [code for code, _ in error.recipients.values()]
        return Told("refused", max(codes, default=None))
    except smtplib.SMTPNotSupportedError:
        return Told("unencrypted")
    except smtplib.SMTPResponseException as error:
        return Told("refused", error.smtp_code)
    except ssl.SSLCertVerificationError:
        return Told("certificate")
    except ssl.SSLError:
        # What answers there speaks no TLS, as at the port for STARTTLS.
        return Told("unencrypted")
    except (OSError, smtplib.SMTPException):
        return Told("unreachable")
    if refused:
        code = max(code for code, _ in refused.values())
        return Told("partly", code, tuple(refused))
    return Told("sent")


def _connected(mail: Mail) -> smtplib.SMTP:
    """A server that was greeted, encrypted where it must be."""
    # The computer's own name is nobody's business, and looking it up may hang.
    us = mail.sender.rpartition("@")[2].encode("idna").decode()
    if mail.security == "tls":
        return smtplib.SMTP_SSL(
            mail.host, mail.port, us, timeout=PATIENCE_S, context=ssl.create_default_context()
        )
    server = smtplib.SMTP(mail.host, mail.port, us, timeout=PATIENCE_S)
    if mail.security == "starttls":
        try:
            server.starttls(context=ssl.create_default_context())
        except BaseException:
            with suppress(OSError):
                server.close()
            raise
    return server


def _written(message: Message, mail: Mail, to: tuple[str, ...]) -> EmailMessage:
    written = EmailMessage(policy=SMTP)
    written["Subject"] = message.subject
    written["From"] = Address("Platemark", addr_spec=mail.sender)
    written["To"] = [Address(addr_spec=each) for each in to]
    written["Date"] = format_datetime(message.at)
    written["Message-ID"] = f"<{message.ident}@{mail.sender.rpartition('@')[2]}>"
    # Nobody is to be answered by a machine (RFC 3834).
    written["Auto-Submitted"] = "auto-generated"
    written.set_content(message.text)
    written.add_alternative(message.html, subtype="html")
    return written
