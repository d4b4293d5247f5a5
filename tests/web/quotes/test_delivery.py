"""A quote's e-mail through a mail server that speaks TLS and asks for a login, and each way in which it fails."""

import base64
import socketserver
import ssl
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from email import message_from_bytes
from email.policy import default
from html import unescape
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.commands.certificate import write_certificate
from app.ledger.tables import Event, Role
from tests.desk import quoted
from tests.factories import FormClient
from tests.stocked import HARDWARE, empty_house
from tests.web.quotes.test_views import ClientAs

__all__ = ["empty_house"]

OFFICE = "counter@fenwickquay.example"
FORM = {
    "to": "k.teal@harbour.example",
    "subject": "Our quote – “Quay”",
    "body": "Good day,\nhere it is: 20 € off.\n.\nA line of one dot is above.",
    "token": "t" * 32,
    "press": "send",
}


class _Server(socketserver.ThreadingTCPServer):
    """A mail server; `wrong` is what it gets wrong, by the word that it answers so."""

    daemon_threads = True
    context: ssl.SSLContext
    is_tls_from_the_start = False
    login = b"\0quotes\0reed bed"
    offers = "AUTH PLAIN"

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.wrong: dict[bytes, str | None] = {}
        self.taken: list[bytes] = []
        self.secret: list[bool] = []


class _Talk(socketserver.StreamRequestHandler):
    server: _Server

    def say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode())

    def wrap(self) -> None:
        self.rfile.close()
        self.connection = self.server.context.wrap_socket(self.connection, server_side=True)
        self.rfile, self.wfile = self.connection.makefile("rb"), self.connection.makefile("wb", 0)

    def finish(self) -> None:
        super().finish()
        self.connection.close()  # TLS took the plain one over

    def handle(self) -> None:
        is_secret = self.server.is_tls_from_the_start
        try:
            self.talk(is_secret)
        except OSError:
            return  # a client that does not trust the certificate hangs up: that is what is tested

    def talk(self, is_secret: bool) -> None:
        if is_secret:
            self.wrap()
        self.say("220 test")
        is_known = False
        while raw := self.rfile.readline():
            word = raw.split()[0].upper()
            if word in self.server.wrong:
                answer = self.server.wrong[word]
                if answer is None:
                    return
                self.say(answer)
            elif word == b"EHLO":
                self.say("250-test")
                self.say(f"250 {self.server.offers}" if is_secret else "250 STARTTLS")
            elif word == b"STARTTLS":
                self.say("220 go on")
                self.wrap()
                is_secret = True
            elif word == b"AUTH":
                is_known = base64.b64decode(raw.split()[2]) == self.server.login
                self.say("235 welcome" if is_known else "535 who are you?")
            elif word == b"DATA":
                self.data(is_secret)
            elif word == b"QUIT":
                self.say("221 bye")
                return
            else:
                self.say("250 fine" if is_known else "530 log in first")

    def data(self, is_secret: bool) -> None:
        self.say("354 go on")
        lines = []
        while (line := self.rfile.readline()) != b".\r\n":
            lines.append(line.removeprefix(b".") if line.startswith(b"..") else line)
        self.server.taken.append(b"".join(lines))
        self.server.secret.append(is_secret)
        self.say("250 taken")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `house.pem`, its key and its authority, for the server's address 127.0.0.1."""
    folder = tmp_path_factory.mktemp("tls")
    for name, called in (("house", "127.0.0.1"), ("other", "elsewhere.example")):
        made = write_certificate(folder / f"{name}.pem", folder / f"{name}.key", [called], datetime.now(UTC))
        made.authority.rename(folder / f"{name}-authority.pem")
    return folder


