"""What a freshly opened counter page holds."""

from __future__ import annotations

from dataclasses import replace

from app.ledger.quoting.issuing import load_draft
from app.ledger.quoting.lost_keys import as_still_said
from app.ledger.quoting.request import QuoteAsk, ask_from_json
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Draft, Job, Role
from app.web.counter.refill import typed_from_ask
from app.web.counter.typed import TypedPage, from_draft


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
    return _without_reason(work, typed_from_ask(as_still_said(work.session, _quoted(job)), token))


def _quoted(job: Job) -> QuoteAsk:
    return ask_from_json(read_snapshot(job.revisions[-1].snapshot).ask)


def _without_reason(work: Work, page: TypedPage) -> TypedPage:
    """Why the figures were overruled is the owner's to read; whoever gave the reason need not give it twice."""
    return page if work.actor.role is Role.OWNER else replace(page, override_reason="", lost_reason="")


def with_kept_loss(work: Work, job: Job | None, ask: QuoteAsk) -> QuoteAsk:
    """The request with what the owner settled with the last revision, and why: it holds until a further key is lost.

    Nobody else's reason counts.
    """
    if work.actor.role is not Role.OWNER:
        ask = replace(ask, lost_reason="")
    if job is None or not job.revisions:
        return ask
    quoted = _quoted(job)
    kept = replace(ask, lost_reason=quoted.lost_reason, lost_allowed=quoted.lost_allowed)
    return replace(kept, lost_reason=ask.lost_reason) if ask.lost_reason else as_still_said(work.session, kept)


def kept_reason(job: Job | None, page: TypedPage) -> str:
    """The reason given with the last revision, for a page that overrules the figures as that one did.

    "" where a reason is typed anew, or none was given.
    """
    if not page.keyed_at or page.override_reason or job is None or not job.revisions:
        return ""
    quoted = _quoted(job)
    return quoted.override_reason if quoted.keyed_at == page.keyed_at else ""


def resume(work: Work, draft: Draft, token: str) -> TypedPage:
    """The page that was left lying, under a token; somebody else's reason for overruling stays with the owner."""
    page = from_draft(draft.typed, token)
    return page if draft.user_id == work.actor.user_id else _without_reason(work, page)


def draft_of(work: Work, job: Job | None) -> Draft | None:
    """The draft that one could go on with: one's own newest, or the job's where it is newer than its quote."""
    if work.actor.user_id is None:
        return None
    draft = load_draft(work.session, work.actor.user_id, job.id if job else None)
    if draft is not None and job is not None and job.revisions and draft.saved_at <= job.revisions[-1].issued_at:
        return None
    return draft
