"""E-mail through the house's mail server, such as a quote's; sent is an event."""

import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.message import EmailMessage
from threading import Lock

import sqlalchemy as sa

from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import Event, QuoteRevision, Role

QUOTE_SENT = "quote sent"
_SECONDS = 20
_LOCK, _ON_ITS_WAY = Lock(), set[str]()


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
    """Send a quote revision's message, as `send_once` does; NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    revision = get_row(work.session, QuoteRevision, quote_id, "quote")
    job, number = revision.job, quote_number(revision.job.number, revision.revision)
    return send_once(
        work, message, server, token, kind=QUOTE_SENT, about=f"job {job.number}", what=f"Quote {number}",
        job_id=job.id, revision=revision.revision,
    )  # fmt: skip


def send_once(
    work: Work,
    message: EmailMessage,
    server: MailServer,
    token: str,
    *,
    kind: str,
    about: str,
    what: str,
    job_id: int | None,
    **detail: int,
) -> Sent:
    """Send a message and record that in an event of this kind. token: one press, one message.

    Raises MailError when the server takes it for nobody. The message goes first and the event after, outside any
    transaction: a slow mail server must not keep the ledger from others. A press that comes while an earlier one of
    the same page still talks to the server is refused with LedgerError.
    """
    with _once(token):
        work.session.rollback()  # what an earlier press put on record is seen only by a fresh look
        earlier = work.session.scalars(sa.select(Event).where(Event.subject == about, Event.kind == kind))
        if any(event.detail.get("token") == token for event in earlier):
            return Sent()
        work.session.rollback()
        refused = _deliver(message, server)
        everybody = [address.addr_spec for address in message["To"].addresses]
        sent = Sent(tuple(one for one in everybody if one not in refused), tuple(refused))
        with transaction(work.session):
            record(work, kind, about, f"{what} sent to {', '.join(sent.to)}", job_id=job_id, token=token, **detail)
        return sent


@contextmanager
def _once(token: str) -> Iterator[None]:
    """Lets one press of a page through at a time: until the server has answered, no event says that it was sent."""
    with _LOCK:
        if token in _ON_ITS_WAY:
            raise LedgerError("", "This e-mail is on its way already: see the job's story whether it was sent.")
        _ON_ITS_WAY.add(token)
    try:
        yield
    finally:
        _ON_ITS_WAY.discard(token)


def _deliver(message: EmailMessage, server: MailServer) -> list[str]:
    """Hand the message over; the addresses that the server refuses while it takes it for others."""
    connection = None
    try:
        connection = _connection(server)
        if server.security == "starttls":
            connection.starttls(context=ssl.create_default_context())
        if server.user:
            connection.login(server.user, server.password)
        return sorted(connection.send_message(message))
    except OSError as error:  # smtplib's and ssl's are of this kind, too
        raise MailError(_why(error, server, is_reached=connection is not None)) from error
    finally:
        if connection is not None:
            # What the server says to our leave, or does not say, changes nothing: the message is taken or refused.
            with suppress(OSError):
                connection.quit()
            connection.close()


def _connection(server: MailServer) -> smtplib.SMTP:
    """The server once it has greeted."""
    if server.security == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=_SECONDS, context=ssl.create_default_context())
    return smtplib.SMTP(server.host, server.port, timeout=_SECONDS)


def _why(error: OSError, server: MailServer, *, is_reached: bool) -> str:
    """Why the message was not taken, in a sentence."""
    on_port = f"On port {server.port} the mail server {server.host}"
    match error:
        case smtplib.SMTPAuthenticationError():
            return "The mail server refused the house's user name or password."
        case smtplib.SMTPRecipientsRefused():
            said = _words(*next(iter(error.recipients.values())))
            return f"The mail server refuses the address {', '.join(error.recipients)[:200]}: {said}."
        case smtplib.SMTPSenderRefused():
            said = _words(error.smtp_code, error.smtp_error)
            return f"The mail server refuses the house's own address {error.sender}: {said}."
        case smtplib.SMTPResponseException():
            return f"The mail server answered {_words(error.smtp_code, error.smtp_error)}."
        case smtplib.SMTPNotSupportedError():
            return "The mail server does not offer what the settings ask of it (STARTTLS or a login)."
        case ssl.SSLCertVerificationError():
            told = f"shows a certificate that is not trusted here: {error.verify_message.rstrip('.')}."
            return f"{on_port} {told}"
        case ssl.SSLError():
            return f"{on_port} does not speak TLS as the settings ask."
        case _ if not is_reached:
            return f"The mail server {server.host} could not be reached on port {server.port}."
        case smtplib.SMTPException() if not isinstance(error, smtplib.SMTPServerDisconnected):
            return "The mail server offers no way to log in that is known here."
        case _:
            return f"The mail server {server.host} broke off, so ask whether it arrived before you send it again."


def _words(code: int, said: bytes | str) -> str:
    """A server's refusal as a person may read it: its number and the beginning of its own words."""
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    return f"{code} {plain[:120]}".strip().rstrip(".")
