"""Forms of the follow-up list, and what the addresses of the day's lists ask for."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from wtforms import HiddenField
from wtforms.validators import Regexp

from app.ledger.reports.outcomes import PERIODS
from app.ledger.reports.waiting import Whom
from app.web.forms_base import PageForm, text

WITHIN = (7, 14, 30)
_WHOM = {whom.name.lower(): whom for whom in Whom}


class LostForm(PageForm):
    """A quote that was lost, and why."""

    quote = HiddenField("Quote", [Regexp(r"[0-9]{1,9}\Z", message="Press the button beside a quote.")])
    reason = text("Lost, because", 500, needed="Say why it was lost; a few words are enough.")


def read_whom(arguments: Mapping[str, str]) -> Whom | None:
    """Whose move the address asks for; None for everybody's.

    >>> read_whom({"whom": "bench"}), read_whom({"whom": "x"})
    (<Whom.BENCH: 'the bench'>, None)
    """
    return _WHOM.get(arguments.get("whom", ""))


def read_period(arguments: Mapping[str, str]) -> int:
    """Over how many days to look back: 30, 90 or 365; 90 for anything else."""
    return next((days for days in PERIODS if str(days) == arguments.get("days")), 90)


def read_within(arguments: Mapping[str, str]) -> int:
    """Within how many days a quote lapses: 7, 14 or 30; 7 for anything else."""
    return next((days for days in WITHIN if str(days) == arguments.get("within")), WITHIN[0])


def read_day(arguments: Mapping[str, str]) -> date | None:
    """The day in the address; None for none or for nonsense.

    >>> read_day({"day": "2026-11-25"}), read_day({"day": "late"}), read_day({})
    (datetime.date(2026, 11, 25), None, None)
    """
    try:
        return date.fromisoformat(arguments.get("day", ""))
    except ValueError:
        return None
