"""Revisions side by side, and a quote at the prices of a later day."""

import json
from dataclasses import MISSING, fields, replace
from datetime import date, timedelta

import pytest
import sqlalchemy as sa

from app.documents import owner_quote_pdf, quote_page
from app.errors import Problems
from app.ledger.quoting.issuing import Comparison, keep_requote, requote
from app.ledger.quoting.request import LineRequest
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot, SnapshotLine, read_snapshot
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Job, LineKind, PriceBookRow, QuoteRevision
from tests.ledger.quoting.test_options import SHOP
from tests.ledger.test_main_job import accept, flats, issued

RINGS = LineRequest(LineKind.HARDWARE, 3, price_code="RING-SET")


def dearer(work: Work, code: str, cents: int, on: date) -> None:
    old = work.session.query(PriceBookRow).filter_by(code=code, tier="").first()
    assert old is not None
    kept = {name: getattr(old, name) for name in ("code", "cost_cents", "tier")}
    row = PriceBookRow(**kept, unit_cents=cents, quantity_from=1, valid_from=on, valid_until=None)
    work.session.add(row)
    work.session.commit()


def fresh(work: Work, job: Job) -> Job:
    work.session.expire_all()
    return job


def test_the_differences_of_the_lines_add_up_to_that_of_the_sums(work: Work) -> None:
    ask = flats(work, lines=(*flats(work).lines, RINGS), **SHOP)
    job = issued(work, ask)
    lines = (replace(ask.lines[0], quantity=30), LineRequest(LineKind.TRIP, 1, price_code="TRIP"))
    issued(work, replace(ask, lines=lines), job_id=job.id, job_version=job.version)
    before, after = (read_snapshot(each.snapshot) for each in fresh(work, job).revisions)
    found = Comparison(before, after)
    assert [change.status.value for change in found.moved] == ["changed", "changed", "changed", "added", "removed"]
    label, old, new = found.sums[0]
    assert label == "Before tax" and new - old == sum(change.difference_cents for change in found.changes)
    for name, one, two in found.sums:
        assert (one, two) == {
            "Before tax": (before.totals.subtotal_cents, after.totals.subtotal_cents),
            "Sales tax": (before.totals.tax_cents, after.totals.tax_cents),
            "Total": (before.totals.total_cents, after.totals.total_cents),
        }[name]


def test_a_later_days_prices_are_shown_and_kept_as_shown(work: Work) -> None:
    job = issued(work, flats(work, lines=(RINGS,), system=None))
    dearer(work, "RING-SET", 12_80, work.today + timedelta(days=7))
    assert requote(work, job).comparison.moved == ()
    later = replace(work, now=work.now + timedelta(days=8))
    shown = requote(later, fresh(work, job))
    (change,) = shown.comparison.moved
    assert change.before is not None and change.after is not None
    assert change.difference_cents == 3 * (12_80 - change.before.unit_cents) == change.after.net_cents - 29_40
    kept = keep_requote(later, job, "a token", job.version)
    assert kept.total_cents == shown.comparison.after.totals.total_cents
    assert kept.valid_until == shown.comparison.after.valid_until == later.today + timedelta(days=30)
    assert keep_requote(later, fresh(work, job), "a token", 1).id == kept.id
    with pytest.raises(Stale):
        keep_requote(later, fresh(work, job), "another", 1)


def test_what_time_has_overtaken_is_left_out_and_said(work: Work) -> None:
    job = issued(work, flats(work, need_by=work.today + timedelta(days=40), option_b="factory", **SHOP))
    near = replace(work, now=work.now + timedelta(days=32))
    shown = requote(near, job)
    assert shown.ask.option_b == "" and "Option B is no longer possible; it is quoted without it." in shown.notes
    past = requote(replace(work, now=work.now + timedelta(days=60)), fresh(work, job))
    assert past.ask.need_by is None and past.ask.option_b == "factory"
    assert "The day on which it was needed has passed; it is quoted without one." in past.notes


