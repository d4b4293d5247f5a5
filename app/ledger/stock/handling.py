"""Use cases at the shelf: count one item, put found goods, move between places, scrap; an item's own data; places."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.stock.counts import MOST_FOUND, release_newest
from app.ledger.stock.items import fault_of_barcode, get_stock_item, name_item
from app.ledger.stock.movements import lock_item, move_stock, quantity_of
from app.ledger.stock.needs import reserve_waiting
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Work
from app.ledger.tables import (
    Item,
    MovementKind,
    PlaceKind,
    Role,
    StockMovement,
    StockPlace,
)
from app.pricing import MAX_CENTS


@dataclass(frozen=True, slots=True)
class ShelfForm:
    """So many of an item at a place. mark: the newest movement when the page was made (`newest_movement`)."""

    quantity: int
    why: str = ""
    place_id: int = 1
    mark: int = 0


@dataclass(frozen=True, slots=True)
class ItemForm:
    """What is kept of an item besides its code."""

    words: str
    bin: str = ""
    barcode: str = ""
    cost_cents: int = 0
    reorder_point: int | None = None
    reorder_to: int | None = None
    pack_size: int = 1
    lead_days: int | None = None


def count_item(work: Work, item_id: int, form: ShelfForm) -> int:
    """Say how many of an item lie at a place; by how many that differs from the sum.

    LedgerError on `quantity` where it moved there since the page was made: then it must be counted again.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        item, place = _at(work, item_id, form)
        if form.quantity > MOST_FOUND:
            raise LedgerError("quantity", f"Enter a whole number from 0 to {MOST_FOUND:,}.")
        moved = sa.exists().where(
            StockMovement.item_id == item.id, StockMovement.place_id == place.id, StockMovement.id > form.mark
        )
        sums = quantity_of(work.session, item.id, place.id)
        if work.session.scalar(sa.select(moved)):
            raise LedgerError(
                "quantity",
                f"{name_item(item)} moved at {place.name} since this page was made: {sums.on_hand:,} on hand now. "
                "Count it again.",
            )
        if sums.reserved > form.quantity:
            over = sums.reserved - form.quantity
            release_newest(work, item, place, over, "counted: fewer than were reserved")
        difference = form.quantity - sums.on_hand
        why = form.why or "counted"
        move_stock(
            work,
            item,
            MovementKind.COUNTED,
            on_hand=difference,
            why=why,
            place=place,
            cost_cents=item.cost_cents,
        )
        reserve_waiting(work, item)
        _record(
            work, item, "stock counted", f"{name_item(item)}: {form.quantity:,} at {place.name} ({difference:+,})"
        )
        return difference


def put_found(work: Work, item_id: int, form: ShelfForm) -> None:
    """Put goods that were found with what is on hand. LedgerError where the item was never counted at all."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        item, place = _at(work, item_id, form, least=1)
        if not quantity_of(work.session, item.id).is_counted:
            raise LedgerError("quantity", f"{name_item(item)} was never counted: count all of it that is there.")
        why = f"found: {form.why}" if form.why else "found"
        move_stock(work, item, MovementKind.COUNTED, on_hand=form.quantity, why=why, place=place)
        reserve_waiting(work, item)
        _record(work, item, "stock found", f"{name_item(item)}: {form.quantity:,} found at {place.name}")


def scrap_stock(work: Work, item_id: int, form: ShelfForm) -> None:
    """Throw goods away that are free, with a reason."""
    work.require_owner()
    if not form.why:
        raise LedgerError("why", "Say why it is scrapped.")
    with transaction(work.session):
        item, place = _at(work, item_id, form, least=1)
        move_stock(work, item, MovementKind.SCRAPPED, on_hand=-form.quantity, why=form.why, place=place)
        _record(work, item, "stock scrapped", f"{name_item(item)}: {form.quantity:,} scrapped at {place.name}")


def move_between(work: Work, item_id: int, form: ShelfForm, to_id: int) -> None:
    """Move free goods from one place to another."""
    work.require_owner()
    with transaction(work.session):
        item, place = _at(work, item_id, form, least=1)
        there = get_row(work.session, StockPlace, to_id, "place")
        if there.id == place.id:
            raise LedgerError("to_id", "Choose another place to move it to.")
        said = f": {form.why}" if form.why else ""
        number = form.quantity
        move_stock(work, item, MovementKind.MOVED, on_hand=-number, why=f"to {there.name}{said}", place=place)
        move_stock(work, item, MovementKind.MOVED, on_hand=number, why=f"from {place.name}{said}", place=there)
        reserve_waiting(work, item)
        _record(work, item, "stock moved", f"{name_item(item)}: {number:,} from {place.name} to {there.name}")


def _at(work: Work, item_id: int, form: ShelfForm, least: int = 0) -> tuple[Item, StockPlace]:
    if form.quantity < least:
        raise LedgerError("quantity", f"Enter a whole number, {least} or more.")
    check_texts(form, StockMovement)
    lock_item(work.session, item_id)
    return get_stock_item(work.session, item_id), get_row(work.session, StockPlace, form.place_id, "place")


def change_item(work: Work, item_id: int, version: int, form: ItemForm, *, is_barcode_meant: bool = False) -> Item:
    """Change what is kept of an item; events say what. Problems by field, on `is_barcode_meant` where a new barcode
    has a check digit that does not fit, and that was not said yet.
    """
    work.require_owner()
    check_texts(form, Item)
    problems = [
        Problem(field, "Enter a whole number, 0 or more.")
        for field in ("reorder_point", "reorder_to", "lead_days", "cost_cents")
        if (getattr(form, field) or 0) < 0
    ]
    if form.pack_size < 1:
        problems.append(Problem("pack_size", "Enter a whole number, 1 or more."))
    if form.cost_cents > MAX_CENTS:
        problems.append(Problem("cost_cents", "This is more than any price may be."))
    if form.reorder_to is not None and form.reorder_point is None:
        problems.append(Problem("reorder_point", "Enter the reorder point too: when is it ordered?"))
    if form.reorder_to is not None and form.reorder_to < (form.reorder_point or 0):
        problems.append(Problem("reorder_to", "Order up to at least the reorder point."))
    if not form.words:
        problems.append(Problem("words", "Enter what it is."))
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        item = get_version(work.session, Item, item_id, "item of stock", version)
        if form.barcode != item.barcode and not is_barcode_meant and (fault := fault_of_barcode(form.barcode)):
            raise LedgerError("is_barcode_meant", f"{fault} Scan it again, or tick this to keep it all the same.")
        changed = set_changed(item, asdict(form))
        if changed:
            said = ", ".join(name.replace("_", " ").removesuffix(" cents") for name in changed)
            _record(work, item, "stock item changed", f"{name_item(item)}: {said}")
        return item


def set_place(work: Work, name: str, kind: PlaceKind, place_id: int | None = None, version: int = 0) -> StockPlace:
    """Put a place on record, or give it another name and kind. Taken on `name` where another has it."""
    work.require_owner()
    if not name:
        raise LedgerError("name", "Enter the place's name.")
    values: Mapping[str, object] = {"name": name, "kind": kind}
    with transaction(work.session):
        if place_id is None:
            place = StockPlace(**values)
            work.session.add(place)
        else:
            place = get_version(work.session, StockPlace, place_id, "place", version)
            set_changed(place, values)
        check_texts(place, StockPlace)
        work.session.flush()
        record(work, "stock place set", f"stock place {place.id}", f"{name}, {kind.value}")
        return place


def _record(work: Work, item: Item, kind: str, summary: str) -> None:
    record(work, kind, f"stock item {item.id}", summary)
