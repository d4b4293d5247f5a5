"""What every page template can use: filters, the navigation, the time, the house's name."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import sqlalchemy as sa
from flask import Flask, g
from flask_login import current_user
from flask_wtf.csrf import generate_csrf
from jinja2 import StrictUndefined
from werkzeug.routing import IntegerConverter

from app.ledger.store.event_queries import OVERRIDES
from app.ledger.tables import House
from app.web.access import may, pages_open_to_me
from app.web.addresses import keep_addresses, the_addresses
from app.web.blank_forms import fields_of
from app.web.filters import FILTERS
from app.web.navigation import navigation
from app.web.services import request_session, the_config, the_time

# No inline style, no eval, no script out of a swapped piece, and no copy of a page in the browser's storage.
_HTMX = {
    "includeIndicatorStyles": False,
    "allowEval": False,
    "allowScriptTags": False,
    "selfRequestsOnly": True,
    "historyCacheSize": 0,
    "refreshOnHistoryMiss": True,
    "responseHandling": [
        {"code": "204", "swap": False},
        {"code": "[23]..", "swap": True},
        {"code": "422", "swap": True},
        {"code": "[45]..", "swap": False, "error": True},
    ],
}


_HOUSE_NAME = sa.select(House.name).order_by(House.id).limit(1)


class _RecordNumber(IntegerConverter):
    """A whole number in an address, as far as a database's integers go; a larger one is no page."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **{"max": 2**31 - 1, **options})


def dress(app: Flask) -> None:
    """Give the templates their filters and globals; a name that a template does not know is an error."""
    app.url_map.converters["int"] = _RecordNumber
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(FILTERS)
    app.jinja_env.tests["override"] = OVERRIDES.__contains__
    app.jinja_env.globals.update(
        may=may, navigation=navigation, house_name=house_name, fields_of=fields_of, htmx_config=json.dumps(_HTMX)
    )
    app.context_processor(_moment)
    keep_addresses(app)
    # A page asks these some fifty times. What a template imports has Flask's own `url_for` and `may` of above.
    app.context_processor(
        lambda: {
            "url_for": the_addresses(),
            "may": pages_open_to_me().__contains__,
            "csrf_token": cache(generate_csrf),
        }
    )


def house_name() -> str:
    """The house's name at the head of the page; found with the login, else asked for once a request."""
    if "house_name" not in g:
        known = current_user.is_authenticated
        g.house_name = current_user.house_name if known else request_session().scalar(_HOUSE_NAME) or ""
    name: str = g.house_name
    return name


def _moment() -> dict[str, Any]:
    now = the_time()
    return {"now": now, "today": now.astimezone().date(), "is_demo": the_config().is_demo}
