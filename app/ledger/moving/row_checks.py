"""What a row has to be beyond its columns' types, so that no page stumbles over it after an import.

A check raises BitternError on a column. It gets every column that is moved, its default where the file has none, and
people by name.
"""

import json
import re
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any

from app.errors import BitternError
from app.ledger.jobs.notes import has_many_digits
from app.ledger.moving.cells import is_sound_text
from app.ledger.people.users import name_key
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import QuoteSnapshot, read_snapshot, snapshot_hash
from app.ledger.stock.movements import may_change
from app.ledger.tables import Stage
from app.pricing import (
    MAX_CENTS,
    BenchTask,
    CylinderType,
    KeyingKind,
    PriceBasis,
    PriceKind,
    PriceRow,
    PriceRule,
    RecordedTime,
    TaxRule,
)

Row = Mapping[str, Any]
Check = Callable[[Row], object]
_MINUTES = re.compile(r"[0-9]{1,7}(\.[0-9]{1,32})?", re.ASCII)
# What reading a JSON value that is none of ours may end in.
_MISREAD = (BitternError, TypeError, ValueError, KeyError, AttributeError, RecursionError)


def require(name: str, is_right: Callable[[Any], object], message: str) -> Check:
    """Refuse what stands in a column unless it is right, with the message."""

    def check(row: Row) -> None:
        if not is_right(row[name]):
            raise BitternError(name, message)

    return check


def one_of(name: str, words: Iterable[str], message: str = "") -> Check:
    """Refuse any other word; "" among the words is told as 'nothing'."""
    known = [str(word) for word in words]
    listed = ", ".join(word or "nothing" for word in known)
    return require(name, known.__contains__, message or f"Write one of: {listed}.")


def at_least(name: str, low: int, message: str) -> Check:
    """Refuse a number below `low`."""
    return require(name, lambda number: number >= low, message)


def cents(name: str) -> Check:
    """Refuse an amount below 0 or above what pricing takes; an empty one stands for none."""
    return require(
        name, lambda amount: 0 <= (amount or 0) <= MAX_CENTS, f"Enter whole cents from 0 to {MAX_CENTS:,}."
    )


def percent(name: str) -> Check:
    """Refuse what is no percentage from 0 to 100 with at most four decimals, as text."""
    return lambda row: read_decimal(row[name], name)


def json_object(name: str, message: str, read: Callable[[dict[str, Any]], object]) -> Check:
    """Refuse what is no JSON object, or one with something in it that `read` refuses."""
    is_object = require(name, lambda value: isinstance(value, dict), message)

    def check(row: Row) -> None:
        is_object(row)
        if row[name]:
            read(row[name])

    return check


def read_decimal(text: str, field: str) -> str:
    """A percentage from 0 to 100 with at most four decimals, as text."""
    try:
        value = Decimal(text)
    except InvalidOperation as error:
        raise BitternError(field, f"Enter a percentage such as 7.25, not {text[:20]!r}.") from error
    exponent = value.as_tuple().exponent
    if not value.is_finite() or not 0 <= value <= 100 or not isinstance(exponent, int) or exponent < -4:
        raise BitternError(field, "Enter a percentage from 0 to 100 with at most four decimals.")
    return text


def check_tax_rule(row: Row) -> None:
    """A rule that pricing can follow."""
    names = ("place", "goods_taxed", "labour_taxed", "valid_from")
    TaxRule(rate=Decimal(read_decimal(row["rate_percent"], "rate_percent")), **{name: row[name] for name in names})


def check_price(row: Row) -> None:
    """A price that pricing can read."""
    names = ("code", "unit_cents", "cost_cents", "quantity_from", "valid_from", "valid_until")
    told = {name: row[name] for name in names}
    PriceRow(description="", category="", kind=PriceKind.GOODS, tier=row["tier"] or None, **told)


def check_price_rule(row: Row) -> None:
    """A rule that pricing can follow."""
    one_of("basis", PriceBasis)(row)
    try:
        figure = Decimal(row["figure"])
    except InvalidOperation as error:
        raise BitternError("figure", "Enter a number such as 1.8 or 40.") from error
    names = {name: row[name] or None for name in ("code", "category", "maker", "tier", "valid_until")}
    PriceRule(basis=PriceBasis(row["basis"]), figure=figure, valid_from=row["valid_from"], **names)


def check_reason(row: Row) -> None:
    """A job that is lost or canceled says why."""
    if row["stage"] in (Stage.LOST, Stage.CANCELED) and not row["reason"].strip():
        raise BitternError("reason", f"Say why the job is {row['stage'].word}.")


def check_request(row: Row) -> None:
    """The request behind a line is one that the counter can make."""
    _read_request({"customer_id": 0, "lines": [row["ask"]], "need_by": None, "system": None}, "ask")


