"""What the counter page starts from: nothing, a customer, a draft that was left lying, or a quote to be revised."""

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from app.fitting import write_inches
from app.ledger.quoting.issuing import issued_from, keep_draft, load_drafts
from app.ledger.quoting.lost_keys import as_still_said
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.request import LineRequest, QuoteRequest, without_cuts
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Draft, Job, LineKind, Marking, QuoteRevision, Role
from app.pricing import Discount, KeyingKind, Urgency
from app.web.counter.forms import OF_DRAFT, CounterForm
from app.web.forms_base import record_id


def to_draft(form: CounterForm) -> dict[str, Any]:
    """The page as plain JSON values; the token stays with the draft itself."""
    lines = [{"key": line.key, **line.texts()} for line in form.lines.forms]
    return {**form.texts(), **dict.fromkeys(OF_DRAFT, ""), "lines": lines, "answers": dict(form.answers)}


def from_draft(kept: Mapping[str, Any], token: str) -> CounterForm:
    """The page that `to_draft` wrote, by this version or an earlier one, under a token; its lines numbered anew."""
    rows, said = kept.get("lines"), kept.get("answers")
    texts = {name: str(text) for name, text in kept.items() if isinstance(text, str | int)}
    rows = [row for row in rows if isinstance(row, dict) and "kind" in row] if isinstance(rows, list) else []
    for key, row in enumerate(map(_with_reason_apart, rows)):
        texts |= {f"lines-{key}-{name}": str(text) for name, text in row.items() if text is not None}
    if isinstance(said, dict):
        texts |= {f"answer-{code}": str(why) for code, why in said.items()}
    return CounterForm({**texts, "token": token, "tab": ""})


def _with_reason_apart(row: dict[str, Any]) -> dict[str, Any]:
    """A line of an earlier version's draft: the remark on its own price was the reason, which no paper prints now."""
    if row.get("unit_price") and "price_reason" not in row:
        return {**row, "price_reason": row.get("remark"), "remark": ""}
    return row


def start(work: Work, job: Job | None, token: str, customer: str = "", site: str = "") -> CounterForm:
    """An empty page, one for a customer and site by their ids, or one filled from a job's newest revision."""
    if job is None:
        return CounterForm({"token": token, "customer_id": customer[:9], "site_id": site[:9] if customer else ""})
    if job.revisions:
        return _without_reason(
            work, from_draft(draft_of_request(as_still_said(work.session, _quoted(work, job))), token)
        )
    head = {"customer_id": job.customer_id, "site_id": job.site_id or "", "title": job.title}
    return from_draft({**head, "need_by": job.need_by.isoformat() if job.need_by else ""}, token)


def _quoted(work: Work, job: Job) -> QuoteRequest:
    return asked_in(work.session, read_snapshot(job.revisions[-1].snapshot))


def _without_reason(work: Work, form: CounterForm) -> CounterForm:
    """Why the figures were overruled is the owner's to read; whoever gave the reason need not give it twice."""
    if work.actor.role is not Role.OWNER:
        form.say(override_reason="", lost_reason="")
    return form


def with_kept_loss(work: Work, job: Job | None, ask: QuoteRequest) -> QuoteRequest:
    """The request with what the owner settled with the last revision, and why: it holds until a further key is lost.

    Nobody else's reason counts.
    """
    if work.actor.role is not Role.OWNER:
        ask = replace(ask, lost_reason="")
    if job is None or not job.revisions:
        return ask
    quoted = _quoted(work, job)
    kept = replace(ask, lost_reason=quoted.lost_reason, lost_allowed=quoted.lost_allowed)
    return replace(kept, lost_reason=ask.lost_reason) if ask.lost_reason else as_still_said(work.session, kept)


def kept_reason(work: Work, job: Job | None, form: CounterForm) -> str:
    """The reason given with the last revision, for a page that overrules the figures as that one did.

    "" where a reason is typed anew, or none was given.
    """
    keyed_at = form.text("keyed_at")
    if not keyed_at or form.text("override_reason") or job is None or not job.revisions:
        return ""
    quoted = _quoted(work, job)
    return quoted.override_reason if quoted.keyed_at == keyed_at else ""


