"""The entries at the head of every page, and the addresses that templates ask for."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from flask import Flask, current_app, g, request
from flask_login import current_user

from app.ledger.tables import Role
from app.web.access import may, pages_open_to_me


@dataclass(frozen=True, slots=True)
class Entry:
    """A word of the menu: where it leads, whether the page shown stands under it, and the leaves below it."""

    name: str
    url: str
    is_current: bool
    leaves: tuple["Entry", ...] = ()


@dataclass(frozen=True, slots=True)
class MenuWord:
    """A word of the menu before anybody looks at it: it opens one page, or is parted into leaves.

    also: further endpoints, and blueprints with all of their pages, that stand under it. Of two words that name a
    page the one that names its endpoint has it, not the one that names its blueprint.
    """

    name: str
    endpoint: str = ""
    also: tuple[str, ...] = ()
    leaves: tuple["MenuWord", ...] = ()


_MENU = (
    MenuWord("Day", "day.index", ("day", "appointments")),
    MenuWord(
        "Counter",
        leaves=(
            MenuWord("Quote", "counter.page", ("counter", "quotes", "counter_sale")),
            MenuWord("Fit", "fitting.index", ("fitting",)),
        ),
    ),
    MenuWord(
        "Jobs",
        "jobs.ledger",
        ("jobs", "papers", "reports", "warranties", "invoices", "hand_overs", "returns", "reminders", "construction"),
    ),
    MenuWord(
        "Customers",
        leaves=(
            MenuWord("Customers", "customers.index", ("customers", "accounts")),
            MenuWord("Doors", "doors.index", ("doors",)),
        ),
    ),
    MenuWord(
        "Key systems",
        leaves=(
            MenuWord("Systems", "keysystems.index", ("keysystems", "keying", "bitting_lists")),
            MenuWord("Keys out", "keys.out", ("keys",)),
            MenuWord("Lost keys", "losses.index", ("losses", "keying.loss_plan", "keying.loss_drafts")),
            MenuWord("Decode a key", "keying.decode"),
        ),
    ),
    MenuWord("Bench", "bench.index", ("bench",)),
    MenuWord(
        "Goods",
        leaves=(
            MenuWord("Items", "goods.index", ("goods", "prices", "stock")),
            MenuWord("To order", "orders.to_order"),
            MenuWord(
                "Orders",
                leaves=(
                    MenuWord("Orders", "orders.index", ("orders",)),
                    MenuWord("Claims", "claims.index", ("claims",)),
                ),
            ),
            MenuWord("Counts", "stock.counts", ("stock.count", "stock.type_counts", "stock.places")),
            MenuWord("Pins", "stock.pins"),
            MenuWord(
                "Makers",
                leaves=(
                    MenuWord("Makers", "makers.index", ("makers", "catalog", "maker_pictures", "maker_learning")),
                    MenuWord("All papers", "maker_papers.index", ("maker_papers",)),
                    MenuWord(
                        "Bitting specs",
                        "keying.specs",
                        ("keying.spec", "keying.new_spec", "keying.load_chart", "keying.edit_spec"),
                    ),
                ),
            ),
            MenuWord(
                "Prices",
                leaves=(
                    MenuWord("Price rules", "rules.index", ("rules",)),
                    MenuWord("Bench terms", "terms.bench", ("terms",)),
                    MenuWord("Bench times", "times.learned", ("times",)),
                    MenuWord("Factory terms", "terms.factory", ("terms.change_factory",)),
                ),
            ),
        ),
    ),
    MenuWord(
        "Settings",
        leaves=(
            MenuWord(
                "People",
                leaves=(
                    MenuWord("Users", "house.index", ("house",)),
                    MenuWord("Logins", "house.logins"),
                    MenuWord("Personal data", "privacy.index", ("privacy",)),
                ),
            ),
            MenuWord("Papers, tax and tiers", "settings.index", ("settings", "first_day")),
            MenuWord("Quotes", "quote_rules.index", ("quote_rules",)),
            MenuWord(
                "Money",
                leaves=(
                    MenuWord("Money", "money_rules.index", ("money_rules",)),
                    MenuWord("Books", "books.index", ("books",)),
                ),
            ),
            MenuWord(
                "Backups",
                leaves=(
                    MenuWord("Backups", "backups.index", ("backups",)),
                    MenuWord("Export and import", "moving.index", ("moving", "imports")),
                ),
            ),
        ),
    ),
)
_FRONT = {Role.COUNTER: "counter.page", Role.BENCH: "bench.index", Role.OWNER: "day.index"}


def _pages(words: Iterable[MenuWord]) -> Iterator[MenuWord]:
    """The words that open a page themselves, in their order."""
    for word in words:
        yield from _pages(word.leaves) if word.leaves else (word,)


@lru_cache(4)
def _words_by_page(menu: tuple[MenuWord, ...]) -> dict[str, MenuWord]:
    """The word under which an endpoint, or else a blueprint, stands."""
    return {page: word for word in reversed([*_pages(menu)]) for page in (word.endpoint, *word.also)}


def navigation() -> list[Entry]:
    """The entries for the person logged in; a page that does not exist yet is left out.

    A word that is parted leads to its first page open to them, and is not parted for somebody with one such page.
    """
    pages, address, open_to_me = _words_by_page(_MENU), the_addresses(), pages_open_to_me()
    here = pages.get(g.get("stands_under", request.endpoint) or "") or pages.get(request.blueprint or "")

    def shown(words: tuple[MenuWord, ...]) -> list[Entry]:
        return [entry for word in words if (entry := entry_of(word)) is not None]

    def entry_of(word: MenuWord) -> Entry | None:
        if not word.leaves:
            return Entry(word.name, address(word.endpoint), word is here) if word.endpoint in open_to_me else None
        leaves = shown(word.leaves)
        if len(leaves) < 2:
            return leaves[0] if leaves else None
        return Entry(word.name, leaves[0].url, any(each.is_current for each in leaves), tuple(leaves))

    return shown(_MENU)


def stand_under(endpoint: str) -> None:
    """Let the page that is shown stand in the menu where another one does: an import of goods under Goods."""
    g.stands_under = endpoint


def front_page() -> str | None:
    """Where the person logged in starts the day; None when there is nothing for them yet."""
    wanted = [_FRONT[current_user.role], *(word.endpoint for word in _pages(_MENU))]
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
