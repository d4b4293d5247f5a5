"""Writing: one transaction a use case, queued on SQLite, undone whole, and stale saves told."""

import threading

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import open_ledger
from app.ledger.sites.customers import CustomerForm, SiteForm, add_customer, add_site, change_customer
from app.ledger.store.engine import WRITTEN, asked_once, change_rows, insert_rows, read, transaction
from app.ledger.store.errors import NotAllowed, Stale, Taken
from app.ledger.store.events import first_broken_link, next_number
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Customer, Event, Role, User
from tests.houses import remove_guards

NAMES = sa.select(Customer.name).where(Customer.name == sa.bindparam("name"))


def test_a_failed_block_leaves_nothing(work: Work) -> None:
    before = work.session.scalar(sa.select(sa.func.count()).select_from(Customer))
    with pytest.raises(ZeroDivisionError), transaction(work.session):
        work.session.add(Customer(name="Ghost", created_at=work.now))
        work.session.flush()
        raise ZeroDivisionError
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Customer)) == before


def test_a_question_is_asked_once_until_the_session_writes_or_ends_its_transaction(work: Work) -> None:
    session = work.session
    asked = []

    @asked_once
    def count(session: Session, name: str) -> int:
        asked.append(name)
        return session.scalar(sa.select(sa.func.count()).where(Customer.name == name)) or 0

    assert [count(session, name) for name in ("Ada", "Ada", "Bea")] == [0, 0, 0] and asked == ["Ada", "Bea"]
    with transaction(session):
        session.add(Customer(name="Ada", created_at=work.now))
        assert count(session, "Ada") == 1, "what waits to be written is seen"
        tried = session.begin_nested()
        session.execute(sa.update(Customer).where(Customer.name == "Ada").values(name="Bea"))
        assert (count(session, "Ada"), count(session, "Bea")) == (0, 1)
        tried.rollback()
        assert (count(session, "Ada"), count(session, "Bea")) == (1, 0)
    asked.clear()
    assert (count(session, "Ada"), count(session, "Ada")) == (1, 1) and asked == ["Ada"]


def test_rows_past_the_session_get_their_ids_in_order(work: Work) -> None:
    told: list[object] = []
    with transaction(work.session):
        work.session.info[WRITTEN] = lambda model, ids, before: told.append((model, ids))
        ids = insert_rows(work.session, Customer, [{"name": name, "created_at": work.now} for name in ("Bea", "Ada")])
        assert insert_rows(work.session, Customer, []) == ()
    rows = [work.session.get_one(Customer, id_) for id_ in ids]
    assert [(row.name, row.version, row.phone) for row in rows] == [("Bea", 1, ""), ("Ada", 1, "")]
    assert told == [(Customer, ids)]


def test_rows_changed_past_the_session_tell_what_stood_there(work: Work) -> None:
    told: list[object] = []
    with transaction(work.session):
        rows = [{"name": name, "phone": "1", "created_at": work.now} for name in ("Bea", "Ada")]
        bea, ada = insert_rows(work.session, Customer, rows)
        work.session.info[WRITTEN] = lambda model, ids, before: told.append((model, ids, before))
        change_rows(work.session, Customer, {bea: {"name": "Bee", "phone": ""}, ada: {"name": "Ada", "phone": "2"}})
        change_rows(work.session, Customer, {})
    found = [work.session.get_one(Customer, id_) for id_ in (bea, ada)]
    assert [(row.name, row.phone, row.version) for row in found] == [("Bee", "", 2), ("Ada", "2", 2)]
    assert told == [(Customer, (), {bea: {"name": "Bea", "phone": "1"}, ada: {"name": "Ada", "phone": "1"}})]


def test_twenty_hands_get_twenty_numbers_without_a_gap(config: Config) -> None:
    ledger = open_ledger(config)
    numbers: list[int] = []
    errors: list[Exception] = []

    def take() -> None:
        try:
            for _ in range(5):
                with ledger.sessions() as session, transaction(session):
                    numbers.append(next_number(session, "tried", 1))
        except Exception as error:
            errors.append(error)

    hands = [threading.Thread(target=take) for _ in range(20)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    ledger.close()
    assert errors == [] and sorted(numbers) == list(range(1, 101))


def test_many_hands_cannot_fork_the_chain_of_events(config: Config) -> None:
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        actor = Actor.of(session.get_one(User, 1))

    def add(name: str) -> None:
        for number in range(4):
            with ledger.work(actor) as work:
                add_customer(work, CustomerForm(f"{name} {number}"))

    hands = [threading.Thread(target=add, args=(f"Hand {n}",)) for n in range(8)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    with ledger.sessions() as session:
        count = session.scalar(sa.select(sa.func.count()).select_from(Event).where(Event.summary.startswith("Hand ")))
        assert count == 32 and first_broken_link(session) is None
    ledger.close()


def test_a_change_made_by_hand_in_the_database_breaks_the_chain(work: Work) -> None:
    third = work.session.scalars(sa.select(Event.id).order_by(Event.id).offset(2).limit(1)).one()
    remove_guards(work.session.connection())
    work.session.execute(sa.update(Event).where(Event.id == third).values(summary="nothing happened"))
    work.session.commit()
    assert first_broken_link(work.session) == third


def test_a_stale_change_is_refused_and_the_first_stays(work: Work) -> None:
    customer = add_customer(work, CustomerForm("Tern & Daughters"))
    read_at = customer.version
    change_customer(work, customer.id, read_at, CustomerForm("Tern & Daughters", phone="555-0101"))
    with pytest.raises(Stale):
        change_customer(work, customer.id, read_at, CustomerForm("Tern & Sons"))
    work.session.refresh(customer)
    assert (customer.name, customer.phone_digits) == ("Tern & Daughters", "5550101")


def test_a_site_stands_once(work: Work) -> None:
    customer = add_customer(work, CustomerForm("Tern"))
    add_site(work, customer.id, SiteForm("Yard"))
    with pytest.raises(Taken, match="a site named Yard already"):
        add_site(work, customer.id, SiteForm("Yard"))


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("form", "field"),
    [
        (CustomerForm(" "), "name"),
        (CustomerForm("x" * 10_000), "name"),
        (CustomerForm("Tern", exempt_certificate="C-1"), "exempt_until"),
        (CustomerForm("Tern", phone="5" * 41), "phone"),
    ],
)
def test_a_customer_that_cannot_be_names_its_field(work: Work, form: CustomerForm, field: str) -> None:
    with pytest.raises(BitternError) as caught:
        add_customer(work, form)
    assert caught.value.field == field


def test_the_owner_may_do_what_nobody_else_may(work: Work) -> None:
    work.require_owner()
    with pytest.raises(NotAllowed):
        Work(work.session, work.vault, Actor(None, "Cora", Role.COUNTER), work.now).require(Role.BENCH)


def test_what_waits_is_read_and_what_is_undone_is_not(work: Work) -> None:
    work.session.add(Customer(name="Grebe Chandlery", created_at=work.now))
    assert [tuple(row) for row in read(work.session, NAMES, {"name": "Grebe Chandlery"})] == [("Grebe Chandlery",)]
    work.session.rollback()
    assert read(work.session, NAMES, {"name": "Grebe Chandlery"}) == []


def test_where_the_session_does_not_write_by_itself_nothing_is_written(work: Work) -> None:
    with work.session.no_autoflush:
        work.session.add(Customer(name="Grebe Chandlery", created_at=work.now))
        assert read(work.session, NAMES, {"name": "Grebe Chandlery"}) == []
    work.session.rollback()
