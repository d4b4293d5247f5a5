"""What a row of a job has to be by itself, so that no page stumbles over it after an import."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from app.errors import BitternError
from app.ledger.jobs.notes import has_many_digits
from app.ledger.jobs.payments import MEANS
from app.ledger.moving.cells import is_sound_text
from app.ledger.people.users import name_key
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, read_snapshot, snapshot_hash
from app.ledger.tables import LineKind, Stage
from app.pricing import MAX_CENTS, BenchTask, CylinderType, KeyingKind, RecordedTime

Row = Mapping[str, Any]
KEYED_AT = ("", "shop", "factory", "shop/factory", "factory/shop")
NEEDS_REASON = (Stage.LOST, Stage.CANCELED)
_MINUTES = re.compile(r"[0-9]{1,7}(\.[0-9]{1,32})?", re.ASCII)
# What reading a JSON value that is none of ours may end in.
_MISREAD = (BitternError, TypeError, ValueError, KeyError, AttributeError, RecursionError)


def check_job(row: Row) -> None:
    """Amounts, the place of keying and the reason are such as a job can have."""
    if row["number"] < 1:
        raise BitternError("number", "Job numbers begin at 1.")
    if row.get("keyed_at", "") not in KEYED_AT:
        raise BitternError("keyed_at", f"Write one of: {', '.join(one or 'nothing' for one in KEYED_AT)}.")
    if row.get("accepted_option", "") not in ("", *OPTIONS):
        raise BitternError("accepted_option", "Write A or B, or nothing where the quote offered one way.")
    for name in ("value_cents", "cost_cents", "deposit_cents", "agreed_cents"):
        _cents(row, name)
    if row.get("bench_minutes", 0) < 0:
        raise BitternError("bench_minutes", "Enter whole minutes, 0 or more.")
    if row["stage"] in NEEDS_REASON and not row.get("reason", "").strip():
        raise BitternError("reason", f"Say why the job is {row['stage'].value}.")


def _cents(row: Row, name: str) -> None:
    if not 0 <= (row.get(name) or 0) <= MAX_CENTS:
        raise BitternError(name, f"Enter whole cents from 0 to {MAX_CENTS:,}.")


def check_line(row: Row) -> None:
    """A line as it was agreed, and the request behind it one that the counter can make."""
    if row["number"] < 1:
        raise BitternError("number", "Line numbers begin at 1.")
    if row["kind"] not in set(LineKind):
        raise BitternError("kind", f"Write one of: {', '.join(LineKind)}.")
    if row["quantity"] < 1:
        raise BitternError("quantity", "Enter a whole quantity, 1 or more.")
    _cents(row, "unit_cents")
    _check_ask({"customer_id": 0, "lines": [row["ask"]], "need_by": None, "system": None}, "ask")


def _check_ask(given: Any, column: str) -> None:
    try:
        QuoteRequest.from_json(given)
    except BitternError as error:
        told = "This is no request that the counter can make. Put back what was exported."
        raise BitternError(column, told) from error


def check_quote(row: Row) -> None:
    """A quote whose words are those that were issued, and whose columns say the same as its words."""
    if row["revision"] < 1:
        raise BitternError("revision", "Revisions begin at 1.")
    text = row["snapshot"]
    if snapshot_hash(text) != row["sha256"]:
        raise BitternError(
            "snapshot",
            "This quote does not read as it was issued: its SHA-256 is another than the one beside it. An issued "
            "quote is never changed; put back both cells as they were exported.",
        )
    said = _read(text)
    _check_ask(said.ask, "snapshot")
    for name, value in (
        ("revision", said.revision),
        ("valid_until", said.valid_until),
        ("subtotal_cents", said.totals.subtotal_cents),
        ("total_cents", said.totals.total_cents),
        ("cost_cents", said.cost_cents),
    ):
        if row[name] != value:
            raise BitternError(name, f"The quote itself says {value}; put back what was exported.")
    if name_key(row["issued_by_id"]) != name_key(said.issued_by):
        raise BitternError(
            "issued_by_id", f"The quote itself says {said.issued_by[:80]}; put back what was exported."
        )


def _read(text: str) -> QuoteSnapshot:
    try:
        if is_sound_text(json.loads(text)):
            return read_snapshot(text)
    except _MISREAD:
        pass
    raise BitternError("snapshot", "This is no quote of Bittern's. Put back the cell as it was exported.")


def check_payment(row: Row) -> None:
    """Money in or out, by a means that is on the list, without a card's number."""
    if row["cents"] == 0 or abs(row["cents"]) > MAX_CENTS:
        raise BitternError("cents", f"Enter whole cents, not 0, at most {MAX_CENTS:,}; below 0 for money given back.")
    if row["means"] not in MEANS:
        raise BitternError("means", f"Write one of: {', '.join(MEANS)}.")
    if has_many_digits(row.get("note", "")):
        raise BitternError(
            "note", "A number of 12 digits or more is not kept, since it may be a card's. Take it out."
        )


def check_bench_time(row: Row) -> None:
    """A time that the bench can learn from."""
    for name, words in (("task", BenchTask), ("kind", ("", *KeyingKind)), ("cylinder", ("", *CylinderType))):
        if row.get(name, "") not in set(words):
            raise BitternError(name, f"Write one of: {', '.join(one or 'nothing' for one in words)}.")
    if not _MINUTES.fullmatch(row["minutes"]):
        raise BitternError("minutes", "Enter minutes such as 42.5.")
    kind, cylinder = row.get("kind", ""), row.get("cylinder", "")
    RecordedTime(
        task=BenchTask(row["task"]),
        pieces=row["pieces"],
        minutes=Fraction(row["minutes"]),
        finished=row["finished"],
        kind=KeyingKind(kind) if kind else None,
        cylinder=CylinderType(cylinder) if cylinder else None,
    )
