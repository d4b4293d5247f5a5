"""A quote as an e-mail: the house's own words with the customer's PDF attached."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from app.documents.filters import show_day
from app.documents.quote import quote_pdf
from app.errors import BitternError
from app.ledger.quoting.snapshot import HouseHead, QuoteSnapshot
from app.ledger.store.numbers import quote_number
from app.pricing import show_cents

MOST_RECIPIENTS = 5
_MOST_SUBJECT, _MOST_TEXT = 200, 8000
# What a mail server takes without quoting; letters of other scripts need an extension that few servers have.
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,185})\.[A-Za-z]{2,24}")
_BRACES = re.compile(r"\{([a-z ]{1,20})\}")


@dataclass(frozen=True, slots=True)
class MailText:
    """The subject, one line, and the body of an e-mail."""

    subject: str
    body: str


def mail_text(quote: QuoteSnapshot, subject: str, text: str, sender: str) -> MailText:
    """The house's own subject and text with the quote's words in place of what stands in braces."""
    words = _words(quote, sender)

    def fill(given: str) -> str:
        return _BRACES.sub(lambda found: words.get(found[1], found[0]), given)

    filled = re.sub(r"\n{3,}", "\n\n", fill(text)).strip()
    return MailText(" ".join(fill(subject).split())[:_MOST_SUBJECT], filled)


def _words(quote: QuoteSnapshot, sender: str) -> Mapping[str, str]:
    other = quote.option_b
    total, deposit = show_cents(quote.totals.total_cents), _deposit(quote.deposit_cents)
    if other is not None:
        total = f"option A {total}, option B {show_cents(other.totals.total_cents)}"
        if other.deposit_cents != quote.deposit_cents:
            deposit = f"option A {deposit}, option B {_deposit(other.deposit_cents)}"
    return {
        "number": quote_number(quote.job_number, quote.revision),
        "customer": quote.customer_name,
        "title": quote.title,
        "total": total,
        "tax": "tax included" if quote.totals.tax_cents else "no tax on it",
        "deposit": deposit,
        "valid until": show_day(quote.valid_until),
        "ready": "It offers two ways, A and B, each with its date: say which one you want."
        if other
        else quote.lead_time,
        "sender": sender,
        "house": quote.house.name,
        "phone": quote.house.phone,
    }


def _deposit(cents: int) -> str:
    return show_cents(cents) if cents else "none"


def read_recipients(typed: str) -> tuple[str, ...]:
    """The addresses out of a box, parted by commas, semicolons or spaces; BitternError on `to`.

    >>> read_recipients("office@harbour.example; k.teal@harbour.example")
    ('office@harbour.example', 'k.teal@harbour.example')
    """
    found = tuple(dict.fromkeys(re.split(r"[,; ]+", typed.strip(" ,;"))))
    if found == ("",):
        raise BitternError("to", "Enter the e-mail address that it goes to.")
    if len(found) > MOST_RECIPIENTS:
        raise BitternError("to", f"At most {MOST_RECIPIENTS} addresses: a quote goes to those who decide on it.")
    for address in found:
        if not _ADDRESS.fullmatch(address) or ".." in address:
            shown = "".join(letter if letter.isprintable() else "�" for letter in address[:40])
            raise BitternError("to", f"“{shown}” is no e-mail address; write it as name@place.example.")
    return found


def quote_message(
    quote: QuoteSnapshot, to: tuple[str, ...], words: MailText, sender: str, at: datetime
) -> EmailMessage:
    """The message with the customer's PDF attached, from the house at the address `sender`, as `house_message`."""
    message = house_message(quote.house, to, words, sender, at)
    attach_pdf(message, quote_pdf(quote), f"quote-{quote.job_number}-{quote.revision}.pdf")
    return message


def house_message(house: HouseHead, to: tuple[str, ...], words: MailText, sender: str, at: datetime) -> EmailMessage:
    """A message from the house at the address `sender`, nothing attached yet.

    No header can hold a line end, whatever anybody typed: BitternError on `subject`, `to` or `sender`.
    """
    if not words.subject.strip() or not words.subject.isprintable() or len(words.subject) > _MOST_SUBJECT:
        raise BitternError("subject", f"The subject is one line of 1 to {_MOST_SUBJECT} characters.")
    if not words.body.strip() or len(words.body) > _MOST_TEXT or "\0" in words.body:
        raise BitternError("body", f"Write a text of 1 to {_MOST_TEXT:,} characters.")
    if not _ADDRESS.fullmatch(sender):
        raise BitternError("sender", "The house has no e-mail address: enter it under Settings, Papers.")
    # Not every mail server takes letters beyond ASCII as they are; written so, all of them do.
    message = EmailMessage(policy=SMTP.clone(cte_type="7bit"))
    name = "".join(letter for letter in house.name if letter.isprintable())
    message["From"] = Address(name, addr_spec=sender)
    message["To"] = ", ".join(read_recipients(" ".join(to)))
    message["Subject"] = words.subject.strip()
    message["Date"] = format_datetime(at)
    message.set_content(words.body.replace("\r\n", "\n") + "\n")
    return message


def attach_pdf(message: EmailMessage, made: bytes, name: str) -> None:
    """Attach a paper."""
    message.add_attachment(made, maintype="application", subtype="pdf", filename=name)
