"""All that is kept about a customer or a person, in one file to hand over: a page to read, and a workbook of tables.

Never a bitting or a cost; of other people no name.
"""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from html import escape
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import write_inches
from app.ledger.privacy.deleting import DeletionPlan, plan_deletion
from app.ledger.privacy.mentions import LEFT_ALONE, Looker
from app.ledger.privacy.subjects import Identity, Subject, identity_of
from app.ledger.privacy.words import Mark, Replacer, tokens, words_mark
from app.ledger.store.engine import transaction
from app.ledger.store.events import OVERRIDES, record
from app.ledger.store.kept_files import read_kept
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import (
    AccountPayment,
    Appointment,
    Base,
    Contact,
    Customer,
    Door,
    Event,
    FormerName,
    GoodsReturn,
    House,
    Inches,
    Invoice,
    InvoiceLine,
    Job,
    JobFile,
    JobLine,
    Key,
    KeyCount,
    Keyset,
    KeySystem,
    Loss,
    Payment,
    QuoteRevision,
    Reminder,
    Site,
    User,
    Warranty,
)
from app.pricing import show_day
from app.spreadsheets import styled_book_bytes, zip_bytes

KEPT_HANDED_OVER = "personal data handed over"
_SHEETS: tuple[tuple[type[Base], str], ...] = (
    (Customer, "who you are"),
    (Contact, "people whom you named"),
    (Site, "your sites"),
    (FormerName, "what you and your sites were called before"),
    (Job, "what we did for you"),
    (JobLine, "what you bought"),
    (QuoteRevision, "what we quoted"),
    (Invoice, "what we invoiced and credited"),
    (InvoiceLine, "the lines of these"),
    (AccountPayment, "what you paid for several jobs at once"),
    (Payment, "what you paid for each job"),
    (KeySystem, "your key systems; bittings are never handed out"),
    (Key, "keys, by symbol and copy"),
    (KeyCount, "counts of your keys"),
    (Loss, "keys that were lost"),
    (Door, "your doors"),
    (Warranty, "cylinders that came back"),
    (GoodsReturn, "goods that you brought back"),
    (Appointment, "when somebody comes to you"),
    (Reminder, "what we wanted to be reminded of"),
    (JobFile, "files with your jobs"),
    (Event, "what happened, and when"),
)
_WHAT = {model.__tablename__: what for model, what in _SHEETS}
_HIDDEN = frozenset(
    {"version", "cost_cents", "bench_minutes", "snapshot", "sha256", "stored_name", "request_token", "password_hash"}
    | {"pin_hash", "name_key", "phone_digits", "session_stamp", "factor_step", "urgency", "actor_name", "token"}
    | {"borne_by", "claim"}  # what is between the house and the maker
)


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table of what is kept: its name, what it is in words, its headings and rows of texts."""

    name: str
    what: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str | Decimal, ...], ...]


def kept_about(
    work: Work,
    folder: Path,
    files_folder: Path,
    kind: str,
    row_id: int,
    also: str = "",
    left: Sequence[int] | None = None,
    files: Sequence[int] = (),
) -> bytes:
    """The ZIP of all that is kept about somebody, for the owner, and on record. files: ids of files to go with it.

    also: further words that are theirs, as for a deletion. left: customers whose records are about somebody else of
    the same name; None leaves out those that have such a one. NotFound where the row names nobody.
    """
    work.require_owner()
    plan = plan_deletion(work, folder, kind, row_id, also)
    tables = list(_tables(work.session, plan.subject, also, plan.doubtful if left is None else left))
    chosen = [one for one in plan.files if one.id in files]
    house = work.session.scalar(sa.select(House.name).order_by(House.id).limit(1)) or "This house"
    sheets = [(one.name, one.heads, one.rows) for one in tables]
    contents = {
        "read me first.html": _page(work, house, plan, tables, [one.name for one in chosen]).encode(),
        "records.xlsx": styled_book_bytes(f"What {house} keeps about you", work.today, sheets),
        **{f"files/{one.id} {one.name}": read_kept(files_folder, one) for one in chosen},
    }
    with transaction(work.session):
        said = f"All that is kept about a {plan.subject.about.partition(' ')[0].strip(',')} was handed over"
        record(work, KEPT_HANDED_OVER, _about(plan.subject), said, tables=[one.name for one in tables])
    return zip_bytes(contents)


def _about(subject: Subject) -> str:
    if subject.kind == "login":
        return f"user {subject.id}"
    return f"customer {subject.customer_id}" if subject.customer_id else "house"


def _tables(session: Session, subject: Subject, also: str, left: Collection[int]) -> Iterator[KeptTable]:
    hasher = Vault(Vault.new_key())
    found = identity_of(session, hasher, subject, 0, also)
    others = Replacer(hasher, _other_people(session, hasher, found))
    rows: dict[str, dict[Any, dict[str, Any]]] = {}
    looker = Looker(session, hasher, found.marks, own=subject.customer_id if subject.kind == "customer" else None)
    for one in looker.mentions(found.patterns):
        if one.customer_id not in left:
            rows.setdefault(one.table.name, {})[one.key] = dict(one.row)
    for table, row_id, _ in found.rows:
        held = session.execute(sa.select(Base.metadata.tables[table]).where(_key(table) == row_id)).mappings().first()
        if held is not None:
            rows.setdefault(table, {})[row_id] = dict(held)
    if subject.kind == "customer":
        for table, statement in _of_customer(session, subject.id):
            for held in session.execute(statement).mappings():
                rows.setdefault(table, {})[next(iter(held.values()))] = dict(held)
    names = [*_WHAT, *sorted(set(rows) - set(_WHAT))]
    for name in names:
        if name in rows and name not in LEFT_ALONE and name not in ("drafts", "logins", "login_attempts"):
            kept = [row for _, row in sorted(rows[name].items())]
            if name == Event.__tablename__:
                kept = [row for row in kept if row["kind"] not in OVERRIDES]
            yield _table(session, name, kept, others)


def _key(table: str) -> sa.Column[Any]:
    return next(iter(Base.metadata.tables[table].primary_key.columns))


def _of_customer(session: Session, customer_id: int) -> Iterator[tuple[str, sa.Select[Any]]]:
    """Every row of a customer's records that is theirs to see."""
    jobs = sa.select(Job.id).where(Job.customer_id == customer_id)
    systems = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id)
    sites = sa.select(Site.id).where(Site.customer_id == customer_id)
    subjects = [f"customer {customer_id}", *(f"key system {one}" for one in session.scalars(systems))]
    theirs: dict[type[Base], sa.ColumnElement[bool]] = {
        Site: Site.customer_id == customer_id,
        Job: Job.customer_id == customer_id,
        JobLine: JobLine.job_id.in_(jobs),
        QuoteRevision: QuoteRevision.job_id.in_(jobs),
        Invoice: Invoice.job_id.in_(jobs),
        InvoiceLine: InvoiceLine.invoice_id.in_(sa.select(Invoice.id).where(Invoice.job_id.in_(jobs))),
        AccountPayment: AccountPayment.customer_id == customer_id,
        Payment: Payment.job_id.in_(jobs),
        KeySystem: KeySystem.customer_id == customer_id,
        Key: Key.keyset_id.in_(sa.select(Keyset.id).where(Keyset.system_id.in_(systems))),
        Door: Door.site_id.in_(sites),
        FormerName: sa.or_(FormerName.customer_id == customer_id, FormerName.site_id.in_(sites)),
        KeyCount: KeyCount.customer_id == customer_id,
        Loss: Loss.system_id.in_(systems),
        Warranty: Warranty.job_id.in_(jobs),
        GoodsReturn: GoodsReturn.job_id.in_(jobs),
        Appointment: sa.or_(Appointment.job_id.in_(jobs), Appointment.site_id.in_(sites)),
        Reminder: sa.or_(Reminder.customer_id == customer_id, Reminder.job_id.in_(jobs)),
        JobFile: JobFile.job_id.in_(jobs),
        Event: sa.or_(Event.job_id.in_(jobs), Event.subject.in_(subjects)),
    }
    for model, condition in theirs.items():
        table = Base.metadata.tables[model.__tablename__]
        yield table.name, sa.select(table).where(condition).order_by(_key(table.name))