def _read_request(given: Any, column: str) -> None:
    try:
        QuoteRequest.from_json(given)
    except BitternError as error:
        refusal = "This is no request that the counter can make. Put back what was exported."
        raise BitternError(column, refusal) from error


def check_quote(row: Row) -> None:
    """A quote whose words are those that were issued, and whose columns say the same as its words."""
    text = row["snapshot"]
    if snapshot_hash(text) != row["sha256"]:
        raise BitternError(
            "snapshot",
            "This quote does not read as it was issued: its SHA-256 is another than the one beside it. An issued "
            "quote is never changed; put back both cells as they were exported.",
        )
    quote = _read_quote(text)
    _read_request(quote.ask, "snapshot")
    for name, value in (
        ("revision", quote.revision),
        ("valid_until", quote.valid_until),
        ("subtotal_cents", quote.totals.subtotal_cents),
        ("total_cents", quote.totals.total_cents),
        ("cost_cents", quote.cost_cents),
    ):
        if row[name] != value:
            raise BitternError(name, f"The quote itself says {value}; put back what was exported.")
    if name_key(row["issued_by_id"]) != name_key(quote.issued_by):
        refusal = f"The quote itself says {quote.issued_by[:80]}; put back what was exported."
        raise BitternError("issued_by_id", refusal)


def check_invoice(row: Row) -> None:
    """An invoice whose words are those that were issued, and whose figures add up."""
    if snapshot_hash(row["snapshot"]) != row["sha256"]:
        refusal = (
            "This invoice does not read as it was issued: its SHA-256 is another than the one beside it. An issued "
            "invoice is never changed; put back both cells as they were exported."
        )
        raise BitternError("snapshot", refusal)
    total = row["subtotal_cents"] + row["tax_cents"] + row["deposit_cents"]
    if row["total_cents"] != total:
        raise BitternError("total_cents", f"Subtotal, tax and deposit come to {total}; put back what was exported.")


def _read_quote(text: str) -> QuoteSnapshot:
    try:
        if is_sound_text(json.loads(text)):
            return read_snapshot(text)
    except _MISREAD:
        pass
    raise BitternError("snapshot", "This is no quote of Bittern's. Put back the cell as it was exported.")


def check_payment(row: Row) -> None:
    """Money in or out, without a card's number."""
    if row["cents"] == 0 or abs(row["cents"]) > MAX_CENTS:
        raise BitternError("cents", f"Enter whole cents, not 0, at most {MAX_CENTS:,}; below 0 for money given back.")
    if has_many_digits(row["note"]):
        refusal = "A number of 12 digits or more is not kept, since it may be a card's. Remove it."
        raise BitternError("note", refusal)


def check_copies(row: Row) -> None:
    """Copy numbers of keys, rising: [] where nobody knows them."""
    copies = row["copies"]
    is_right = isinstance(copies, list) and all(type(one) is int and one > 0 for one in copies)
    if not is_right or copies != sorted(set(copies)):
        raise BitternError(
            "copies", "Write copy numbers as a JSON list, rising: [2, 3], or [] where nobody knows them."
        )


def check_successors(row: Row) -> None:
    """Symbols by the symbols whose place they take, "" where none takes it."""
    successors = row["successors"]
    if not isinstance(successors, dict) or not all(isinstance(one, str) for one in successors.values()):
        raise BitternError("successors", 'Write a JSON object of symbols, such as {"AA": "AD"}.')


def check_bench_time(row: Row) -> None:
    """A time that the bench can learn from."""
    for name, words in (("task", BenchTask), ("kind", ("", *KeyingKind)), ("cylinder", ("", *CylinderType))):
        one_of(name, words)(row)
    if not _MINUTES.fullmatch(row["minutes"]):
        raise BitternError("minutes", "Enter minutes such as 42.5.")
    RecordedTime(
        task=BenchTask(row["task"]),
        pieces=row["pieces"],
        minutes=Fraction(row["minutes"]),
        finished=row["finished"],
        kind=KeyingKind(row["kind"]) if row["kind"] else None,
        cylinder=CylinderType(row["cylinder"]) if row["cylinder"] else None,
    )


def check_item(row: Row) -> None:
    """Figures of an item that can be ordered by."""
    for name in ("list_cents", "reorder_point", "reorder_to", "lead_days", "pin_size"):
        if row[name] is not None and row[name] < 0:
            raise BitternError(name, "Enter a whole number, 0 or more, or nothing.")


def check_movement(row: Row) -> None:
    """A movement that can have been."""
    if not may_change(row["kind"], row["on_hand"], row["reserved"]):
        raise BitternError("on_hand", f"No {row['kind'].value} movement does this. Put back what was exported.")
    cents("cost_cents")(row)


def check_order(row: Row) -> None:
    """An order that was sent has the words that were sent."""
    if row["snapshot"] and snapshot_hash(row["snapshot"]) != row["sha256"]:
        raise BitternError("snapshot", "The words of this order do not fit its sha256. Put back what was exported.")
