"""What a request seems to lack: counted from its priced lines, asked by the house's rules, answered once."""

from decimal import Decimal
from fractions import Fraction

import pytest

from app.fitting import CylinderAttributes
from app.ledger.catalog.quote_rules import QuoteRulesForm, set_quote_rules
from app.ledger.quoting.missing import answered, facts_of, questions_about
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, LineKind
from app.pricing import DepositRule, KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import flats, issued, mortise
from tests.sold_systems import sold_mill

KD = KeyingInstruction(KeyingKind.KD)
KEYS = LineRequest(LineKind.KEYS, 2, symbol="AA")
TRIP = LineRequest(LineKind.TRIP, 1, price_code="TRIP")
LABOR = LineRequest(LineKind.LABOR, 2, price_code="LABOR-QUARTER")
CORES = LineRequest(
    LineKind.REKEY, 6, attributes=CylinderAttributes("sfic", chambers=7, keyway="NL1"), keying=KD, keys_each=1
)


def asked(work: Work, *lines: LineRequest, **more: object) -> list[str]:
    ask = QuoteRequest(customer_id(work, "Harbourmaster"), lines, **more)  # type: ignore[arg-type]
    return [question.code for question in questions_about(work, price_request(work, ask))]


def hardware(code: str, quantity: int) -> LineRequest:
    return LineRequest(LineKind.HARDWARE, quantity, price_code=code)


@pytest.mark.parametrize(
    ("lines", "codes"),
    [
        ((mortise(2, KD),), []),
        ((mortise(2, KD, keys_each=0),), ["no-keys"]),
        ((TRIP,), ["trip-without-labour"]),
        ((LABOR,), ["labour-on-site-without-trip"]),
        ((TRIP, LABOR), []),
        ((TRIP, CORES), ["no-control-key"]),  # rekeying is labor
        ((CORES,), ["no-control-key"]),
        ((CORES, LineRequest(LineKind.KEYS, 1, price_code="KEY-CONTROL")), []),
        ((hardware("CAM-STANDARD", 1),), []),
    ],
)
def test_each_question_comes_from_the_lines(work: Work, lines: tuple[LineRequest, ...], codes: list[str]) -> None:
    assert asked(work, *lines) == codes


def test_a_system_whose_records_a_factory_has_is_not_asked_for_who_has_them(work: Work) -> None:
    system = SystemRequest(existing_id=sold_mill(work).id)
    line = mortise(1, KeyingInstruction(KeyingKind.MK))
    assert asked(work, line, KEYS, system=system) == []


def test_a_new_system_is_asked_for_its_masters_and_at_the_factory_for_its_list(work: Work) -> None:
    line = mortise(24, KeyingInstruction(KeyingKind.MK))
    system = SystemRequest(name="The Flats")
    assert asked(work, line, system=system) == ["no-master-keys", "no-bitting-list"]
    assert asked(work, line, KEYS, system=system, keyed_at="shop", override_reason="so") == []
    listed = LineRequest(LineKind.LABOR, 1, price_code="BITTING-LIST")
    assert "no-bitting-list" not in asked(work, line, listed, system=system)


def test_cams_and_back_plates_count_by_cylinder(work: Work) -> None:
    bare = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
    ask = QuoteRequest(customer_id(work, "Lantern"), (mortise(3, KD, attributes=bare), hardware("CAM-STANDARD", 2)))
    facts = facts_of(work, price_request(work, ask))
    assert (facts.mortise_cylinders_swapped, facts.cams, facts.keys, facts.hardware_lines) == (3, 5, 6, 1)
    assert (
        facts_of(work, price_request(work, QuoteRequest(ask.customer_id, (hardware("BACK-PLATE", 4),)))).back_plates
        == 4
    )


def test_answers_are_frozen_with_the_quote_and_asked_no_more(work: Work) -> None:
    ask = flats(work, answers=(("no-master-keys", " the landlord has his own "), ("no-such", "x")))
    quote = read_snapshot(issued(work, ask).revisions[-1].snapshot)
    assert {one.code: one.answer for one in quote.questions} == {
        "no-master-keys": "the landlord has his own",
        "no-bitting-list": "",
    }
    assert answered(questions_about(work, price_request(work, ask)), ask) == quote.questions


def test_a_question_that_the_house_switched_off_is_not_asked(work: Work) -> None:
    form = QuoteRulesForm(DepositRule(percent=Decimal(0)), MAIL_SUBJECT, MAIL_TEXT, ("trip-without-labour",))
    set_quote_rules(work, form, None)
    assert asked(work, TRIP) == []
