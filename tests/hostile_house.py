"""The demo house with hostile text in every free-text field: markup, templates, addresses to load, formulas."""

import json
import re
import zlib
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger import tables as models
from app.ledger.care.opening import open_ledger
from app.ledger.jobs.files import keep_file
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.sites.doors import change_doors
from app.ledger.store.work import Actor
from tests import houses, tour
from tests.conftest import NOW

OUTSIDE = "http://192.0.2.1"
LONG = (
    "=Jqa<b>&\"'",
    "+Jqb<svg/onload=alert(2)><script>alert(2)</script></svg>",
    "-Jqc{{7*7}}${7*7}{%x%}",
    f"@Jqd<img/src={OUTSIDE}/x.png>",
    "\tJqe<style>@import'file:///etc/passwd';*{background:url(file:///etc/passwd)}</style>",
    f"\rJqf<a/href=javascript:alert(6)>\n<link/rel=attachment/href={OUTSIDE}/y>",
    "\r\nJqg: x@y.example\r\nBcc: z@y.example\r\n\r\n</style></script><iframe/src=/etc/passwd>",
    "../../../Jqh<b>/\\:|?*;\"'",
)
"""What long fields begin with; each has a mark, Jqa to Jqh, and what stands behind the mark has to stay text."""
SHORT = ("=Jqs<b>&\"'", "+Jqt{{7*7}}", "-Jqu<i>", "@Jqv<svg>", "\tJqw\"'<", "\rJqx=1", "../Jqy<b>")
MARKED = re.compile("Jq[a-hs-y]")

_FREE: dict[str, str] = {
    "appointments": "installer note",
    "contacts": "name duty phone email",
    "deliveries": "packing_number",
    "delivery_lines": "note",
    "customers": "name phone email address tier tax_place exempt_certificate notes",
    "cylinders": "part_number words cam tailpiece finish remarks",
    "doors": "opening_number location remarks",
    "events": "actor_name summary",
    "former_names": "name",
    "items": "words finish bin barcode",
    "house": "name address phone email tax_place exclusions terms",
    "imports": "file_name sender",
    "import_mappings": "sender",
    "job_files": "about",
    "job_lines": "description part_number",
    "jobs": "title accepted_by po_number reason",
    "key_systems": "name owner_of_record authority_note retired_reason",
    "key_counts": "why_stopped",
    "key_count_lines": "holder remark",
    "keys": "holder holder_phone",
    "keysets": "purpose blind_code own_symbol reserved_for",
    "list_rows_aside": "own_symbol reason settled",
    "blind_codes": "code prefix",
    "locks": "description function",
    "losses": "note closing_note",
    "login_attempts": "name_key",
    "makers": "name address email account_number",
    "maker_paper_pages": "text joined",
    "maker_papers": "title edition",
    "bitting_specs": "name",
    "account_payments": "note",
    "invoice_lines": "words",
    "invoices": "reason",
    "payments": "note",
    "purchase_orders": "maker_number note end_reason",
    "price_rows": "tier",
    "price_rules": "tier",
    "price_tiers": "name",
    "quote_rules": "mail_subject mail_text",
    "reminders": "words",
    "returns": "brought_by reason",
    "claims": "words note answer",
    "sites": "name address tax_place",
    "sold_lines": "part_number words",
    "stock_counts": "words",
    "stock_movements": "why",
    "stock_places": "name",
    "tax_rules": "place",
    "users": "name",
    "warranties": "reason claim",
}
"""Table → its columns that people type words of their own into."""
CLOSED: dict[str, str] = {
    "appointments": "uid state",
    "bench_times": "task kind cylinder minutes",
    "bench_terms": "terms",
    "bitting_specs": "spec",
    "counters": "name",
    "cylinders": "position type keyway state",
    "customers": "phone_digits",
    "contacts": "phone_digits",
    "deletions": "counts left",
    "deliveries": "request_token",
    "doors": "hand",
    "drafts": "token typed",
    "events": "kind subject detail",
    "factory_terms": "terms",
    "house": "paper least_margin_percent first_day",
    "house_identity": "uid",
    "imports": "kind written",
    "import_mappings": "kind headings words day_order",
    "items": "code kind category attributes cylinder_type pin_kind",
    "job_files": "name stored_name kind",
    "job_lines": "kind ask",
    "jobs": "stage keyed_at urgency accepted_option",
    "key_systems": "keyway records mark_keys mark_cylinders",
    "key_count_lines": "found",
    "keys": "state phone_digits",
    "keysets": "symbol level keyway",
    "list_rows_aside": "symbol level parent_symbol",
    "keyways": "code",
    "login_attempts": "address",
    "logins": "address",
    "losses": "copies successors",
    "makers": "code tables finish_leads",
    "maker_papers": "name stored_name",
    "page_notes": "topic name",
    "maker_pictures": "topic name",
    "needs": "keyed_at",
    "account_payments": "means request_token",
    "invoice_lines": "label tax_percent",
    "invoices": "kind snapshot sha256 request_token",
    "money_rules": "terms",
    "payments": "means",
    "price_rows": "code",
    "price_rules": "basis figure code category maker",
    "price_tiers": "percent_off cash_percent dating",
    "purchase_orders": "number kind state snapshot sha256 mark_keys mark_cylinders",
    "quote_revisions": "snapshot sha256 request_token",
    "reminders": "role",
    "replaced_texts": "table_name",
    "quote_rules": "deposit_percent most_off_percent questions_off",
    "return_lines": "kind condition",
    "claims": "state",
    "sold_lines": "label kind",
    "stock_movements": "kind",
    "stock_places": "kind",
    "tax_rules": "rate_percent",
    "users": "name_key role password_hash pin_hash",
    "vault_checks": "check_value",
    "warranties": "borne_by",
}
"""Table → its columns of text that hold words of Bittern's own, or that are filled another way below."""
_FREE_IN_QUOTE = {
    "address", "phone", "customer_name", "customer_phone", "customer_address", "site_name", "site_address",
    "title", "lead_time", "words", "part_number", "keying", "remark", "replaces", "face", "tax_note", "rule",
    "price_reason", "lost_reason", "tax_place", "group", "override_reason", "reasons", "why_not", "detail",
    "owner_notes", "risks", "flips", "told_flips", "exclusions", "terms", "cautions", "question", "answer",
    "issued_by",
}  # fmt: skip


