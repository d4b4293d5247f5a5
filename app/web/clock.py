"""A clock that went back: papers would be dated wrongly and events out of order, so nothing is saved meanwhile."""

from __future__ import annotations

from flask import Flask, request

from app.ledger.store.event_queries import clock_is_back
from app.web.services import request_session, the_time

_SAVING_NOTHING = ("static", "login.lock", "login.first_start")


def watch_clock(app: Flask) -> None:
    """Refuse, before any view, whatever would write while the clock stands before what is on record."""
    app.before_request(_look)


def _look() -> None:
    if request.method in ("GET", "HEAD", "OPTIONS") or request.endpoint in (None, *_SAVING_NOTHING):
        return
    trouble = clock_is_back(request_session(), the_time())
    if trouble is not None:
        raise trouble