def resume(work: Work, draft: Draft, token: str) -> CounterForm:
    """The page that was left lying, under a token; somebody else's reason for overruling stays with the owner."""
    form = from_draft(draft.typed, token)
    if token == draft.token:
        form.say(draft_version=str(draft.version), tab=secrets.token_hex(8))
    return form if draft.user_id == work.actor.user_id else _without_reason(work, form)


def drafts_of(work: Work, job: Job | None) -> Sequence[Draft]:
    """The drafts that one could go on with: one's own newest, or the job's where they are newer than its quote."""
    if work.actor.user_id is None:
        return ()
    drafts = load_drafts(work.session, work.actor.user_id, job.id if job else None)
    if job is not None and job.revisions:
        return [draft for draft in drafts if draft.saved_at > job.revisions[-1].issued_at]
    return drafts


def keep_apart(work: Work, form: CounterForm, job: Job | None, ask: QuoteRequest) -> bool:
    """Keep the page as a draft; whether another tab has changed or issued its draft meanwhile.

    The page goes on under a token of its own then, so that what was typed in either tab stays, and says so. Raises
    LedgerBusy.
    """
    token, fresh = form.text("token"), secrets.token_hex(16)
    if form.is_blank:
        return False
    if (done := issued_from(work.session, token)) is not None:
        if _says_same(done, ask):
            return False
        form.say(token=fresh, draft_version="")
    if not form.text("tab"):
        form.say(tab=secrets.token_hex(8))
    read, page = record_id(form.text("draft_version")), {**to_draft(form), "tab": form.text("tab")}
    kept, version = keep_draft(work, form.text("token"), page, job.id if job else None, read=read, apart=fresh)
    form.say(token=kept, draft_version=str(version))
    if kept != token:
        form.say(apart=token)
    elif job is not None and (other := newest_mark(work, job, but=kept)) != form.text("job_draft"):
        form.say(apart=other.partition(":")[0])
    return kept != token


def newest_mark(work: Work, job: Job, but: str = "") -> str:
    """The newest draft of a job and its version, as a page carries it; "" where there is none `but` its own."""
    drafts = load_drafts(work.session, work.actor.user_id or 0, job.id)
    return next((f"{draft.token}:{draft.version}" for draft in drafts if draft.token != but), "")


def _says_same(done: QuoteRevision, ask: QuoteRequest) -> bool:
    """Whether a page asks for what was issued from it: a second press, and no other tab's work.

    A customer or site that was put on record with the quote has no id on the page yet.
    """
    issued = QuoteRequest.from_json(read_snapshot(done.snapshot).ask)
    if ask.customer_id not in (0, issued.customer_id) or ask.site_id not in (None, issued.site_id):
        return False
    return _what_counts(issued) == _what_counts(ask)


def _what_counts(ask: QuoteRequest) -> tuple[object, ...]:
    """What makes another quote of a page, but for its customer and site."""
    where = ask.keyed_at, ask.option_b, ask.system
    return ask.lines, ask.title.strip(), ask.need_by, ask.urgency, ask.discount, where


def draft_of_request(ask: QuoteRequest) -> dict[str, Any]:
    """The page that would have been typed for a request that was quoted, as a draft keeps it."""
    page = {
        "customer_id": str(ask.customer_id),
        "site_id": str(ask.site_id or ""),
        "title": ask.title,
        "need_by": ask.need_by.isoformat() if ask.need_by else "",
        "urgency": "" if ask.urgency is Urgency.IN_TURN else ask.urgency.value,
        "keyed_at": ask.keyed_at,
        "override_reason": ask.override_reason,
        "option_b": ask.option_b,
        "answers": dict(ask.answers),
        "lost_reason": ask.lost_reason,
        "replaced": "" if ask.loss_id else " ".join(ask.replaced),
        "loss_id": str(ask.loss_id or ""),
        "discount": _typed_discount(ask.discount),
        "discount_reason": ask.discount_reason,
        "discount_meant": ask.discount_meant,
        "lines": [line_of_ask(line) for line in ask.lines],
    }
    system = ask.system
    if system is None:
        return page
    page |= {
        "construction": system.construction.value,
        "construction_keys": str(system.construction_keys or ""),
        "handed_over_on": system.handed_over_on.isoformat() if system.handed_over_on else "",
    }
    if system.existing_id is not None:
        return {**page, "system_id": str(system.existing_id)}
    return {
        **page,
        "system_id": "new",
        "system_name": system.name,
        "system_levels": str(system.levels),
        "system_grands": str(system.grands),
        "system_masters": str(system.masters),
        "mark_keys": "" if system.mark_keys is Marking.VISUAL else system.mark_keys.value,
        "mark_cylinders": "" if system.mark_cylinders is Marking.CONCEALED else system.mark_cylinders.value,
    }


