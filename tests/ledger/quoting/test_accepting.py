"""A quote is accepted on a day that it holds, once, and a refusal names its field."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from tests.ledger.saving import DOORS, quote


@pytest.mark.parametrize(
    ("days_later", "accepted", "field", "says"),
    [
        (0, 1, "accepted_on", "cannot lie ahead"),
        (0, -1, "accepted_on", "before the quote was issued"),
        (400, 400, "accepted_on", "This quote was valid until"),
    ],
)
def test_the_day_of_acceptance_is_one_on_which_the_quote_holds(
    work: Work, days_later: int, accepted: int, field: str, says: str
) -> None:
    job = quote(work)
    later = replace(work, now=work.now + timedelta(days=days_later))
    form = AcceptForm("R. Teal", work.today + timedelta(days=accepted), job.version, site_name="Quay", doors=DOORS)
    with pytest.raises(LedgerError, match=says) as refused:
        accept_quote(later, job.id, form)
    assert refused.value.field == field


def test_what_is_accepted_is_not_accepted_again(work: Work) -> None:
    job = quote(work)
    form = AcceptForm("R. Teal", work.today, job.version, site_name="Quay", doors=DOORS)
    accept_quote(work, job.id, form)
    with pytest.raises(LedgerError, match="Only a quoted job can be accepted; this one is approved") as refused:
        accept_quote(work, job.id, replace(form, version=job.version))
    assert refused.value.field == "stage"
