"""A quote as an e-mail: saved as a file, sent through a server, and never a header that somebody typed."""

import re
import socketserver
import threading
from collections.abc import Iterator
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from typing import Any

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.config import Config
from app.documents.quote_mail import MailText, quote_message, read_recipients
from app.errors import BitternError
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.tables import Event, QuoteRevision, Role
from tests.conftest import NOW
from tests.desk import quoted
from tests.factories import FormClient
from tests.stocked import HARDWARE, empty_house
from tests.web.quotes.test_views import ClientAs

__all__ = ["empty_house"]

FORM = {"to": "k.teal@harbour.example", "subject": "Our quote", "body": "Good day,\nhere it is.", "token": "t" * 32}
OFFICE = "counter@fenwickquay.example"


class _Server(socketserver.ThreadingTCPServer):
    """A mail server that takes everything but what is for `nobody@`."""

    daemon_threads = True
    taken: list[bytes]


class _Talk(socketserver.StreamRequestHandler):
    server: _Server

    def say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode())

    def handle(self) -> None:
        self.say("220 test")
        for raw in self.rfile:
            word = raw[:4].upper()
            if word == b"DATA":
                self.say("354 go on")
                lines = []
                while (line := self.rfile.readline()) != b".\r\n":
                    lines.append(line)
                self.server.taken.append(b"".join(lines))
                self.say("250 taken")
            elif word == b"QUIT":
                self.say("221 bye")
                return
            else:
                self.say("550 no such person" if b"nobody@" in raw else "250 fine")


@pytest.fixture
def server(web: Flask) -> Iterator[_Server]:
    """A mail server in a thread, and a house that is set to it."""
    with _Server(("127.0.0.1", 0), _Talk) as found:
        found.taken = []
        thread = threading.Thread(target=found.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        port = found.server_address[1]
        settings = {"smtp_host": "127.0.0.1", "smtp_port": port, "smtp_security": "none", "mail_from": OFFICE}
        web.extensions["config"] = replace(web.extensions["config"], **settings)
        yield found
        found.shutdown()
        thread.join()


@pytest.fixture
def clerk(client_as: ClientAs, web: Flask) -> FormClient:
    web.extensions["config"] = replace(web.extensions["config"], mail_from=OFFICE)
    clerk = client_as(Role.COUNTER)
    quoted(clerk, HARDWARE, title="Rings")
    return clerk


@pytest.fixture
def plain_paper(monkeypatch: pytest.MonkeyPatch) -> None:
    """A paper that takes no time to print, where it is not what the test is about."""
    monkeypatch.setattr("app.documents.quote_mail.quote_pdf", lambda quote: b"%PDF")


def sent(session: Session) -> list[str]:
    session.rollback()
    return list(session.scalars(sa.select(Event.summary).where(Event.kind == "quote sent")))


def read(raw: bytes) -> Any:
    return message_from_bytes(raw, policy=default)


def test_the_file_holds_the_houses_words_and_the_customers_paper(clerk: FormClient, session: Session) -> None:
    page = clerk.get("/quotes/1001/1/mail").text
    assert "Quote Q-1001-1 from Fenwick Quay" in page and "Good day I. Plover" in page and "25 December 2026" in page
    assert 'value="send"' not in page
    answer = clerk.post("/quotes/1001/1/mail", data=FORM)
    assert answer.headers["Content-Disposition"] == 'attachment; filename="quote-1001-1.eml"'
    message = read(answer.data)
    assert (message["To"], message["Subject"], message["X-Unsent"]) == (FORM["to"], "Our quote", "1")
    assert OFFICE in message["From"] and message.get_body().get_content().splitlines() == FORM["body"].splitlines()
    (paper,) = message.iter_attachments()
    assert paper.get_filename() == "quote-1001-1.pdf" and paper.get_content().startswith(b"%PDF")
    assert sent(session) == []


@pytest.mark.usefixtures("plain_paper")
def test_sent_is_an_event_and_a_press_sends_once(clerk: FormClient, session: Session, server: _Server) -> None:
    form = FORM | {"press": "send", "to": "k.teal@harbour.example, office@harbour.example"}
    for _ in range(2):
        assert clerk.post("/quotes/1001/1/mail", data=form).status_code == 303
    assert sent(session) == ["Quote Q-1001-1 sent to k.teal@harbour.example, office@harbour.example"]
    (raw,) = server.taken
    assert read(raw)["Subject"] == "Our quote" and read(raw)["X-Unsent"] is None
    assert "sent to k.teal@harbour.example" in clerk.get("/jobs/1001").text


@pytest.mark.usefixtures("plain_paper")
def test_it_goes_to_those_whom_the_server_takes(clerk: FormClient, session: Session, server: _Server) -> None:
    form = FORM | {"press": "send", "to": "k.teal@harbour.example, nobody@harbour.example"}
    told = clerk.post("/quotes/1001/1/mail", data=form, follow_redirects=True).text
    assert "is sent to k.teal@harbour.example." in told and "refuses nobody@harbour.example" in told
    assert sent(session) == ["Quote Q-1001-1 sent to k.teal@harbour.example"] and len(server.taken) == 1


@pytest.mark.usefixtures("plain_paper")
def test_what_the_server_refuses_is_said_and_nothing_is_on_record(
    clerk: FormClient, session: Session, server: _Server, web: Flask
) -> None:
    refused = clerk.post("/quotes/1001/1/mail", data=FORM | {"press": "send", "to": "nobody@harbour.example"})
    assert refused.status_code == 422 and "refuses the address nobody@harbour.example" in refused.text
    assert "here it is." in refused.text
    web.extensions["config"] = replace(web.extensions["config"], smtp_security="starttls")
    refused = clerk.post("/quotes/1001/1/mail", data=FORM | {"press": "send"})
    assert refused.status_code == 422 and "does not offer what the settings ask" in refused.text
    web.extensions["config"] = replace(web.extensions["config"], smtp_security="tls")
    refused = clerk.post("/quotes/1001/1/mail", data=FORM | {"press": "send"})
    assert refused.status_code == 422 and "does not speak TLS" in refused.text
    web.extensions["config"] = replace(web.extensions["config"], smtp_port=1, smtp_security="none")
    refused = clerk.post("/quotes/1001/1/mail", data=FORM | {"press": "send"})
    assert refused.status_code == 422 and "could not be reached on port 1" in refused.text
    assert sent(session) == [] and server.taken == []


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"to": ""}, "Enter the e-mail address"),
        ({"to": "a@b.example\r\nBcc: all@b.example"}, "is no e-mail address"),
        ({"to": "k.teal"}, "is no e-mail address"),
        ({"to": "<a@b.example>"}, "is no e-mail address"),
        ({"to": " ".join(f"a{n}@b.example" for n in range(9))}, "At most 5 addresses"),
        ({"subject": ""}, "one line of 1 to 200"),
        ({"subject": "x" * 10_000}, "At most 200 characters"),
        ({"subject": "a\x00b"}, "one line of 1 to 200"),
        ({"body": "  "}, "Write a text"),
        ({"body": "x" * 10_000}, "At most 8,000 characters"),
    ],
)
def test_what_cannot_be_sent_is_refused_beside_its_box(clerk: FormClient, change: dict[str, str], says: str) -> None:
    refused = clerk.post("/quotes/1001/1/mail", data=FORM | change)
    assert refused.status_code == 422 and says in refused.text


