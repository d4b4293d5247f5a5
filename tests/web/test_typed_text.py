"""Whatever is typed into a box: its reader answers or refuses in words of its own field, and soon."""

import string
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session
from werkzeug.datastructures import MultiDict
from wtforms import Form
from wtforms.fields.core import UnboundField

from app.errors import BitternError
from app.fitting.free_text import read_free_text
from app.fitting.inches import read_inches
from app.keying import BittingSpec, read_bitting, read_symbol
from app.keying.inches import read_inches as read_spec_inches
from app.ledger.keysystems.copy_numbers import read_copies
from app.ledger.moving.row_checks import read_decimal
from app.ledger.quoting.quick_line import LONGEST_QUICK_LINE, read_quick_words
from app.ledger.reports.search import search
from app.ledger.search.words import read_words
from app.ledger.sites.customer_queries import find_customers, list_customers
from app.ledger.sites.door_paste import UnknownColumns, read_doors
from app.ledger.sites.doors import FIELDS, read_field
from app.pricing.money import read_cents, read_percent
from app.spreadsheets import read_date
from app.web.counter.forms import ChambersField
from app.web.fields import CentsField, DayField, InchesField, ShortField, TimeField, WholeField
from app.web.forms_base import record_id
from app.web.goods.returns import ChargeField
from app.web.query_args import read_page, read_text
from app.web.reports.day import read_day, read_period, read_within
from tests import factories
from tests.ledger.quoting.test_quick_line import house

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
PIECES = (
    *"0123456789 .,;:/-–−+\"'½¼⅛%$*()[]{}<>&|!\\@#_=?",
    *("1/2", "1-1/8", "1 1/8", "9" * 30, "1e9", "1E-7", "nan", "inf", "0x1", "1_000", "٣", "²", "Ⅷ", "１"),
    *("2026-", "-02-30", "2026-W01-1", "20260101", "T00:00", "in", "mm", "AA1", "1AA", "GGMK", "X1X", "(NMK)", "SKD"),
    *(" AND ", " OR ", " NOT ", "NEAR(", "NEAR/2", "^", ":*", "<->", "<2>", " & ", " | ", "'a'", '"a', "name:", "a*"),
    *("opening,location\n", "\t", "\r\n", "\n", "\0", "\ufeff", "\u202e", "\u2028", "\ud800", "\U0010ffff", "ß", "İ"),
    *string.ascii_letters[:8],
)
TEXTS = st.one_of(
    st.lists(st.sampled_from(PIECES), max_size=12).map("".join),
    st.text(max_size=60),
    st.sampled_from([piece * 3000 for piece in ("9", "1/", "-1 ", '"', "(", "AA1,", "a* ", "٣", "\t", " ")]),
)
quick = settings(
    derandomize=True,
    deadline=None,
    max_examples=150,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
Reader = Callable[[str], Any]


def read_or_ask(text: str) -> object:
    """A pasted door list, or what is asked of its columns."""
    try:
        return read_doors(text)
    except UnknownColumns as asked:
        return asked.columns


REFUSING: dict[str, Reader] = {
    "inches": lambda text: read_inches(text, "box"),
    "inches of a spec": lambda text: read_spec_inches(text, "box"),
    "money": lambda text: read_cents(text, "box"),
    "a percentage": lambda text: read_percent(text, "box"),
    "a day": lambda text: read_date(text, "box"),
    "a rate": lambda text: read_decimal(text, "box"),
    "a symbol": lambda text: read_symbol(text, "box"),
    "a bitting": lambda text: read_bitting(SPEC, text, "box"),
}
"""What is typed → its reader; a refusal names the field, which is `box`."""
ANSWERING: dict[str, Reader] = {
    "copies": read_copies,
    "what a customer says": read_free_text,
    "a clerk's words": lambda text: read_quick_words(text[:LONGEST_QUICK_LINE], house()),
    "a list of doors": read_or_ask,
    "words to look for": read_words,
    "a page": lambda text: read_page({"page": text}),
    "text to look for": lambda text: read_text({"q": text}),
    "a period": lambda text: read_period({"days": text, "period": text}),
    "days within": lambda text: read_within({"within": text}),
    "a day of the week": lambda text: read_day({"day": text}),
    **{f"a door's {field}": lambda text, field=field: read_field(field, text) for field in FIELDS},
}
"""What is typed → its reader, which answers or refuses by a field of its own choice."""


@pytest.mark.parametrize("what", REFUSING)
@quick
@given(text=TEXTS)
def test_a_box_is_read_or_refused_by_its_field(what: str, text: str) -> None:
    try:
        assert REFUSING[what](text) is not None
    except BitternError as refusal:
        assert refusal.field == "box" and refusal.message
        assert len(refusal.message) < 400


@pytest.mark.parametrize("what", ANSWERING)
@quick
@given(text=TEXTS)
def test_a_box_is_read_or_refused_in_words(what: str, text: str) -> None:
    try:
        ANSWERING[what](text)
    except BitternError as refusal:
        assert refusal.message and len(refusal.message) < 400


COUNTER: "dict[str, UnboundField[Any]]" = {
    "a restocking charge": ChargeField("Restocking charge"),
    "a count": WholeField("Quantity", least=1, most=10**9, how="How many?"),
    "a remark": ShortField("Remark", 200),
    "a day": DayField("Needed by"),
    "a time": TimeField("From"),
    "an amount": CentsField("Own price"),
    "inches": InchesField("Length"),
    "chambers": ChambersField("Pins"),
}


@pytest.mark.parametrize("what", COUNTER)
@quick
@given(text=TEXTS)
def test_a_box_of_the_counter_is_read_or_noted(what: str, text: str) -> None:
    form = type("Box", (Form,), {"box": COUNTER[what]})(MultiDict({"box": text}))
    if not form.validate():
        assert form.box.data in (None, "") and 0 < len(form.box.errors[0]) < 400
    found = form.box.data
    assert not isinstance(found, int) or -(10**12) < found < 10**12
    assert not isinstance(found, date) or found.year >= 1
    assert not isinstance(record_id(text), bool) and 0 <= record_id(text) < 10**9


def test_any_text_can_be_looked_for(session: Session) -> None:
    college = factories.CustomerFactory(name="Maritime College", phone="555-0147")
    hall = factories.SiteFactory(customer=college, name="North Hall")
    factories.DoorFactory(site=hall, opening_number="101", location="Chart room")
    factories.JobFactory(number=7, customer=college, site=hall, title="Chart room")
    factories.KeysetFactory(symbol="1AA")
    factories.CatalogItemFactory()

    @quick
    @given(text=TEXTS.map(lambda text: read_text({"q": text})))
    def looked_for(text: str) -> None:
        search(session, text)
        find_customers(session, text)
        list_customers(session, text=text)

    looked_for()
    assert [job.number for job in search(session, '"chart* & (college:*|').jobs] == [7]
