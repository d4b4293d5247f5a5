"""Addresses inside the house as templates ask for them: a page holds dozens, and most are on every page."""

from __future__ import annotations

__all__ = ["addresses_of"]

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from flask import Flask

_MOST = 4096


def addresses_of(app: Flask) -> Callable[[str], Callable[..., str]]:
    """For the place that an application is served at (its root path): `url_for`, which finds an address once.

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

    return at
