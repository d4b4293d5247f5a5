"""The entries at the head of every page, each shown to those who may open it."""

from __future__ import annotations

from dataclasses import dataclass

from flask import request
from flask_login import current_user

from app.ledger.tables import Role
from app.web.access import may, pages_open_to_me
from app.web.addresses import address_of, the_addresses


@dataclass(frozen=True, slots=True)
class Entry:
    """One word of the navigation: where it leads, and whether the page shown belongs to it."""

    name: str
    url: str
    is_current: bool


# `also`: blueprints whose pages stand under the same word.
_ENTRIES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("Day", "day.index", ()),
    ("Counter", "counter.page", ("quotes",)),
    ("Fit", "fitting.index", ()),
    ("Ledger", "jobs.ledger", ("payments", "story", "papers")),
    ("Doors", "doors.index", ()),
    ("Key systems", "keysystems.index", ("keying", "keys")),
    ("Bench", "bench.index", ("cylinders",)),
    ("Price book", "prices.index", ("terms", "rules", "times")),
    ("Makers", "makers.index", ("catalogue",)),
    ("Customers", "customers.index", ()),
    ("House", "house.index", ("settings", "quote_rules", "books", "logins", "backups", "moving")),
)
_FRONT = {Role.COUNTER: "counter.page", Role.BENCH: "bench.index", Role.OWNER: "day.index"}


def navigation() -> list[Entry]:
    """The entries for the person logged in; a page that does not exist yet is left out."""
    shown, open_to_me, address = request.blueprint, pages_open_to_me(), the_addresses()
    return [
        Entry(name, address(endpoint), shown == endpoint.partition(".")[0] or shown in also)
        for name, endpoint, also in _ENTRIES
        if endpoint in open_to_me
    ]


def front_page() -> str | None:
    """Where the person logged in starts the day; None when there is nothing for them yet."""
    wanted = [_FRONT[current_user.role], *(endpoint for _, endpoint, _ in _ENTRIES)]
    return next((address_of(endpoint) for endpoint in wanted if may(endpoint)), None)
