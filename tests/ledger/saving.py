"""A counter that quotes and accepts without end, in a process of its own that may be killed at any moment."""

import secrets
from datetime import UTC, datetime
from fractions import Fraction
from multiprocessing.connection import Connection

import sqlalchemy as sa

from app.config import Config
from app.fitting import CylinderAttributes
from app.ledger.care.opening import open_ledger
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.sites.customers import CustomerForm
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Job, LineKind, Role, User
from app.pricing import KeyingKind

NOW = datetime(2026, 3, 2, 15, tzinfo=UTC)
DOORS = (DoorRow(1, "FRONT", location="Shop front", hand="RH"), DoorRow(2, "BACK", location="Yard", hand="LH"))
_MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
_PAIR = LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=_MORTISE, keying=KeyingInstruction(KeyingKind.KA))
LINES = (_PAIR, LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET"))


def save_without_end(config: Config, told: Connection) -> None:
    """Quote a walk-in, say so, accept the quote, say so, and again; what was said is on record."""
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        counter = Actor.of(session.scalars(sa.select(User).where(User.role == Role.COUNTER)).one())
    while True:
        with ledger.work(counter, NOW) as work:
            job = quote(work)
            told.send(("quoted", job.number))
            form = AcceptForm("R. Teal", work.today, job.version, site_name="The Quay", doors=DOORS)
            accept_quote(work, job.id, form)
            told.send(("accepted", job.number))


def quote(work: Work) -> Job:
    """The next walk-in's quote: a pair keyed alike, and rings."""
    ask = QuoteRequest(0, LINES, title="Front and back door alike")
    revision = issue_quote(work, IssueForm(ask, secrets.token_hex(16), new_customer=CustomerForm("I. Plover")))
    return work.session.get_one(Job, revision.job_id)
