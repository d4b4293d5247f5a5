"""The demo's dentist, whose job is over, paid, and whose keys are back: a customer that can be deleted."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.care.place import database_file, files_folder
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.keys.keys import return_key
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.privacy.deleting import DeletionDone, DeletionForm, delete_person
from app.ledger.privacy.scrubbing import scrub
from app.ledger.sites.customers import ContactForm, add_contact
from app.ledger.store.events import STAGE_MOVED, record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Customer, Job, Key, Keyset, KeyState, KeySystem, Loss, Stage, User
from tests import tour
from tests.conftest import NOW

DENTIST = "Lantern Row Dental"
NAMED = (b"Lantern Row", b"Dr A. Lantern", b"Sandpiper", b"Curlew", b"555-0123", b"5550123", b"lanternrow.example")
"""What tells of the dentist and of the people there, in the demo's own words."""


@pytest.fixture
def demo(tmp_path: Path) -> Config:
    """The settings of a demo house of this test's own."""
    return tour.demo_copy(tmp_path / "demo")


@pytest.fixture
def demo_ledger(demo: Config) -> Iterator[Ledger]:
    """That house, open."""
    ledger = open_ledger(demo)
    yield ledger
    ledger.close()


@pytest.fixture
def work(demo_ledger: Ledger) -> Iterator[Work]:
    """Its owner's work."""
    with demo_ledger.sessions() as session:
        yield Work(
            session,
            demo_ledger.vault,
            Actor.of(session.scalars(sa.select(User).where(User.name == "Wren")).one()),
            NOW,
        )


@pytest.fixture
def dentist(work: Work) -> int:
    """The dentist's id: a contact on record, the job closed and paid, the keys back."""
    return prepare(work)


def prepare(work: Work) -> int:
    """Make the demo's dentist one that can be deleted; the id."""
    customer = work.session.scalars(sa.select(Customer).where(Customer.name == DENTIST)).one()
    add_contact(work, customer.id, ContactForm("Zoë Tärnfeld", "nurse", "(555) 010-0177", "zoe@lanternrow.example"))
    settle(work, customer.id)
    return customer.id


def settle(work: Work, customer_id: int) -> None:
    """Close a customer's jobs, pay them and take the keys back."""
    for number in work.session.scalars(sa.select(Job.number).where(Job.customer_id == customer_id)).all():
        owed = job_money(get_job(work.session, number)).balance_cents
        if owed > 0:
            form = PaymentForm(PaymentKind.PAYMENT, owed, "cash", work.today)
            paid = len(get_job(work.session, number).payments)
            take_payment(work, number, paid + 1, form)
    work.session.execute(sa.update(Job).where(Job.customer_id == customer_id).values(stage=Stage.CLOSED))
    for job in work.session.scalars(sa.select(Job).where(Job.customer_id == customer_id).order_by(Job.id)):
        record(work, STAGE_MOVED, f"job {job.number}", "handed over → closed", job_id=job.id)
    systems = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id)
    work.session.execute(sa.update(Loss).where(Loss.system_id.in_(systems)).values(closed_at=NOW))
    work.session.commit()
    keys = sa.select(Key.id, Key.version).join(Key.keyset).join(Keyset.system)
    for key_id, version in work.session.execute(
        keys.where(KeySystem.customer_id == customer_id, Key.state == KeyState.OUT).order_by(Key.id)
    ).all():
        return_key(work, key_id, version)


def delete(work: Work, config: Config, kind: str, row_id: int, name: str, **more: object) -> DeletionDone:
    """Delete somebody, and write the file anew."""
    form = DeletionForm(name, **more)  # type: ignore[arg-type]  # the form's own names
    done = delete_person(work, config.deletions_folder, files_folder(config), kind, row_id, form)
    assert scrub(work.session, work.now)
    return done


def raw(config: Config) -> bytes:
    """Every byte that the database has on the disk, its log too, and every row as SQL."""
    path = database_file(config)
    content = b"".join(one.read_bytes() for one in sorted(path.parent.glob(f"{path.name}*")))
    with closing(sqlite3.connect(path)) as connection:
        return content + "\n".join(connection.iterdump()).encode()
