"""The numbers of papers: each kind has a letter of its own, so that none is taken for another. A job's is bare.

What was printed before they had letters is still read, and may then mean several kinds.
"""

import re
from dataclasses import dataclass

_ASKED = re.compile(
    r"(?:(?P<word>job|quote|key receipt|receipt|order|invoice|credit note|return|[jqrkfhitpm])[\s.:#-]*|#\s*)?"
    r"(?P<number>[0-9]{1,10})(?:\s*(?:[-–/]|,?\s*rev(?:ision)?\.?)\s*(?P<place>[0-9]{1,4})"
    r"(?:[ab]|,?\s*rev(?:ision)?\.?\s*[0-9]{1,4})?)?",  # the option accepted; of an order its quote's revision
    re.IGNORECASE,
)
_KINDS = {
    "job": "J", "quote": "Q", "key receipt": "K", "receipt": "RK", "order": "F",
    "invoice": "I", "credit note": "I", "return": "T",
}  # fmt: skip
_OF_NO_JOB = ("I", "T", "P", "M")  # numbers of their own, in which no job's stands
_SAID_TWICE = re.compile(r"^\s*[a-z ]+(?=\s[ijqrkfhtpm]-[0-9])", re.IGNORECASE)  # "invoice I-0007"
_BIGGEST = 2**31 - 1


def quote_number(job: int, revision: int) -> str:
    """A quote's, by its job and revision.

    >>> quote_number(1042, 2)
    'Q-1042-2'
    """
    return f"Q-{job}-{revision}"


def payment_number(job: int, place: int) -> str:
    """That of a payment and its receipt: the first, second … of its job.

    >>> payment_number(1042, 2)
    'R-1042-2'
    """
    return f"R-{job}-{place}"


def invoice_number(number: int) -> str:
    """That of an invoice, deposit invoice or credit note: one series for all of them.

    >>> invoice_number(7)
    'I-0007'
    """
    return f"I-{number:04d}"


def account_payment_number(number: int) -> str:
    """That of money which a customer paid at once for several jobs, and of its receipt.

    >>> account_payment_number(7)
    'M-0007'
    """
    return f"M-{number:04d}"


def key_receipt_number(number: int) -> str:
    """A key receipt's. Zeros before it tell it from a stamp, such as K-12.

    >>> key_receipt_number(12)
    'K-0012'
    """
    return f"K-{number:04d}"


def key_count_number(count: int) -> str:
    """That of a count of keys, its sheet and its record.

    >>> key_count_number(3)
    'C-0003'
    """
    return f"C-{count:04d}"


def stock_count_number(count: int) -> str:
    """That of a count of the shelf and its sheet.

    >>> stock_count_number(3)
    'SC-0003'
    """
    return f"SC-{count:04d}"


def factory_order_number(job: int, place: int) -> str:
    """That of a job's order to its first, second … maker.

    >>> factory_order_number(1042, 1)
    'F-1042-1'
    """
    return f"F-{job}-{place}"


def purchase_number(number: int) -> str:
    """That of an order to a maker for goods.

    >>> purchase_number(12)
    'P-0012'
    """
    return f"P-{number:04d}"


def hand_over_number(job: int, place: int) -> str:
    """That of the first, second … time that somebody took something of a job.

    >>> hand_over_number(1042, 1)
    'H-1042-1'
    """
    return f"H-{job}-{place}"


def return_number(number: int) -> str:
    """That of goods that came back.

    >>> return_number(3)
    'T-0003'
    """
    return f"T-{number:04d}"


@dataclass(frozen=True, slots=True)
class NumberAsked:
    """A paper's number as somebody typed it. place: the revision, or which of its job's; None where none is said.

    kinds: the letters of those that it can be, J a job's: what bears its letter or word is that alone.
    """

    kinds: str
    number: int
    place: int | None

    @property
    def job(self) -> int | None:
        """The job, where it can be a job's own number; factory orders and hand-overs lead to their job."""
        is_job = "J" in self.kinds and self.place is None
        return self.number if is_job or self.kinds in ("F", "H") else None

    @property
    def of_job(self) -> int | None:
        """The job that it is, or whose paper it is; None of a paper in whose number no job's stands."""
        is_other = "K" in self.kinds and "J" not in self.kinds
        return None if is_other or self.kinds in _OF_NO_JOB else self.number


def read_number(text: str) -> NumberAsked | None:
    """What a text asks for by a number; None where it is none.

    >>> read_number("q 1042-2"), read_number("1042")
    (NumberAsked(kinds='Q', number=1042, place=2), NumberAsked(kinds='JQK', number=1042, place=None))
    >>> read_number("1042, revision 2").kinds, read_number("1042-2").kinds, read_number("receipt 12").kinds
    ('QR', 'QR', 'RK')
    >>> read_number("F-1042-1, revision 2"), read_number("Q-1042-2A").place
    (NumberAsked(kinds='F', number=1042, place=1), 2)
    >>> read_number("K-0012"), read_number("AA1-3")
    (NumberAsked(kinds='K', number=12, place=None), None)
    >>> [read_number(text) == read_number("I-0007") for text in ("i 7", "Invoice I-0007", "credit note #7")]
    [True, True, True]
    >>> read_number("order P-0012"), read_number("P-0012").of_job
    (NumberAsked(kinds='P', number=12, place=None), None)
    """
    text = _SAID_TWICE.sub("", text)
    found = _ASKED.fullmatch(text.strip())
    if found is None or int(found["number"]) > _BIGGEST:
        return None
    place = int(found["place"]) if found["place"] else None
    word = (found["word"] or "").lower()
    usual = "JQK" if place is None else "QR"
    return NumberAsked(_KINDS.get(word, word.upper()) or usual, int(found["number"]), place)