@pytest.fixture
def server(web: Flask, certificates: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[_Server]:
    """A mail server in a thread, trusted, and a house that is set to it with STARTTLS and a login."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificates / "house-authority.pem"))
    monkeypatch.setattr("app.documents.quote_mail.quote_pdf", lambda quote: b"%PDF")
    with _Server() as found:
        shows(found, certificates, "house")
        thread = threading.Thread(target=found.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        configure(
            web,
            smtp_host="127.0.0.1",
            smtp_port=found.server_address[1],
            smtp_security="starttls",
            smtp_user="quotes",
            smtp_password="reed bed",
            mail_from=OFFICE,
        )
        yield found
        found.shutdown()
        thread.join()


@pytest.fixture
def clerk(client_as: ClientAs) -> FormClient:
    clerk = client_as(Role.COUNTER)
    quoted(clerk, HARDWARE, title="Rings")
    return clerk


def configure(web: Flask, **settings: object) -> None:
    web.extensions["config"] = replace(web.extensions["config"], **settings)


def shows(server: _Server, certificates: Path, name: str) -> None:
    server.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.context.load_cert_chain(certificates / f"{name}.pem", certificates / f"{name}.key")


def sent(session: Session) -> list[str]:
    session.rollback()
    return list(session.scalars(sa.select(Event.summary).where(Event.kind == "quote sent")))


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_it_goes_by_tls_with_the_houses_login(
    clerk: FormClient, session: Session, server: _Server, web: Flask, security: str
) -> None:
    server.is_tls_from_the_start = security == "tls"
    configure(web, smtp_security=security)
    answer = clerk.post("/quotes/1001/1/mail", data=FORM, follow_redirects=True)
    assert "Quote Q-1001-1 is sent to k.teal@harbour.example." in answer.text
    assert sent(session) == ["Quote Q-1001-1 sent to k.teal@harbour.example"] and server.secret == [True]
    (raw,) = server.taken
    assert raw.isascii()  # for the servers that take nothing else
    message = message_from_bytes(raw, policy=default)
    assert message["Subject"] == FORM["subject"] and message["Message-ID"].endswith("@fenwickquay.example>")
    assert message.get_body().get_content().splitlines() == FORM["body"].splitlines()  # type: ignore[union-attr]
    (paper,) = message.iter_attachments()
    assert (paper.get_filename(), paper.get_content()) == ("quote-1001-1.pdf", b"%PDF")


def test_a_server_that_grumbles_at_the_farewell_has_taken_it_all_the_same(
    clerk: FormClient, session: Session, server: _Server
) -> None:
    server.wrong = {b"QUIT": "421 too late"}
    assert clerk.post("/quotes/1001/1/mail", data=FORM).status_code == 303
    assert len(sent(session)) == len(server.taken) == 1


def test_what_goes_wrong_is_said_and_nothing_is_on_record(
    clerk: FormClient, session: Session, server: _Server
) -> None:
    for word, answer, says in (
        (b"AUTH", "535 no", "refused the house's user name or password"),
        (b"EHLO", "250 test", "does not offer what the settings ask"),
        (b"STARTTLS", "454 not now", "answered 454 not now."),
        (b"MAIL", "550 not from here", f"refuses the house's own address {OFFICE}: 550 not from here."),
        (b"RCPT", "550 no such person", "refuses the address k.teal@harbour.example: 550 no such person."),
        (b"DATA", "552 too large", "answered 552 too large."),
        (b"DATA", None, "broke off, so ask whether it arrived"),
        (b"MAIL", None, "broke off"),
    ):
        server.wrong = {word: answer}
        refused = clerk.post("/quotes/1001/1/mail", data=FORM)
        assert refused.status_code == 422 and says in unescape(refused.text), (word, answer)
        assert "Not sent." in refused.text and "20 € off" in refused.text and "reed bed" not in refused.text
        assert sent(session) == [] == server.taken
    server.wrong = {}
    assert clerk.post("/quotes/1001/1/mail", data=FORM).status_code == 303  # the same page, pressed again
    assert len(sent(session)) == len(server.taken) == 1


def test_a_wrong_password_is_refused(clerk: FormClient, session: Session, server: _Server, web: Flask) -> None:
    configure(web, smtp_password="reed bank")
    refused = clerk.post("/quotes/1001/1/mail", data=FORM)
    assert refused.status_code == 422 and "user name or password" in refused.text
    assert sent(session) == [] == server.taken


def test_a_login_of_a_kind_that_is_not_known_is_said(clerk: FormClient, session: Session, server: _Server) -> None:
    server.offers = "AUTH ODDITY"
    refused = clerk.post("/quotes/1001/1/mail", data=FORM)
    assert refused.status_code == 422 and "no way to log in that is known here" in refused.text
    assert sent(session) == [] == server.taken


def test_a_certificate_that_is_not_trusted_or_names_another_stops_it(
    clerk: FormClient,
    session: Session,
    server: _Server,
    web: Flask,
    certificates: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(certificates / "other-authority.pem"))
    for security, name, says in (
        ("starttls", "house", "certificate"),
        ("tls", "house", "certificate"),
        ("starttls", "other", "is not valid for '127.0.0.1'"),
        ("tls", "other", "is not valid for '127.0.0.1'"),
    ):
        shows(server, certificates, name)
        server.is_tls_from_the_start = security == "tls"
        configure(web, smtp_security=security)
        refused = clerk.post("/quotes/1001/1/mail", data=FORM)
        assert refused.status_code == 422
        assert "shows a certificate that is not trusted here: " in refused.text and says in unescape(refused.text)
    assert sent(session) == [] == server.taken


def test_tls_from_the_start_where_none_is_spoken_is_said(
    clerk: FormClient, session: Session, server: _Server, web: Flask
) -> None:
    configure(web, smtp_security="tls")
    refused = clerk.post("/quotes/1001/1/mail", data=FORM)
    assert refused.status_code == 422 and "does not speak TLS as the settings ask" in refused.text
    assert sent(session) == [] == server.taken
