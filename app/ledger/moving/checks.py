"""What a row has to be beyond its columns' types, so that no page stumbles over it after an import."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from app.errors import BitternError
from app.fitting import from_json, read_maker
from app.keying import BittingSpec
from app.ledger.sites.door_paste import HANDS
from app.pricing import BenchTerms, FactoryTerms, PriceBasis, PriceKind, PriceRow, PriceRule, TaxRule

Row = Mapping[str, Any]


def _one_of(row: Row, column: str, words: list[str]) -> None:
    if row[column] not in words:
        raise BitternError(column, f"Write one of: {', '.join(word or 'nothing' for word in words)}.")


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


def check_house(row: Row) -> None:
    """The paper is one that we print on, the least margin a percentage."""
    _one_of(row, "paper", ["Letter", "A4"])
    if "least_margin_percent" in row:
        read_decimal(row["least_margin_percent"], "least_margin_percent")


def check_quote_rules(row: Row) -> None:
    """The deposit is a percentage, the questions a list."""
    read_decimal(row["deposit_percent"], "deposit_percent")
    if not isinstance(row["questions_off"], list):
        raise BitternError("questions_off", "These are one JSON list.")


def check_tier(row: Row) -> None:
    """What comes off is a percentage."""
    read_decimal(row["percent_off"], "percent_off")


def check_tax_rule(row: Row) -> None:
    """A rule that pricing can follow."""
    names = ("place", "goods_taxed", "labour_taxed", "valid_from")
    TaxRule(rate=Decimal(read_decimal(row["rate_percent"], "rate_percent")), **{name: row[name] for name in names})


def check_price(row: Row) -> None:
    """A price that pricing can read."""
    _one_of(row, "kind", [kind.value for kind in PriceKind])
    names = ("code", "description", "category", "unit_cents", "cost_cents", "valid_from", "valid_until")
    given = {name: row[name] for name in names}
    PriceRow(
        kind=PriceKind(row["kind"]), tier=row["tier"] or None, quantity_from=row.get("quantity_from", 1), **given
    )


def check_item(row: Row) -> None:
    """A cylinder's attributes that fitting can read, and amounts that are no less than nothing."""
    if not isinstance(row["attributes"], dict):
        raise BitternError("attributes", "A cylinder's attributes are one JSON object.")
    if row["attributes"]:
        from_json(row["attributes"])
    for name in ("cost_cents", "list_cents"):
        if row[name] < 0:
            raise BitternError(name, "Enter whole cents, 0 or more.")


def check_price_rule(row: Row) -> None:
    """A rule that pricing can follow."""
    _one_of(row, "basis", [basis.value for basis in PriceBasis])
    try:
        figure = Decimal(row["figure"])
    except InvalidOperation as error:
        raise BitternError("figure", "Enter a number such as 1.8 or 40.") from error
    names = {name: row[name] or None for name in ("code", "category", "maker", "tier", "valid_until")}
    PriceRule(basis=PriceBasis(row["basis"]), figure=figure, valid_from=row["valid_from"], **names)


def check_spec(row: Row) -> None:
    """A bitting spec that keying can read."""
    BittingSpec.from_json(row["spec"], "spec")


def check_maker(row: Row) -> None:
    """Tables that fitting can read."""
    if not isinstance(row["tables"], dict):
        raise BitternError("tables", "A maker's tables are one JSON object.")
    if row["tables"]:
        read_maker({**row["tables"], "items": []})


def check_bench_terms(row: Row) -> None:
    """Terms that pricing can read."""
    BenchTerms.from_json(row["terms"])


def check_factory_terms(row: Row) -> None:
    """Terms that pricing can read."""
    FactoryTerms.from_json(row["terms"])


def check_door(row: Row) -> None:
    """A hand that doors have, and an opening number."""
    _one_of(row, "hand", list(HANDS))
    if not row["opening_number"].strip():
        raise BitternError("opening_number", "Enter the opening number.")
