"""The entries at the head of every page, each shown to those who may open it."""

from __future__ import annotations

__all__ = ["Entry", "front_page", "navigation"]

from dataclasses import dataclass

from flask import request, url_for
from flask_login import current_user

from app.ledger.users.models import Role
from app.web.access import may


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
    shown = request.blueprint
    return [
        Entry(name, url_for(endpoint), shown == endpoint.partition(".")[0] or shown in also)
        for name, endpoint, also in _ENTRIES
        if may(endpoint)
    ]


def front_page() -> str | None:
    """Where the person logged in starts the day; None when there is nothing for them yet."""
    wanted = [_FRONT[current_user.role], *(endpoint for _, endpoint, _ in _ENTRIES)]
    return next((url_for(endpoint) for endpoint in wanted if may(endpoint)), None)
