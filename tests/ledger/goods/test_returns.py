"""Goods that come back: how many can, where they go, what is credited, and the claim to their maker."""

from decimal import Decimal

import pytest
import sqlalchemy as sa

from app.documents import return_slip_pdf, sale_receipt_pdf
from app.errors import Problems
from app.ledger.bench.door_keysets import door_keysets
from app.ledger.catalog.money_rules import set_money_rules
from app.ledger.catalog.price_queries import get_house
from app.ledger.goods.claims import SettleClaimForm, list_claims, settle_claim
from app.ledger.goods.counter_sale import SaleForm, sell_at_counter
from app.ledger.goods.handing_over import PartForm, hand_over_part
from app.ledger.goods.papers import sale_receipt
from app.ledger.goods.returns import BroughtBack, ReturnForm, credit_notes_of, keys_brought, return_goods, returnable
from app.ledger.jobs.queries import job_money
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.reports.sales import margin_of_job
from app.ledger.stock.handling import set_place
from app.ledger.stock.movements import move_stock, quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import (
    ON_ACCOUNT,
    SHELF,
    ClaimState,
    CylinderState,
    GoodsReturn,
    Invoice,
    InvoiceKind,
    Job,
    Key,
    KeyState,
    LineKind,
    MovementKind,
    PlaceKind,
    ReturnCondition,
    Role,
    Stage,
)
from app.pricing import KeyingKind, MoneyRules, PaymentTerms
from tests.keyed import walk
from tests.ledger.conftest import by, customer_id
from tests.ledger.money.conftest import invoiced, paid
from tests.ledger.test_main_job import accept, issued, mortise, openings
from tests.reading import pdf_text
from tests.shelf import own_goods

GOOD, DEFECTIVE, SPOILED = ReturnCondition


def sold(work: Work, count: int, means: str = "cash") -> Job:
    """Cabinets, paid in cash and taken."""
    line = LineRequest(LineKind.HARDWARE, count, price_code="KEY-CABINET")
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), (line,)))
    sell_at_counter(by(work, Role.COUNTER), job.number, SaleForm("T. Gull", work.today, job.version, means=means))
    return job


def slip_of(work: Work, job: Job, back: GoodsReturn) -> bytes:
    """The slip of a return."""
    told = credit_notes_of(work.session, back), keys_brought(work.session, back)
    return return_slip_pdf(house_head(get_house(work.session)), job, back, *told)


def test_two_of_three_come_back_one_to_the_shelf_one_spoiled_and_the_money_less_the_charge(work: Work) -> None:
    cabinet = own_goods(work, "KEY-CABINET")
    move_stock(work, cabinet, MovementKind.COUNTED, on_hand=5, why="first count")
    work.session.commit()
    job = sold(work, 3)
    assert quantity_of(work.session, cabinet.id).on_hand == 2
    assert job.agreed_cents == 205_92  # 3 x 64.00 and 7.25 % tax, 13.92
    pieces = (BroughtBack(1, 1, GOOD, is_restocked=True), BroughtBack(1, 1, SPOILED))
    form = ReturnForm("wrong size", pieces, "T. Gull", percent=Decimal(15), means="cash")
    back = return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    # 2 x 64.00 = 128.00; the tax on them in full, 9.28; less 15 % of 128.00 = 19.20, which is not taxed.
    assert (back.number, back.restocking_cents, back.credited_cents) == (1, 19_20, 118_08)
    assert quantity_of(work.session, cabinet.id).on_hand == 3  # one good; the spoiled one came and was scrapped
    note = work.session.get_one(Invoice, back.credit_note_id)
    assert note.kind is InvoiceKind.CREDIT_NOTE and note.refers_to_id is not None
    assert (job_money(job).balance_cents, job_money(job).paid_cents) == (0, 205_92 - 118_08)
    assert (job.payments[-1].cents, back.payment_id) == (-118_08, job.payments[-1].id)
    assert returnable(work.session, job).goods == {1: 1}
    receipt = " ".join(pdf_text(sale_receipt_pdf(sale_receipt(work, job))).split())
    assert "Total $205.92 Credited or taken off since −$118.08" in receipt and "Left to pay $0.00" in receipt


