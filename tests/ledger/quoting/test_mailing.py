"""A quote's e-mail goes once, however often its button is pressed."""

from email.message import EmailMessage
from email.policy import SMTP

import pytest

from app.ledger.quoting import mailing
from app.ledger.quoting.mailing import MailServer, Sent, send_quote
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import events_of
from app.ledger.store.work import Work
from tests.ledger.test_main_job import flats, issued


def test_a_second_press_while_the_server_still_talks_sends_nothing(
    work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = issued(work, flats(work))
    message = EmailMessage(policy=SMTP)
    message["To"] = "k.teal@harbour.example"
    sent: list[str] = []

    def press() -> Sent:
        return send_quote(work, job.revisions[-1].id, message, MailServer("mail.example"), "one press")

    def slow(given: EmailMessage, server: MailServer) -> list[str]:
        sent.append(given["To"])
        if len(sent) == 1:
            with pytest.raises(LedgerError, match="on its way"):
                press()
        return []

    monkeypatch.setattr(mailing, "_deliver", slow)
    assert press().to == ("k.teal@harbour.example",)
    assert press() == Sent() and len(sent) == 1
    assert [event.kind for event in events_of(work.session, f"job {job.number}")].count("quote sent") == 1
