"""The entries at the head of every page, and the addresses that templates ask for."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from flask import Flask, current_app, request
from flask_login import current_user

from app.ledger.tables import Role
from app.web.access import may, pages_open_to_me


@dataclass(frozen=True, slots=True)
class Entry:
    """One word of the navigation: where it leads, and whether the page shown belongs to it."""

    name: str
    url: str
    is_current: bool


# `also`: blueprints whose pages stand under the same word.
_ENTRIES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("Day", "day.index", ("appointments",)),
    ("Counter", "counter.page", ("quotes", "counter_sale")),
    ("Fit", "fitting.index", ()),
    ("Jobs", "jobs.ledger", ("papers", "reports", "warranties", "invoices", "hand_overs", "returns", "reminders")),
    ("Doors", "doors.index", ()),
    ("Key systems", "keysystems.index", ("keying", "keys", "losses")),
    ("Bench", "bench.index", ()),
    ("Goods", "goods.index", ("stock", "orders", "claims", "prices", "terms", "rules", "times")),
    ("Makers", "makers.index", ("catalog", "maker_papers", "maker_pictures", "maker_learning")),
    ("Customers", "customers.index", ("accounts",)),
    (
        "Settings",
        "house.index",
        ("first_day", "settings", "money_rules", "quote_rules", "books", "backups", "moving", "privacy", "imports"),
    ),
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


_MOST = 4096


def the_addresses() -> Callable[..., str]:
    """Flask's `url_for` for this request, which finds an address once; what a page asks many addresses of."""
    at: Callable[[str], Callable[..., str]] = current_app.extensions["addresses"]
    return at(request.root_path)


def address_of(endpoint: str, **values: Any) -> str:
    """One address by the same."""
    return the_addresses()(endpoint, **values)


def keep_addresses(app: Flask) -> None:
    """Let the application keep the addresses that it found, for each place that it is served at (its root path).

    Of addresses without a host alone: those depend on nothing but the place.
    """

    @lru_cache(4)
    def at(root_path: str) -> Callable[..., str]:
        @lru_cache(_MOST)
        def address(endpoint: str, values: tuple[tuple[str, Any], ...]) -> str:
            return app.url_for(endpoint, **dict(values))

        def url_for(endpoint: str, **values: Any) -> str:
            if endpoint.startswith(".") or "_external" in values or "_scheme" in values:
                return app.url_for(endpoint, **values)
            return address(endpoint, tuple(values.items()))

        return url_for

    app.extensions["addresses"] = at
