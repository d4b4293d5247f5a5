"""What is known of an old cylinder, and the answer that holds for exactly what was asked."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import CylinderAttributes
from app.ledger.catalog.maker_queries import maker_tables
from app.ledger.quoting.request import LineRequest
from app.ledger.quoting.resolving import AGREED, REFUSED, Resolved, old_cylinder, replacing, told_customer
from app.ledger.tables import LineKind
from app.pricing import PriceKind

NEW = CylinderAttributes("mortise", finish="626", maker="Pell & Rowe")
ASKED = "The face will be Pell & Rowe's instead of Ardent Brass's."


@pytest.fixture
def makers(work):
    return maker_tables(work.session)


def line(**said: str) -> Resolved:
    said = {"replaces": "A18M-Q1-66.SC", **said}
    return Resolved(LineRequest(LineKind.PART, 1, **said), "", 0, 0, PriceKind.GOODS)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("said", "finish", "maker", "number"),
    [
        ("a18m-q1-66.sc", "", "Ardent Brass", "A18M-Q1-66.SC"),
        ("ARDENT BRASS", "605", "Ardent Brass", ""),
        ("ard", "", "Ardent Brass", ""),
        ("some other make", "", "some other make", ""),
        ("4X-77", "", "", ""),
        ("", "US10B", "", ""),
    ],
)
def test_an_old_cylinder_is_known_by_number_maker_or_finish(makers, said, finish, maker, number) -> None:
    old, read = old_cylinder(makers, said, finish)
    assert (old.maker, read) == (maker, number)
    assert not finish or old.finish == {"605": "605", "US10B": "613"}[finish]


def test_a_finish_that_was_said_goes_before_the_numbers_own(makers) -> None:
    old, _ = old_cylinder(makers, "A18M-Q1-66.SC", "605")
    assert (old.finish, old.type) == ("605", "mortise")


def test_nothing_is_asked_where_nothing_is_replaced_or_the_face_stays(makers) -> None:
    alone = replacing(makers, line(replaces=""), NEW)
    assert alone == line(replaces="")
    same = replacing(makers, line(replaces="31.118.P26"), NEW)
    assert (same.line.face_asked, same.line.face_answer, same.problems) == ("", "", ())


@pytest.mark.parametrize(
    ("answer", "holds", "problem"), [("", "", "Ask"), (AGREED, AGREED, ""), (REFUSED, REFUSED, "choose")]
)
def test_an_answer_holds_for_what_was_asked_alone(makers, answer: str, holds: str, problem: str) -> None:
    found = replacing(makers, line(face_asked=ASKED, face_answer=answer), NEW)
    assert (found.line.face_asked, found.line.face_answer) == (ASKED, holds)
    assert [each.field for each in found.problems] == (["face_answer"] if problem else [])
    assert all(problem in each.message for each in found.problems)
    other = replacing(makers, line(face_asked="Something else.", face_answer=answer), NEW)
    assert other.line.face_answer == "" and other.problems


def test_only_an_agreement_is_told_on_paper() -> None:
    assert told_customer(ASKED, AGREED).endswith("Ardent Brass's, and agreed.")
    assert told_customer(ASKED, REFUSED) == told_customer(ASKED, "") == told_customer("", AGREED) == ""


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=70), st.text(max_size=30))
def test_whatever_is_typed_is_read_or_refused_by_its_field(makers, said: str, finish: str) -> None:
    try:
        old_cylinder(makers, said, finish)
    except BitternError as error:
        assert error.field in ("replaces", "replaces_finish")
    found = replacing(makers, line(replaces=said, replaces_finish=finish), NEW)
    assert all(each.field.startswith(("replaces", "face")) for each in found.problems)
