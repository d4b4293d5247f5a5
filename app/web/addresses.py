"""Addresses inside the house as templates ask for them: a page holds dozens, and most are on every page."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from flask import Flask, current_app, request

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
