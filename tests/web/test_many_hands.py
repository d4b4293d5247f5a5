"""Twenty people at the counter at once, through a real server: no save is lost, and no page says 'locked'."""

import secrets
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.ledger.store.events import first_broken_link
from app.ledger.tables import Customer, Event, Job, Role
from tests.chromium import serving
from tests.factories import CustomerFactory, UserFactory
from tests.hands import Answer, Hand
from tests.stocked import HARDWARE, MORTISE, empty_house, posted

__all__ = ["empty_house"]  # the stocked house, in place of the bare one

pytestmark = pytest.mark.postgresql  # what many do at once

HANDS = 20
EACH = 4


@pytest.fixture
def hands(web: Flask, session: Session) -> Iterator[list[Hand]]:
    """Twenty people's browsers, at one served house."""
    users = [UserFactory(role=Role.COUNTER) for _ in range(HANDS)]
    with serving(web) as served:
        yield [Hand(web, served.address, user) for user in users]


def together(hands: list[Hand], work: Callable[[Hand, int], list[Answer]]) -> list[Answer]:
    with ThreadPoolExecutor(HANDS) as pool:
        return [answer for answers in pool.map(work, hands, range(HANDS)) for answer in answers]


def test_every_walk_in_is_quoted_once(hands: list[Hand], session: Session) -> None:
    def serve(hand: Hand, place: int) -> list[Answer]:
        answers = []
        for turn in range(EACH):
            form = posted(MORTISE, HARDWARE, customer_name=f"Plover {place} {turn}", token=secrets.token_hex(16))
            answers.append(hand.post("/counter/issue", form))
            answers.append(hand.post("/counter/issue", form))  # a double click: the same quote once more
            answers += [hand.get("/ledger"), hand.get(f"/search?q=Plover+{place}")]
        return answers

    answers = together(hands, serve)
    assert {answer.status for answer in answers} == {200, 303}
    session.rollback()
    numbers = session.scalars(sa.select(Job.number).order_by(Job.number)).all()
    assert len(numbers) == HANDS * EACH
    assert len(set(numbers)) == len(numbers)
    assert session.scalar(sa.select(sa.func.count(Customer.id)).where(Customer.name.startswith("Plover"))) == len(
        numbers
    )
    quotes = {answer.where for answer in answers if answer.where}
    assert len(quotes) == len(numbers)
    assert first_broken_link(session) is None


def test_of_saves_at_the_same_time_one_wins_and_the_others_are_told(hands: list[Hand], session: Session) -> None:
    customer = CustomerFactory(name="Tern & Daughters")
    form = {"version": str(customer.version), "name": "Tern & Daughters", "tax_place": "Saltmarsh"}

    def change(hand: Hand, place: int) -> list[Answer]:
        return [hand.post(f"/customers/{customer.id}/edit", {**form, "phone": f"(555) 010-01{place:02}"})]

    answers = together(hands, change)
    assert sorted(answer.status for answer in answers) == [303] + [409] * (HANDS - 1)
    session.rollback()
    session.refresh(customer)
    won = next(place for place, answer in enumerate(answers) if answer.status == 303)
    assert customer.phone == f"(555) 010-01{won:02}"
    assert customer.version == 2
    assert session.scalar(sa.select(sa.func.count(Event.id)).where(Event.kind == "customer changed")) == 1
