"""What a quote asks for, with whom and where its job is now: a customer or site may have been merged since."""

from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import QuoteSnapshot
from app.ledger.tables import Job, Site


def asked_in(session: Session, quote: QuoteSnapshot) -> QuoteRequest:
    """The request of an issued quote; the quote itself keeps the names of its day."""
    ask = QuoteRequest.from_json(quote.ask)
    found = session.execute(sa.select(Job.customer_id, Job.site_id).where(Job.number == quote.job_number)).first()
    if found is None:
        return ask
    site = session.get(Site, ask.site_id) if ask.site_id else None
    has_moved = site is not None and (site.merged_into_id is not None or site.customer_id != found.customer_id)
    return replace(ask, customer_id=found.customer_id, site_id=found.site_id if has_moved else ask.site_id)
