"""How much hangs on a customer, as the pages before and after a merge or a split count it."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import (
    Contact,
    Customer,
    Door,
    Draft,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Payment,
    QuoteRevision,
    Site,
)


@dataclass(frozen=True, slots=True)
class Holdings:
    """Counts, and the money received in cents. keys: all that were ever ordered; keys_out: with somebody now."""

    contacts: int = 0
    sites: int = 0
    doors: int = 0
    key_systems: int = 0
    keysets: int = 0
    jobs: int = 0
    quotes: int = 0
    drafts: int = 0
    payments: int = 0
    received_cents: int = 0
    keys: int = 0
    keys_out: int = 0

    def __add__(self, other: "Holdings") -> "Holdings":
        return Holdings(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(self)))

    def __sub__(self, other: "Holdings") -> "Holdings":
        return Holdings(*(getattr(self, one.name) - getattr(other, one.name) for one in fields(self)))


NAMES = tuple((one.name, one.name.replace("_cents", "").replace("_", " ")) for one in fields(Holdings))
"""Each count and what pages call it, in their order."""


def holdings_of(session: Session, customer_id: int) -> Holdings:
    """How much hangs on a customer now; a site that was merged away is none."""

    def count(rows: sa.Select[int]) -> int:
        return session.scalar(rows) or 0

    counted = sa.select(sa.func.count())
    of_jobs = counted.join(Job, Job.id == QuoteRevision.job_id).where(Job.customer_id == customer_id)
    money = (
        sa.select(sa.func.count(), sa.func.coalesce(sa.func.sum(Payment.received_cents), 0))
        .select_from(Payment)
        .join(Job, Job.id == Payment.job_id)
        .where(Job.customer_id == customer_id)
    )
    payments, received = session.execute(money).one()
    keys = (
        counted.select_from(Key)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(KeySystem.customer_id == customer_id)
    )
    own_site = sa.and_(Site.customer_id == customer_id, Site.merged_into_id.is_(None))
    keysets = counted.select_from(Keyset).join(KeySystem, KeySystem.id == Keyset.system_id)
    return Holdings(
        contacts=count(counted.select_from(Contact).where(Contact.customer_id == customer_id)),
        sites=count(counted.select_from(Site).where(own_site)),
        doors=count(counted.select_from(Door).join(Site, Site.id == Door.site_id).where(own_site)),
        key_systems=count(counted.select_from(KeySystem).where(KeySystem.customer_id == customer_id)),
        keysets=count(keysets.where(KeySystem.customer_id == customer_id)),
        jobs=count(counted.select_from(Job).where(Job.customer_id == customer_id)),
        quotes=count(of_jobs.select_from(QuoteRevision)),
        drafts=len(drafts_of(session, customer_id)),
        payments=payments,
        received_cents=int(received),
        keys=count(keys),
        keys_out=count(keys.where(Key.state == KeyState.OUT)),
    )


def drafts_of(session: Session, customer_id: int) -> Sequence[str]:
    """The tokens of the drafts of the counter page for a customer, or for what was merged into it."""

    merged = sa.select(Customer.id).where(Customer.merged_into_id == customer_id)
    ids = {str(one) for one in (customer_id, *session.scalars(merged))}
    rows = session.execute(sa.select(Draft.token, Draft.typed).order_by(Draft.token))
    return [token for token, typed in rows if str(typed.get("customer_id", "")) in ids]
