"""What every page template can use: filters, the navigation, the time, the house's name."""

import json
from collections.abc import Callable, Mapping
from datetime import date, datetime
from fractions import Fraction
from functools import cache
from math import ceil
from pathlib import Path
from typing import Any

from flask import Flask, g
from flask_login import current_user
from flask_wtf.csrf import generate_csrf
from jinja2 import StrictUndefined
from werkzeug.routing import IntegerConverter

from app.fitting import show_inches
from app.ledger.catalog.price_queries import house_name as find_name
from app.ledger.sites.cautions import caution_word
from app.ledger.store.events import OVERRIDES
from app.ledger.store.numbers import (
    invoice_number,
    key_count_number,
    key_receipt_number,
    payment_number,
    quote_number,
)
from app.pricing import PriceKind, half_up, show_cents
from app.validation import counted, first_of
from app.web.access import may, pages_open_to_me
from app.web.forms_base import fields_of
from app.web.navigation import keep_addresses, navigation, the_addresses
from app.web.services import request_session, the_config, the_time

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def show_day(day: date | None) -> str:
    """The day in short words, whatever the machine's locale; "" for None.

    >>> show_day(date(2026, 11, 25)), show_day(None)
    ('25 Nov 2026', '')
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else ""


def show_moment(moment: datetime | None) -> str:
    """The moment on the shop's own clock: '25 Nov 2026, 14:05'; "" for None."""
    if moment is None:
        return ""
    local = moment.astimezone()
    return f"{show_day(local.date())}, {local:%H:%M}"


def show_duration(minutes: int | Fraction) -> str:
    """Minutes of work as hours and minutes, begun minutes counted whole.

    >>> show_duration(45), show_duration(150), show_duration(120)
    ('45 min', '2 h 30 min', '2 h')
    """
    hours, rest = divmod(ceil(minutes), 60)
    return " ".join(
        part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest or not hours else "") if part
    )


def show_tenths(number: Fraction) -> str:
    """A quantity to one decimal, half up.

    >>> show_tenths(Fraction(9, 4)), show_tenths(Fraction(3))
    ('2.3', '3')
    """
    whole, tenth = divmod(half_up(number * 10), 10)
    return f"{whole}.{tenth}" if tenth else str(whole)


def show_size(count: int) -> str:
    """How large a file is, begun kilobytes counted whole.

    >>> show_size(900), show_size(2_500_000)
    ('1 kB', '2.5 MB')
    """
    return f"{-(-count // 1000)} kB" if count < 1_000_000 else f"{show_tenths(Fraction(count, 1_000_000))} MB"


def show_kind(kind: str) -> str:
    """What a price is taxed as, from its stored value.

    >>> show_kind("labour")
    'labor'
    """
    return PriceKind(kind).word


FILTERS: Mapping[str, Callable[..., str]] = {
    "caution_word": caution_word,
    "cents": show_cents,
    "day": show_day,
    "duration": show_duration,
    "inches": show_inches,
    "counted": counted,
    "first_of": first_of,
    "kind": show_kind,
    "moment": show_moment,
    "size": show_size,
    "tenths": show_tenths,
}


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


class _RecordNumber(IntegerConverter):
    """A whole number in an address, as far as a database's integers go; a larger one is no page."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **{"max": 2**31 - 1, **options})


def init_templates(app: Flask) -> None:
    """Give the templates their filters and globals; a name that a template does not know is an error."""
    app.url_map.converters["int"] = _RecordNumber
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(FILTERS)
    app.jinja_env.tests["override"] = OVERRIDES.__contains__
    app.jinja_env.globals.update(
        may=may,
        navigation=navigation,
        house_name=house_name,
        fields_of=fields_of,
        htmx_config=json.dumps(_HTMX),
        quote_number=quote_number,
        payment_number=payment_number,
        invoice_number=invoice_number,
        key_receipt_number=key_receipt_number,
        key_count_number=key_count_number,
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
        g.house_name = current_user.house_name if known else find_name(request_session())
    name: str = g.house_name
    return name


def _moment() -> dict[str, Any]:
    now = the_time()
    return {"now": now, "today": now.astimezone().date(), "is_demo": the_config().is_demo}


_ROOT = Path(__file__).resolve().parents[2]

TEMPLATES = _ROOT / "templates"
STATIC = _ROOT / "static"