def _other_people(session: Session, hasher: Vault, found: Identity) -> list[Mark]:
    """Everybody else whom records name: nobody is handed another person's name."""
    own = {one.whole for one in found.marks}
    names = [(name, "our staff") for name in session.scalars(sa.select(User.name).order_by(User.id))]
    for column in (Contact.name, Key.holder, Job.accepted_by, KeySystem.owner_of_record):
        names += [(name, "another person") for name in session.scalars(sa.select(column).distinct().order_by(column))]
    told = sa.cast(Event.detail, sa.Text)
    signed = sa.select(Event.detail).where(sa.or_(told.like('%"holder"%'), told.like('%"taken_by"%')))
    for detail in session.scalars(signed.order_by(Event.id)):
        names += [(str(detail.get(one) or ""), "another person") for one in ("holder", "taken_by")]
    marks = (words_mark(hasher, name, put) for name, put in dict(names).items() if tokens(name))
    return [one for one in marks if one is not None and one.whole not in own]


def _table(session: Session, name: str, rows: Sequence[dict[str, Any]], others: Replacer) -> KeptTable:
    table = Base.metadata.tables[name]
    columns = [
        one for one in table.columns if _is_shown(one) and any(row[one.name] not in (None, "") for row in rows)
    ]
    link = "keyset_id" if "keyset_id" in table.columns else "job_id" if "job_id" in table.columns else ""
    words = _linked(session, link, {row[link] for row in rows if row[link] is not None}) if link else {}
    heads = ([_LINKS[link]] if words else []) + [_head(one) for one in columns]
    shown = [
        tuple(([words.get(row[link], "")] if words else []) + [_cell(one, row[one.name], others) for one in columns])
        for row in rows
    ]
    if name in _FURTHER:
        heads.append("Further")
        shown = [(*cells, _FURTHER[name](row, others)) for cells, row in zip(shown, rows, strict=True)]
    return KeptTable(name.replace("_", " "), _WHAT.get(name, "where your name stands"), tuple(heads), tuple(shown))