_FREE_IN_SNAPSHOT: dict[str, set[str]] = {
    "quote_revisions": _FREE_IN_QUOTE,
    "invoices": {
        "customer_name", "customer_address", "site_name", "site_address", "title", "words", "part_number", "note",
        "reason", "po_number", "terms", "tax_note", "issued_by", "address", "phone",
    },
    "purchase_orders": {
        "maker_name", "maker_address", "account_number", "words", "part_number", "note", "openings", "issued_by",
        "address", "phone",
    },
}  # fmt: skip
"""Table of papers as they were handed out → the fields of its snapshots that people type words of their own into."""


def hostile(text: str, length: int | None = None) -> str:
    """The text behind a hostile beginning; the same text gives the same, so that what names another still does."""
    beginnings = LONG if length is None or length >= 120 else SHORT
    return (beginnings[zlib.crc32(text.encode()) % len(beginnings)] + text)[:length]


def hostile_demo(to: Path) -> Config:
    """The settings of a demo house at `to` whose every word came from somebody who means harm."""
    config = tour.demo_copy(to)
    ledger = open_ledger(config)
    with ledger.work(Actor(None, "the house", models.Role.OWNER), NOW) as work:
        with work.session.bind.begin() as connection:  # type: ignore[union-attr]
            for table in ("events", "quote_revisions", "invoices"):
                houses.remove_guards(connection, table)
            for name, columns in _FREE.items():
                _fill(connection, models.Base.metadata.tables[name], columns.split())
            for name, fields in _FREE_IN_SNAPSHOT.items():
                _fill_snapshots(connection, models.Base.metadata.tables[name], fields)
        _add_named(work.session)
        door = work.session.scalars(sa.select(models.Door).order_by(models.Door.site_id).limit(1)).one()
        for number, name in enumerate(LONG):
            keep_file(work, to / "files", 1007, name + ".txt", b"worn %d" % number, hostile(name, 200))
        change_doors(work, door.site_id, {door.id: door.version}, {"function": hostile("office", 120).strip()})
    ledger.close()
    return config


def _fill(connection: sa.Connection, table: sa.Table, columns: list[str]) -> None:
    for row in connection.execute(sa.select(table)).mappings().all():
        # An empty field is filled too, but no field that something else is decided by.
        changed = {
            name: hostile(row[name] or name, getattr(table.c[name].type, "length", None))
            for name in columns
            if row[name] or name not in ("tier", "tax_place", "exempt_certificate")
        }
        if changed:
            connection.execute(table.update().where(table.c.id == row["id"]).values(changed))


def _fill_snapshots(connection: sa.Connection, table: sa.Table, fields: set[str]) -> None:
    for row in connection.execute(sa.select(table.c.id, table.c.snapshot).where(table.c.snapshot != "")).all():
        snapshot = json.loads(row.snapshot)
        snapshot["house"]["name"] = hostile(snapshot["house"]["name"])
        snapshot = {
            name: value if name == "ask" else _in_snapshot(name, value, fields) for name, value in snapshot.items()
        }
        text = json.dumps(snapshot, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        connection.execute(
            table.update().where(table.c.id == row.id).values(snapshot=text, sha256=snapshot_hash(text))
        )


def _in_snapshot(name: str, value: Any, fields: set[str]) -> Any:
    if isinstance(value, dict):
        return {inner: _in_snapshot(inner, given, fields) for inner, given in value.items()}
    if isinstance(value, list):
        return [_in_snapshot(name, given, fields) for given in value]
    if isinstance(value, str) and name in fields:
        return hostile(value or name)
    return value


def _add_named(session: Session) -> None:
    """What is known by a code of the house's own: a maker and a price, besides those that others name."""
    maker = session.get_one(models.Maker, 1)
    session.add(models.Maker(code=SHORT[0], name=hostile("The last maker", 120), tables=maker.tables))
    for code in (*SHORT, *LONG):
        words = hostile(code, 300)
        listed = {"category": "hardware", "list_cents": 100, "is_stocked": True}
        session.add(models.Item(maker_id=maker.id, kind=models.ItemKind.GOODS, code=code, words=words, **listed))
        session.add(
            models.PriceBookRow(
                code=code,
                unit_cents=100,
                cost_cents=50,
                valid_from=NOW.date(),
            )
        )
    session.commit()


def unnamed_columns() -> set[str]:
    """'table.column' of every column of text that neither list names: a new one has to be put on one."""

    def known(name: str) -> set[str]:
        return {*_FREE.get(name, "").split(), *CLOSED.get(name, "").split()}

    return {
        f"{table.name}.{column.name}"
        for table in models.Base.metadata.sorted_tables
        for column in table.columns
        if isinstance(column.type, (sa.String, sa.JSON)) and column.name not in known(table.name)
    }
