"""Use case: send a quote's e-mail through the house's mail server; sent is an event."""

from __future__ import annotations

__all__ = ["MailError", "MailServer", "Sent", "send_quote"]

import smtplib
import ssl
from dataclasses import dataclass, field
from email.message import EmailMessage

import sqlalchemy as sa

from app.ledger.engine import transaction
from app.ledger.errors import LedgerError, NotFound
from app.ledger.events.actions import record
from app.ledger.events.models import Event
from app.ledger.jobs.models import QuoteRevision
from app.ledger.users.models import Role
from app.ledger.work import Work

_SENT = "quote sent"
_SECONDS = 20


class MailError(LedgerError):
    """The mail server did not take the message; nothing was sent."""

    def __init__(self, message: str) -> None:
        super().__init__("", f"Not sent. {message} Save the e-mail as a file instead, and send it from your mail.")


@dataclass(frozen=True, slots=True)
class MailServer:
    """The house's mail server, out of the environment. security: starttls, tls, or none (a server of one's own)."""

    host: str
    port: int = 587
    user: str = ""
    password: str = field(default="", repr=False)
    security: str = "starttls"


@dataclass(frozen=True, slots=True)
class Sent:
    """To whom a message went just now (nobody: this press had sent it before), and whom the server refuses."""

    to: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()


def send_quote(work: Work, quote_id: int, message: EmailMessage, server: MailServer, token: str) -> Sent:
    """Send a quote revision's message. token: one press, one message.

    Raises MailError when the server takes it for nobody, NotFound. The message goes first and the event after,
    outside any transaction: a slow mail server must not keep the ledger from others.
    """
    work.require(Role.COUNTER, Role.BENCH)
    revision = work.session.get(QuoteRevision, quote_id)
    if revision is None:
        raise NotFound("quote")
    job, number = revision.job, f"{revision.job.number}-{revision.revision}"
    earlier = work.session.scalars(sa.select(Event).where(Event.job_id == job.id, Event.kind == _SENT))
    if any(event.detail.get("token") == token for event in earlier):
        return Sent()
    work.session.rollback()
    refused = _deliver(message, server)
    everybody = [address.addr_spec for address in message["To"].addresses]
    sent = Sent(tuple(one for one in everybody if one not in refused), tuple(refused))
    with transaction(work.session):
        record(
            work,
            _SENT,
            f"job {job.number}",
            f"Quote {number} sent to {', '.join(sent.to)}",
            job_id=job.id,
            revision=revision.revision,
            token=token,
        )
    return sent


def _deliver(message: EmailMessage, server: MailServer) -> list[str]:
    """Hand the message over; the addresses that the server refuses while it takes it for others."""
    try:
        with _connection(server) as connection:
            if server.security == "starttls":
                connection.starttls(context=ssl.create_default_context())
            if server.user:
                connection.login(server.user, server.password)
            return sorted(connection.send_message(message))
    except smtplib.SMTPAuthenticationError as error:
        raise MailError("The mail server refused the house's user name or password.") from error
    except smtplib.SMTPRecipientsRefused as error:
        raise MailError(f"The mail server refuses the address {', '.join(error.recipients)[:200]}.") from error
    except smtplib.SMTPResponseException as error:
        raise MailError(f"The mail server answered {error.smtp_code}.") from error
    except smtplib.SMTPNotSupportedError as error:
        raise MailError(
            "The mail server does not offer what the settings ask of it (STARTTLS or a login)."
        ) from error
    except ssl.SSLError as error:
        raise MailError(
            f"On port {server.port} the mail server {server.host} does not speak TLS, or shows a certificate that is "
            "not trusted here."
        ) from error
    except (OSError, smtplib.SMTPException) as error:
        raise MailError(f"The mail server {server.host} could not be reached on port {server.port}.") from error


def _connection(server: MailServer) -> smtplib.SMTP:
    if server.security == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=_SECONDS, context=ssl.create_default_context())
    return smtplib.SMTP(server.host, server.port, timeout=_SECONDS)
