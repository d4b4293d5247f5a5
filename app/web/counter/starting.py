"""What a freshly opened counter page holds."""

from __future__ import annotations

__all__ = ["draft_of", "start"]

from app.ledger.jobs.ask import ask_from_json
from app.ledger.jobs.issuing import load_draft
from app.ledger.jobs.models import Draft, Job
from app.ledger.jobs.snapshot import read_snapshot
from app.ledger.work import Work
from app.web.counter.refill import typed_from_ask
from app.web.counter.typed import TypedPage


def start(work: Work, job: Job | None, token: str, customer: str = "", site: str = "") -> TypedPage:
    """An empty page, one for a customer and site by their ids, or one filled from a job's newest revision."""
    if job is None:
        return TypedPage(token=token, customer_id=customer[:9], site_id=site[:9] if customer else "")
    if not job.revisions:
        return TypedPage(
            token=token,
            customer_id=str(job.customer_id),
            site_id=str(job.site_id or ""),
            title=job.title,
            need_by=job.need_by.isoformat() if job.need_by else "",
        )
    return typed_from_ask(ask_from_json(read_snapshot(job.revisions[-1].snapshot).ask), token)


def draft_of(work: Work, job: Job | None) -> Draft | None:
    """The draft that one could go on with: one's own newest, or the job's where it is newer than its quote."""
    if work.actor.user_id is None:
        return None
    draft = load_draft(work.session, work.actor.user_id, job.id if job else None)
    if draft is not None and job is not None and job.revisions and draft.saved_at <= job.revisions[-1].issued_at:
        return None
    return draft
