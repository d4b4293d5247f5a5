"""Goods in parts and goods that come back, against the Uniform Commercial Code and what states say of returns.

New York text of the code: nysenate.gov/legislation/laws/UCC; 2-606: lexace.ai; 2-607: D.C. Code 28:2-607, the same.
All printed (P); figures are ours (C).
"""

from decimal import Decimal

import pytest

from app.errors import Problems
from app.ledger.goods.handing_over import PartForm, hand_over_part
from app.ledger.goods.returns import BroughtBack, ReturnForm, return_goods, returnable
from app.ledger.money.invoicing import value_of
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.store.work import Work
from app.ledger.tables import Job, LineKind, ReturnCondition, Stage
from app.pricing import restocking_cents
from tests.ledger.conftest import config, customer_id, house_folder, work  # noqa: F401  # fixtures
from tests.ledger.test_main_job import accept, issued

GOOD, DEFECTIVE = ReturnCondition.GOOD, ReturnCondition.DEFECTIVE


def sold(work: Work, count: int) -> Job:  # noqa: F811
    line = LineRequest(LineKind.HARDWARE, count, price_code="KEY-CABINET")
    return accept(work, issued(work, QuoteRequest(customer_id(work, "Lantern"), (line,))))


def lot(work: Work, job: Job, count: int) -> None:  # noqa: F811
    hand_over_part(work, job.id, job.version, PartForm("R. Teal", (), {}, {1: count}))


def test_where_lots_are_allowed_a_price_that_can_be_apportioned_is_asked_for_each(work: Work) -> None:  # noqa: F811
    """UC1, 2-307 (P): delivery is in one unless agreed; in lots, an apportionable price may be asked for each lot.
    Ten at $64.00 and 7.25 %: the first four come to 256.00 + 18.56, the other six to 384.00 + 27.84 (C).
    """
    job = sold(work, 10)
    assert value_of(work.session, job, {1: (0, 0, 4)}) == 274_56
    lot(work, job, 4)
    assert (job.stage, value_of(work.session, job, {1: (0, 0, 6)})) == (Stage.APPROVED, 411_84)
    lot(work, job, 6)
    assert (job.stage, job.agreed_cents) == (Stage.HANDED_OVER, 274_56 + 411_84)


def test_any_unit_may_be_rejected_and_what_is_kept_is_owed_at_the_contract_rate(work: Work) -> None:  # noqa: F811
    """UC2, 2-601, UC4, 2-607(1), UC5, 2-709(1)(a), UC6, 2-612 (P): a buyer accepts any commercial units and rejects
    the rest, lot by lot, and owes the contract rate for those accepted: seven of ten, 448.00 + 32.48 (C).
    """
    job = sold(work, 10)
    lot(work, job, 4)
    return_goods(work, job.number, job.version, ReturnForm("does not conform", (BroughtBack(1, 3, DEFECTIVE),)))
    lot(work, job, 6)
    assert (job.agreed_cents, returnable(work.session, job).goods) == (480_48, {1: 7})


def test_no_part_of_a_unit_comes_back(work: Work) -> None:  # noqa: F811
    """UC3, 2-606(2) (P): accepting part of a commercial unit accepts that unit; pieces are counted whole."""
    job = sold(work, 2)
    lot(work, job, 2)
    with pytest.raises(Problems, match="Of line 1, 2 of job"):
        return_goods(work, job.number, job.version, ReturnForm("no use", (BroughtBack(1, 0, GOOD),)))


def test_a_restocking_charge_is_the_actual_cost_or_one_percentage_for_every_return() -> None:
    """RT5, California Reg. 1655(a)(1) (P): actual cost, or one percentage that is used for every return of a cycle.
    At 10 %: 8.50 of 85.00, 2.00 of 20.00 (C). RT4, WAC 458-20-278 (P): a credit by days held is a repurchase; there
    is no such charge here.
    """
    assert [restocking_cents(cents, Decimal(10)) for cents in (85_00, 20_00)] == [8_50, 2_00]