def _of_event(row: Mapping[str, Any], others: Replacer) -> str:
    """What an event holds of whoever signed or picked up; nothing where that was somebody else."""
    detail = row["detail"]
    names = [str(detail[one]) for one in ("holder", "taken_by") if detail.get(one)]
    if any(others.text(one) != one for one in names):
        return ""
    told = {"Name": ", ".join(names), "Phone": detail.get("phone"), "Authority": detail.get("authority")}
    return "; ".join(f"{name}: {others.text(str(value))}" for name, value in told.items() if value)


def _of_quote(row: Mapping[str, Any], others: Replacer) -> str:
    """How a quote named the customer when it was issued."""
    said = json.loads(row["snapshot"])
    names = ("customer_name", "customer_phone", "customer_address", "site_name", "site_address", "title")
    return "; ".join(others.text(" ".join(str(said[one]).split())) for one in names if said.get(one))


_FURTHER = {Event.__tablename__: _of_event, QuoteRevision.__tablename__: _of_quote}
_LINKS = {"job_id": "Job", "keyset_id": "Key"}


def _linked(session: Session, link: str, ids: set[int]) -> dict[int, str]:
    """What a row belongs to, as people say it: a job's number, a keyset's symbol."""
    if link == "job_id":
        rows = sa.select(Job.id, Job.number).where(Job.id.in_(ids))
    else:
        rows = sa.select(Keyset.id, Keyset.symbol).where(Keyset.id.in_(ids))  # type: ignore[assignment]
    return {row_id: str(word) for row_id, word in session.execute(rows).all()}


def _is_shown(column: sa.Column[Any]) -> bool:
    is_secret = isinstance(column.type, sa.LargeBinary | sa.JSON) or column.name in _HIDDEN
    return not (is_secret or column.primary_key or column.foreign_keys)


def _head(column: sa.Column[Any]) -> str:
    name = "amount" if column.name == "cents" else column.name.removesuffix("_cents")
    return name.replace("_", " ").capitalize()


def _cell(column: sa.Column[Any], value: Any, others: Replacer) -> str | Decimal:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() if column.name.endswith("_cents") or column.name == "cents":
            return Decimal(value) / 100
        case datetime():
            return f"{value.astimezone():%Y-%m-%d %H:%M}"
        case date():
            return value.isoformat()
        case _ if isinstance(column.type, Inches):
            return write_inches(value)
        case _:
            return others.text(str(value))


def _page(work: Work, house: str, plan: DeletionPlan, tables: Iterable[KeptTable], files: Sequence[str]) -> str:
    """The page to read first: what this is, what each table holds, what is not in it."""
    listed = "".join(
        f"<tr><th scope=row>{escape(one.name)}</th><td>{escape(one.what)}</td><td>{len(one.rows):,}</td></tr>"
        for one in tables
    )
    more = f"<p>Files that go with it: {escape(', '.join(files))}.</p>" if files else ""
    style = (
        "body{font:16px/1.5 sans-serif;max-width:44rem;margin:2rem auto;padding:0 1rem}"
        "td,th{text-align:left;padding:.2rem .8rem .2rem 0}"
    )
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>What {escape(house)} keeps about you</title>'
        f"<style>{style}</style><h1>What {escape(house)} keeps about {escape(plan.subject.name)}</h1>"
        f"<p>As of {show_day(work.today)}. Everything is in records.xlsx, a table a sheet:</p>"
        f"<table><tr><th>Table</th><th>What it is</th><th>Rows</th></tr>{listed}</table>{more}"
        "<p>Left out on purpose: how keys are cut (a secret that protects your doors), what things cost us, and the "
        "names of other people: they read ‘another person’ or ‘our staff’. Sealed backups and papers that were "
        "handed out earlier may hold the same words.</p>"
        "<p>If something is wrong, or should be removed, tell us. What tax law asks us to keep stays as long as it "
        "asks.</p></html>"
    )
