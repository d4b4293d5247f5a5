"""Use cases at the shelf: count one item, put found goods, move between places, scrap; places."""

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from app.ledger.stock.counts import MOST_FOUND, release_newest
from app.ledger.stock.items import get_stock_item, name_item
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


@dataclass(frozen=True, slots=True)
class ShelfForm:
    """So many of an item at a place. mark: the newest movement when the page was made (`newest_movement`)."""

    quantity: int
    why: str = ""
    place_id: int = 1
    mark: int = 0


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