def test_the_slip_says_how_much_went_back_where_a_part_was_still_owed(work: Work) -> None:
    """Of 205.92 150.00 is paid; one of 64.00 + 4.64 comes back, 137.28 stay to pay: 12.72 of 68.64 goes back."""
    job = sold(work, 3, ON_ACCOUNT)
    paid(work, job, 150_00)
    form = ReturnForm("too many", (BroughtBack(1, 1, GOOD),), means="check")
    back = return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    slip = " ".join(pdf_text(slip_of(work, job, back)).split())
    assert "Credited by credit note I-0002: $68.64, tax included. $12.72 of it went back, check." in slip


def test_what_stands_on_two_invoices_comes_back_at_once_and_shares_the_charge_to_the_cent(work: Work) -> None:
    """Nine at 64.00, 576.00, of which 4 and 5 are invoiced. Of 100.01 kept the 5, 320.00 and 23.20 tax, bear 55.56
    and the 4, 256.00 and 18.56, bear 44.45: 287.64 and 230.11 are credited, 517.75.
    """
    line = LineRequest(LineKind.HARDWARE, 9, price_code="KEY-CABINET")
    job = accept(work, issued(work, QuoteRequest(customer_id(work, "Lantern"), (line,))))
    for count in (4, 5):
        hand_over_part(work, job.id, job.version, PartForm("T. Gull", (), {}, {1: count}))
        invoiced(work, job)
        work.session.refresh(job)
    form = ReturnForm("wrong color", (BroughtBack(1, 9, GOOD),), cents=100_01)
    back = return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    notes = credit_notes_of(work.session, back)
    assert [(one.number, one.total_cents) for one in notes] == [(3, -287_64), (4, -230_11)]
    assert (back.restocking_cents, back.credited_cents, job.agreed_cents) == (100_01, 517_75, 617_76 - 517_75)
    said = "Credited by credit notes I-0003 and I-0004: $517.75, tax included, after a restocking charge of $100.01"
    assert said in " ".join(pdf_text(slip_of(work, job, back)).split())


def test_a_restocking_charge_in_percent_is_not_on_what_came_defective(work: Work) -> None:
    """Two of 64.00 + 4.64: 15 % of the good one is 9.60; 137.28 - 9.60 = 127.68."""
    job = sold(work, 2)
    pieces = (BroughtBack(1, 1, GOOD), BroughtBack(1, 1, DEFECTIVE))
    form = ReturnForm("one is bent", pieces, percent=Decimal(15))
    back = return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    assert (back.restocking_cents, back.credited_cents) == (9_60, 127_68)


def test_a_restocking_charge_in_percent_is_of_what_was_paid(work: Work) -> None:
    """Two are 128.00 + 9.28; 2 % of 137.28 is 2.75, 0.19 of it in the tax. 125.44 was paid for them before tax, 15 %
    of the good one's 62.72 is 9.41: 134.53 - 9.41 = 125.12.
    """
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(30, Decimal(2), 10)))
    job = sold(work, 2, ON_ACCOUNT)
    paid(work, job, 134_53)
    pieces = (BroughtBack(1, 1, GOOD), BroughtBack(1, 1, DEFECTIVE))
    form = ReturnForm("one is bent", pieces, percent=Decimal(15), means="check")
    back = return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    assert (back.restocking_cents, back.credited_cents, job.payments[-1].cents) == (9_41, 125_12, -125_12)