@pytest.mark.usefixtures("plain_paper")
@pytest.mark.parametrize("smuggled", ["\r\nBcc: all@b.example", "\nX: y", "\r\n\r\nbody", "\x0bX: y", "\u2028X: y"])
def test_no_header_can_be_smuggled_in(clerk: FormClient, session: Session, smuggled: str) -> None:
    answer = clerk.post("/quotes/1001/1/mail", data=FORM | {"subject": f"Our quote{smuggled}"})
    if answer.status_code == 200:
        message = read(answer.data)
        headers = ["From", "To", "Subject", "Date", "MIME-Version", "Content-Type", "X-Unsent"]
        assert sorted(message.keys()) == sorted(headers) and message["To"] == FORM["to"]
    else:
        assert answer.status_code == 422
    quote = read_snapshot(session.scalars(sa.select(QuoteRevision.snapshot)).one())
    for words, to, sender in (
        (MailText(f"Quote{smuggled}", "text"), ("a@b.example",), OFFICE),
        (MailText("Quote", "text"), (f"a@b.example{smuggled}",), OFFICE),
        (MailText("Quote", "text"), ("a@b.example",), f"{OFFICE}{smuggled}"),
    ):
        with pytest.raises(BitternError):
            quote_message(quote, to, words, sender, NOW)
    odd = replace(quote, house=replace(quote.house, name=f"Quay{smuggled}"))
    made = quote_message(odd, ("a@b.example",), MailText("Quote", "text"), OFFICE, NOW)
    assert isinstance(made, EmailMessage) and read(made.as_bytes())["Bcc"] is None
    assert sorted(made.keys()) == sorted(["From", "To", "Subject", "Date", "MIME-Version", "Content-Type"])


def test_recipients_are_told_apart() -> None:
    assert read_recipients(" a@b.example;c@d.example , a@b.example ") == ("a@b.example", "c@d.example")
    for wrong in ("a..b@c.example", "a@b", "@b.example", "x" * 10_000, "a@b.example\x00"):
        with pytest.raises(BitternError):
            read_recipients(wrong)


def test_the_mail_server_comes_from_the_environment() -> None:
    config = Config.from_environment({"BITTERN_SMTP_HOST": "mail.example", "BITTERN_SMTP_PASSWORD": "reed bed"})
    assert (config.smtp_host, config.smtp_port, config.smtp_security) == ("mail.example", 587, "starttls")
    assert "reed bed" not in repr(config)
    with pytest.raises(BitternError, match="BITTERN_SMTP_SECURITY"):
        Config.from_environment({"BITTERN_SMTP_SECURITY": "maybe"})


def test_the_owner_settles_deposit_text_and_questions(client_as: ClientAs, clerk: FormClient) -> None:
    assert clerk.get("/house/quotes").status_code == 403
    owner = client_as(Role.OWNER)
    page = owner.get("/house/quotes").text
    assert "Asked when trips are more than 0, and labor lines are 0." in page and "{valid until}" in page
    codes = re.findall(r'name="asked" value="([a-z-]+)" checked', page)
    assert "no-cam" in codes
    form = {
        "version": "",
        "deposit_percent": "25",
        "deposit_cents": "0",
        "deposit_above_cents": "5.00",
        "most_off_percent": "20",
        "mail_subject": "Quote {number}: {title}",
        "mail_text": "For {customer}.",
        "asked": [code for code in codes if code != "no-cam"],
    }
    wrong = owner.post("/house/quotes", data=form | {"deposit_cents": "3.00", "mail_text": "{price}"})
    assert wrong.status_code == 422 and "not both" in wrong.text and 'value="25"' in wrong.text
    assert owner.post("/house/quotes", data=form | {"mail_text": "{price}"}).status_code == 422
    assert owner.post("/house/quotes", data=form).status_code == 303
    page = owner.get("/house/quotes").text
    assert 'value="no-cam" checked' not in page and 'value="25"' in page
    assert owner.post("/house/quotes", data=form).status_code == 409
    assert "Quote Q-1001-1: Rings" in clerk.get("/quotes/1001/1/mail").text