def test_what_was_shown_is_issued_or_nothing(work: Work) -> None:
    job = issued(work, flats(work, lines=(RINGS,), system=None))
    shown = requote(work, fresh(work, job)).mark
    dearer(work, "RING-SET", 12_80, work.today)
    with pytest.raises(Stale, match="prices were changed"):
        keep_requote(work, fresh(work, job), "a token", job.version, shown)
    assert len(fresh(work, job).revisions) == 1
    kept = keep_requote(work, job, "a token", job.version, requote(work, job).mark)
    dearer(work, "RING-SET", 13_80, work.today - timedelta(days=1))
    assert keep_requote(work, fresh(work, job), "a token", 1, shown).id == kept.id  # the same press once more


def test_a_price_that_has_ended_stands_against_it(work: Work) -> None:
    job = issued(work, flats(work, lines=(RINGS,), system=None))
    for row in work.session.query(PriceBookRow).filter_by(code="RING-SET"):
        row.valid_until = work.today
    work.session.commit()
    later = replace(work, now=work.now + timedelta(days=2))
    assert "none that holds" in requote(later, job).problems[0].message
    with pytest.raises(Problems):
        keep_requote(later, fresh(work, job), "a token", job.version)
    assert len(fresh(work, job).revisions) == 1


def test_a_job_that_was_accepted_is_not_quoted_anew(work: Work) -> None:
    job = issued(work, flats(work, **SHOP))
    accept(work, job)
    with pytest.raises(LedgerError, match="no longer be quoted anew"):
        requote(work, fresh(work, job))


def test_a_lines_own_day_that_has_passed_is_left_out_and_an_own_price_that_stays_is_said(work: Work) -> None:
    ask = flats(work)
    line = replace(ask.lines[0], need_by=work.today + timedelta(days=20), unit_cents=30_00, price_reason="as agreed")
    job = issued(work, replace(ask, lines=(line, RINGS)))
    shown = requote(replace(work, now=work.now + timedelta(days=25)), job)
    assert shown.problems == () and shown.ask.lines[0].need_by is None
    assert "Line 1's own day has passed; it is quoted without one." in shown.notes
    assert "Line 1 keeps the price that was typed for it, $30.00 each." in shown.notes


def earlier_release(work: Work, job: Job, text: str) -> QuoteRevision:
    """The next revision of a job, as an earlier release wrote it: an issued one is never changed."""
    mapper = sa.inspect(QuoteRevision)
    last = job.revisions[-1]
    kept = {each.key: getattr(last, each.key) for each in mapper.column_attrs if each.key != "id"}
    more = {"revision": last.revision + 1, "snapshot": text, "request_token": "earlier"}
    return QuoteRevision(**{**kept, **more})


def test_a_quote_of_an_earlier_release_is_read_compared_and_accepted(work: Work) -> None:
    job = issued(work, flats(work, lines=(*flats(work).lines, RINGS)))
    old = json.loads(job.revisions[-1].snapshot)
    for kind, given in ((QuoteSnapshot, [old]), (SnapshotLine, old["lines"]), (KeyingChoice, old["keying"])):
        for row in given:
            for name in [field.name for field in fields(kind) if field.default is not MISSING]:
                row.pop(name, None)
    del old["totals"]["tax_place"]
    for name in ("option_b", "answers"):
        del old["ask"][name]
    for line in old["ask"]["lines"]:
        for name in ("need_by", "replaces", "replaces_finish", "face_asked", "face_answer", "fit"):
            del line[name]
    work.session.add(earlier_release(work, job, json.dumps(old)))
    work.session.commit()
    fresh(work, job)
    quote = read_snapshot(job.revisions[-1].snapshot)
    assert quote_page(quote).totals.total_cents == quote.totals.total_cents
    assert quote.margin_cents == quote.totals.subtotal_cents - quote.cost_cents
    assert owner_quote_pdf(quote).startswith(b"%PDF")
    assert Comparison(quote, quote).moved == ()
    assert requote(work, fresh(work, job)).problems == ()
    accept(work, job)
    assert job.agreed_cents == quote.totals.total_cents and job.promised_on == quote.ready_on