def test_no_more_comes_back_than_was_handed_over_and_nothing_that_was_never_sold(work: Work) -> None:
    job = sold(work, 3)
    counter = by(work, Role.COUNTER)
    for piece, told in (
        (BroughtBack(1, 4, GOOD), "Of line 1, 3 of job"),
        (BroughtBack(2, 1, GOOD), "Of line 2, 0 of job"),
        (BroughtBack(1, 0, GOOD, cylinders=(4040,)), "never handed over by this job, or came back already"),
        (BroughtBack(1, 1, SPOILED, is_restocked=True), "only good pieces go back on the shelf"),
        (BroughtBack(1, -1, GOOD), "Of line 1, 3 of job"),
    ):
        with pytest.raises(Problems, match=told):
            return_goods(counter, job.number, job.version, ReturnForm("no use", (piece, BroughtBack(1, 1, GOOD))))
    with pytest.raises(Problems, match="Say why it comes back"):
        return_goods(counter, job.number, job.version, ReturnForm(" ", ()))
    return_goods(counter, job.number, job.version, ReturnForm("no use", (BroughtBack(1, 2, GOOD),)))
    with pytest.raises(Problems, match="Of line 1, 1 of job"):
        return_goods(counter, job.number, job.version, ReturnForm("no use", (BroughtBack(1, 2, GOOD),)))


def test_a_defective_cylinder_leaves_its_door_with_its_keys_and_is_claimed_of_its_maker(work: Work) -> None:
    line = mortise(2, KeyingInstruction(KeyingKind.KA), keys_in_all=4)
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,), keyed_at="shop", override_reason="soon")
    job = issued(work, ask)
    accept(work, job, openings(2))
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    first, second = job.cylinders
    both = (BroughtBack(1, 0, DEFECTIVE, cylinders=(first.id,)), BroughtBack(1, 0, GOOD, cylinders=(first.id,)))
    for wrong, told in (
        (ReturnForm("hard", both), "A cylinder is named twice"),
        (ReturnForm("hard", both[:1], keys={first.keyset_id or 0: -1}), "4 keys of this keyset can come back"),
    ):
        with pytest.raises(Problems, match=told):
            return_goods(by(work, Role.COUNTER), job.number, job.version, wrong)
    piece = BroughtBack(1, 0, DEFECTIVE, cylinders=(first.id,))
    form = ReturnForm("plug turns hard", (piece,), "R. Teal", keys={first.keyset_id or 0: 2})
    return_goods(by(work, Role.COUNTER), job.number, job.version, form)
    assert (first.state, first.removed_on, second.state) == (CylinderState.REMOVED, work.today, CylinderState.FITTED)
    states = sorted(key.state.value for key in work.session.scalars(sa.select(Key)))
    assert states == ["out", "out", "returned", "returned"]
    assert first.door is not None
    until = door_keysets(work.session, first.door)[first.id].until
    assert until is not None and (until.what, until.job) == ("came back", job.number)
    [claim] = list_claims(work.session).rows
    assert (claim.quantity, claim.state, claim.job_id) == (1, ClaimState.OPEN, job.id)
    with pytest.raises(Problems, match="Enter what the maker credits"):
        settle_claim(work, claim.id, claim.version, SettleClaimForm(ClaimState.CREDITED, work.today))
    settle_claim(work, claim.id, claim.version, SettleClaimForm(ClaimState.CREDITED, work.today, 21_50, "CN 77"))
    assert list_claims(work.session).count == 0
    [settled] = list_claims(work.session, with_settled=True).rows
    assert (settled.cents, settled.answer, settled.settled_on) == (21_50, "CN 77", work.today)
    margin = margin_of_job(work, job)
    assert (margin.parts_cents, margin.became_cents) == (-21_50, margin.charged_cents - margin.cost_cents + 21_50)
    assert {key.state for key in work.session.scalars(sa.select(Key))} == {KeyState.OUT, KeyState.RETURNED}


def test_a_good_piece_goes_back_to_the_van_where_that_is_said(work: Work) -> None:
    """Five were counted on the shelf and three sold: one that comes back to the van leaves two on the shelf."""
    cabinet = own_goods(work, "KEY-CABINET")
    move_stock(work, cabinet, MovementKind.COUNTED, on_hand=5, why="first count")
    work.session.commit()
    van, job = set_place(work, "Van 2", PlaceKind.VAN), sold(work, 3)
    back = ReturnForm("one too many", (BroughtBack(1, 1, GOOD, is_restocked=True),), place_id=van.id)
    return_goods(by(work, Role.COUNTER), job.number, job.version, back)
    there = [quantity_of(work.session, cabinet.id, place).on_hand for place in (SHELF, van.id)]
    assert there == [2, 1]