def _typed_amount(cents: int) -> str:
    return f"{cents // 100}.{cents % 100:02d}"


def _typed_discount(discount: Discount) -> str:
    if discount.percent:
        return f"{discount.percent.normalize():f} %"
    return _typed_amount(discount.cents) if discount.cents else ""


def with_lines(form: CounterForm, ask: QuoteRequest) -> CounterForm:
    """The page with the lines and the day of a request, all else as it is typed."""
    made = draft_of_request(ask)
    kept = {**to_draft(form), "need_by": made["need_by"], "lines": made["lines"]}
    with_them = from_draft(kept, form.text("token"))
    with_them.say(draft_version=form.text("draft_version"), tab=form.text("tab"))
    return with_them


def line_of_ask(line: LineRequest) -> dict[str, str]:
    """What would have been typed into the boxes of one line, its kind beside it."""
    said, keying = line.attributes, line.keying
    # A catalog's hardware was asked for by its number; so is a cylinder whose number says what no box does.
    by_number = line.kind is LineKind.HARDWARE or (line.kind is LineKind.CYLINDER and bool(said and said.keying))
    is_part = line.kind is LineKind.PART or (by_number and bool(line.part_number))
    is_usual = line.kind is LineKind.REKEY and keying.kind is KeyingKind.NONE
    typed = {
        "kind": (LineKind.PART if is_part else line.kind).value,
        "quantity": str(line.quantity),
        "maker": line.maker_code,
        "part_number": line.part_number if is_part else "",
        "symbol": line.symbol,
        "price_code": line.price_code,
        "keying": keying.kind.value if line.kind.is_keyed and not is_usual else "",
        "set_size": str(keying.set_size or ""),
        "master": keying.under,
        "reserve": keying.reserve,
        "alike_with": str(keying.alike_with or ""),
        "key_keyway": keying.key_keyway,
        "key_marks": keying.key_marks,
        "keys_each": str(line.keys_each) if line.kind.is_keyed else "2",
        "keys_in_all": "" if line.keys_in_all is None else str(line.keys_in_all),
        "unit_price": _typed_amount(line.unit_cents) if line.unit_cents is not None else "",
        "discount": _typed_discount(line.discount),
        "need_by": line.need_by.isoformat() if line.need_by else "",
        "remark": line.remark,
        "unit_cost": _typed_amount(line.cost_cents) if line.cost_cents is not None else "",
        "price_reason": line.price_reason,
        "price_meant": line.price_meant,
        "replaces": line.replaces,
        "replaces_finish": line.replaces_finish,
        "face_asked": line.face_asked,
        "face_answer": line.face_answer,
        "standing": " ".join(map(str, line.standing)),
        **without_cuts(line.fit),
    }
    # What its number says is not typed; what no maker's tables say of it is, and bears no maker.
    if said is None or (is_part and said.maker):
        return typed
    chambers = "" if said.chambers is None else str(said.chambers)
    if chambers and said.drilled and said.drilled != said.chambers:
        chambers = f"{chambers}/{said.drilled}"
    return typed | {
        "type": said.type,
        "length": "" if said.length is None else write_inches(said.length),
        "chambers": chambers,
        "keyway": said.keyway or "",
        "tail": said.cam or said.tailpiece or "",
        "finish": said.finish or "",
    }
