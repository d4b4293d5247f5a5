"""What the house has settled: the bench's and the factories' terms by day, its name and what stands on its papers."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date
from decimal import Decimal
from typing import Any, TypeVar

import sqlalchemy as sa

from app.ledger.catalog.price_queries import terms_mark
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Work
from app.ledger.tables import BENCH_TERMS_SET, BenchTermsRow, FactoryTermsRow, House, Maker
from app.pricing import BenchTerms, FactoryTerms, show_day


def set_bench_terms(
    work: Work, valid_from: date, given: Any, seen: str | None = None, why: str = "", *, counted: bool = True
) -> BenchTermsRow:
    """Put the bench's terms on record from a day on; an earlier entry for the same day is replaced.

    `seen`: the mark (`terms_mark`) of all the bench's terms when the page was made; Stale when they have moved on.
    `why` stands in the event. counted: whether what is on the shelf was counted for it, or is as it was.
    """
    work.require_owner()
    terms = BenchTerms.from_json(given).to_json()
    with transaction(work.session):
        rows = work.session.scalars(sa.select(BenchTermsRow)).all()
        row, changes = _put_terms(work, rows, BenchTermsRow(valid_from=valid_from), terms, seen)
        record(
            work,
            BENCH_TERMS_SET,
            "price book",
            f"Bench terms from {show_day(valid_from)} on{f': {why}' if why else ''}",
            changes=changes,
            valid_from=valid_from.isoformat(),
            counted=counted,
        )
        return row


def set_factory_terms(
    work: Work, maker_code: str, valid_from: date, given: Any, seen: str | None = None
) -> FactoryTermsRow:
    """Put a maker's factory terms on record from a day on; an earlier entry for the same day is replaced.

    `seen`: the mark (`terms_mark`) of all this maker's terms when the page was made; Stale when they have moved on.
    """
    work.require_owner()
    terms = FactoryTerms.from_json(given).to_json()
    with transaction(work.session):
        maker = work.session.scalar(sa.select(Maker).where(Maker.code == maker_code))
        if maker is None:
            raise NotFound(f"maker {maker_code[:24]}")
        rows = work.session.scalars(sa.select(FactoryTermsRow).where(FactoryTermsRow.maker_id == maker.id)).all()
        row, changes = _put_terms(work, rows, FactoryTermsRow(maker_id=maker.id, valid_from=valid_from), terms, seen)
        said = f"{maker.name}: factory terms from {show_day(valid_from)} on"
        record(work, "factory terms set", f"maker {maker.id}", said, changes=changes)
        return row


Terms = TypeVar("Terms", BenchTermsRow, FactoryTermsRow)


def _put_terms(
    work: Work, rows: Sequence[Terms], row: Terms, terms: dict[str, Any], seen: str | None
) -> tuple[Terms, dict[str, list[Any]]]:
    """The row of a day with these terms, the new one given where there was none; and name → [before, after] of every
    figure that differs from what held until then."""
    if seen is not None and seen != terms_mark(rows):
        raise Stale()
    begun = [each for each in rows if each.valid_from <= row.valid_from]
    latest = max(begun, key=lambda each: each.valid_from, default=None)
    before = latest.terms if latest else {}
    if latest is not None and latest.valid_from == row.valid_from:
        row = latest
    row.terms = terms
    work.session.add(row)
    work.session.flush()
    return row, {name: [before.get(name), after] for name, after in terms.items() if before.get(name) != after}


@dataclass(frozen=True, slots=True)
class HouseForm:
    """The house's own settings; `paper` Letter or A4, `quote_days` how long a quote is valid.

    second_check: cylinders are checked by somebody else than who pinned them, each one, before a job is checked.
    """

    name: str
    address: str = ""
    phone: str = ""
    email: str = ""
    tax_place: str = ""
    paper: str = "Letter"
    quote_days: int = 30
    exclusions: str = ""
    terms: str = ""
    second_check: bool = False
    least_margin_percent: Decimal | None = None  # None leaves it as it is
    keep_years: int | None = None  # of tax records, 0 for not settled; None as before

    @classmethod
    def of(cls, house: House) -> "HouseForm":
        """What is on record, to change some of it; figures that may be left as they are, are."""
        kept = ("least_margin_percent", "keep_years")
        return cls(**{one.name: getattr(house, one.name) for one in fields(cls) if one.name not in kept})


def set_house(work: Work, form: HouseForm, version: int | None = None) -> House:
    """Set what stands at the head of the house's papers; version as read, None at the first start."""
    work.require_owner()
    if form.paper not in ("Letter", "A4"):
        raise LedgerError("paper", "Choose Letter or A4.")
    check_texts(form, House)
    if not form.name.strip():
        raise LedgerError("name", "Enter the house's name.")
    if not 1 <= form.quote_days <= 365:
        raise LedgerError("quote_days", "A quote is valid for 1 to 365 days.")
    if form.keep_years is not None and not 0 <= form.keep_years <= 100:
        raise LedgerError("keep_years", "Enter 1 to 100 years, or 0 where it is not settled.")
    if form.least_margin_percent is not None and not 0 <= form.least_margin_percent < 100:
        raise LedgerError("least_margin_percent", "A margin stays below 100 percent of the price.")
    with transaction(work.session):
        house = work.session.scalar(sa.select(House).order_by(House.id).limit(1))
        if house is None:
            house = House(name=form.name)
            work.session.add(house)
        elif version is not None and house.version != version:
            raise Stale()
        values = asdict(form)
        least = values.pop("least_margin_percent")
        if values["keep_years"] is None:
            del values["keep_years"]
        set_changed(house, values if least is None else {**values, "least_margin_percent": f"{least:f}"})
        work.session.flush()
        record(work, "house set", "house", "The house's settings were set")
        return house
