"""Personal data deleted: the words are nowhere, the chain and every sum are whole, a restore brings nothing back."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.config import Config
from app.ledger.care.backups import make_backup
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.care.place import database_file, files_folder
from app.ledger.care.restoring import restore_backup
from app.ledger.care.sealing import house_secret
from app.ledger.jobs.files import keep_file
from app.ledger.moving.export_file import export_house
from app.ledger.moving.importing import import_house, plan_house
from app.ledger.privacy.deleting import (
    DeletionForm,
    delete_person,
    destroy_key,
    get_deletion,
    list_deletions,
    plan_deletion,
)
from app.ledger.privacy.originals import DeletionFiles, check_originals
from app.ledger.privacy.subjects import find_subjects, get_subject, what_stands_in_the_way
from app.ledger.reports.search import search
from app.ledger.sites.customers import CustomerForm, SiteForm, add_site, change_customer
from app.ledger.sites.site_merging import merge_sites
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import DELETED, first_broken_link, house_id, missing_at_the_end, record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import (
    Contact,
    Customer,
    Draft,
    Event,
    Job,
    Key,
    KeyState,
    Payment,
    QuoteRevision,
    Role,
    User,
)
from tests.ledger.privacy.conftest import DENTIST, NAMED, delete, raw
from tests.moved import tables_in

OWNER = Actor(None, "the house", Role.OWNER)


def sums(work: Work) -> tuple[object, ...]:
    """Money and keys as records have them."""
    session = work.session
    money = [
        session.scalar(sa.select(sa.func.sum(one))) for one in (Payment.cents, Job.value_cents, Job.agreed_cents)
    ]
    quotes = session.scalar(sa.select(sa.func.sum(QuoteRevision.total_cents)))
    keys = session.execute(sa.select(Key.id, Key.state, Key.keyset_id, Key.copy_number).order_by(Key.id)).all()
    return (*money, quotes, tuple(tuple(one) for one in keys))


def test_a_person_is_found_as_people_type_the_name(work: Work, dentist: int) -> None:
    customer = work.session.get_one(Customer, dentist)
    change_customer(work, dentist, customer.version, CustomerForm("Côté & O'Rourke Dental", tier=customer.tier))
    for typed in ("cote orourke", "O’Rourke", "lantern row dental"):  # the last is what they were called before
        assert [(one.kind, one.name) for one in find_subjects(work, typed)][:1] == [("customer", customer.name)], (
            typed
        )
    assert [one.name for one in find_subjects(work, "zoe tarnfeld")] == ["Zoë Tärnfeld"]
    assert [one.name for one in find_subjects(work, "sandpiper m")] == ["M. Sandpiper, reception"]


def test_the_words_are_nowhere_and_chain_and_sums_are_whole(work: Work, demo: Config, dentist: int) -> None:
    before, events = sums(work), work.session.scalar(sa.select(sa.func.count(Event.id)))
    assert all(word in raw(demo) for word in NAMED)
    done = delete(work, demo, "customer", dentist, "lantern row dental")
    assert (done.number, done.put) == (1, "customer removed 1")
    found = raw(demo)
    assert [word for word in (*NAMED, "Zoë".encode(), b"rnfeld", b"010-0177") if word in found] == []
    assert sums(work) == before and before[0] is not None
    assert work.session.scalar(sa.select(sa.func.count(Event.id))) == (events or 0) + 1
    assert first_broken_link(work.session) is None and missing_at_the_end(work.session) == 0
    assert find_subjects(work, "Lantern") == () and find_subjects(work, "Sandpiper") == ()
    found_now = search(work.session, "lantern row")
    assert [*found_now.customers, *found_now.jobs, *found_now.doors, *found_now.keys] == []
    content = export_house(work, "zip")
    cells = {cell for rows in tables_in(content).values() for row in rows for cell in row}
    assert not [cell for cell in cells if any(word.decode() in cell for word in NAMED)]


def test_who_held_a_key_is_a_number_now(work: Work, demo: Config, dentist: int) -> None:
    receipts = sa.select(Event).where(Event.kind == "keys issued").order_by(Event.id)
    held = [one.detail["holder"] for one in work.session.scalars(receipts)]
    assert "Dr A. Lantern" in held
    delete(work, demo, "customer", dentist, DENTIST)
    work.session.expire_all()
    now = [one.detail["holder"] for one in work.session.scalars(receipts)]
    gone = {before: after for before, after in zip(held, now, strict=True) if before != after}
    assert {"Dr A. Lantern", "M. Sandpiper, reception", "J. Curlew, joiner"} <= set(gone)
    assert len(set(gone.values())) == len(gone) and all(one.startswith("person removed 1-") for one in gone.values())
    told = work.session.scalars(sa.select(Event).order_by(Event.id.desc()).limit(1)).one()
    assert (told.kind, told.detail["number"]) == (DELETED, 1) and "Customer removed 1: " in told.summary


def test_originals_open_until_the_key_is_destroyed(work: Work, demo: Config, dentist: int) -> None:
    delete(work, demo, "customer", dentist, DENTIST)
    files = DeletionFiles(demo.deletions_folder, house_id(work.session))
    report = check_originals(work.session, files)
    replaced = get_deletion(work.session, 1).replaced
    assert report.broken is None and report.followed == len(replaced) > 10 and report.gaps == {}
    path = files.key_path(1)
    assert path.stat().st_mode & 0o077 == 0
    destroy_key(work, demo.deletions_folder, 1)
    assert not path.exists()
    report = check_originals(work.session, files)
    named = {one.row_id for one in replaced if one.table_name == "events"}
    assert (report.broken, report.followed) == (None, 0) and set(report.gaps[1]) == named
    assert "its key is destroyed" in report.sentences[0]
    assert first_broken_link(work.session) is None


def test_a_changed_replacement_breaks_the_chain(work: Work, demo: Config, dentist: int) -> None:
    """Whoever has the file in hand cannot put words of their own where a deletion put its own."""
    delete(work, demo, "customer", dentist, DENTIST)
    row = next(one for one in get_deletion(work.session, 1).replaced if one.table_name == "events")
    event_id = row.row_id
    with closing(sqlite3.connect(database_file(demo))) as connection:
        with pytest.raises(sqlite3.IntegrityError, match="events are never changed"):
            connection.execute("UPDATE events SET summary = 'forged' WHERE id = ?", (event_id,))
        connection.rollback()
        connection.execute("DROP TRIGGER events_no_update")
        connection.execute("UPDATE events SET summary = 'forged' WHERE id = ?", (event_id,))
        connection.commit()
    work.session.rollback()
    assert first_broken_link(work.session) == event_id


def test_nobody_goes_with_work_money_or_keys_open(work: Work, demo: Config) -> None:
    customer = work.session.scalars(sa.select(Customer).where(Customer.name == DENTIST)).one()
    said = what_stands_in_the_way(work, get_subject(work.session, "customer", customer.id))
    assert said[0] == "Not over yet: job 1003. Finish it, lose its quote or cancel it first."
    assert any("Their return first, or their loss." in one for one in said)
    with pytest.raises(LedgerError, match="Not over yet"):
        delete(work, demo, "customer", customer.id, DENTIST)
    assert list_deletions(work.session) == []
    files = [one.name for one in demo.deletions_folder.iterdir()] if demo.deletions_folder.exists() else []
    assert [one for one in files if one != "words.key"] == []


def test_a_person_returns_the_keys_first_and_is_told_by_the_name(work: Work, demo: Config) -> None:
    key = work.session.scalars(sa.select(Key).where(Key.holder == "T. Gull").order_by(Key.id)).first()
    assert key is not None
    with pytest.raises(LedgerError, match=r"T\. Gull still holds .* Take the return of the keys first, or mark"):
        delete(work, demo, "key", key.id, "T. Gull")
    work.session.execute(sa.update(Key).where(Key.holder == "T. Gull").values(state=KeyState.LOST))
    work.session.commit()
    with pytest.raises(LedgerError, match="Type the name as it stands here"):
        delete(work, demo, "key", key.id, "T. Gul")
    count = work.session.scalar(sa.select(sa.func.count(Key.id)).where(Key.holder == "T. Gull"))
    delete(work, demo, "key", key.id, " t. gull")
    work.session.expire_all()
    assert count == work.session.scalar(sa.select(sa.func.count(Key.id)).where(Key.holder == "person removed 1")) > 0
    assert b"T. Gull" not in raw(demo) and first_broken_link(work.session) is None


def test_a_namesake_elsewhere_is_left_alone(work: Work, demo: Config, dentist: int) -> None:
    """Two people called alike, at two customers: one goes, the other's records stay as they are."""
    other = work.session.scalars(sa.select(Customer).where(Customer.name == "I. Plover")).one()
    work.session.add(Contact(customer_id=other.id, name="Zoë Tärnfeld", phone="555-9999"))
    work.session.commit()
    contact = work.session.scalars(sa.select(Contact).where(Contact.customer_id == dentist)).one()
    plan = plan_deletion(work, demo.deletions_folder, "contact", contact.id)
    assert plan.namesakes == ("Zoë Tärnfeld, contact of I. Plover",) and plan.doubtful == {other.id}
    delete(work, demo, "contact", contact.id, "Zoe Tarnfeld", left=tuple(plan.doubtful))
    work.session.expire_all()
    names = work.session.scalars(
        sa.select(Contact.name).where(Contact.name.contains("o")).order_by(Contact.name)
    ).all()
    assert {"Zoë Tärnfeld", "person removed 1"} <= set(names)
    gone = work.session.get_one(Contact, contact.id)
    assert (gone.phone, gone.phone_digits, gone.email, gone.duty) == ("", "", "", "")
    assert b"010-0177" not in raw(demo) and b"5550100177" not in raw(demo)


def test_two_deletions_of_one_event_need_both_keys(work: Work, demo: Config, dentist: int) -> None:
    """What the first sealed names the second too: without the second's key nobody reads it either."""
    contact = work.session.scalars(sa.select(Contact).where(Contact.customer_id == dentist)).one()
    delete(work, demo, "contact", contact.id, contact.name)
    delete(work, demo, "customer", dentist, DENTIST)
    files = DeletionFiles(demo.deletions_folder, house_id(work.session))
    both = check_originals(work.session, files)
    twice = {(one.table_name, one.row_id) for one in get_deletion(work.session, 1).replaced}
    twice &= {(one.table_name, one.row_id) for one in get_deletion(work.session, 2).replaced}
    assert both.broken is None and both.gaps == {} and first_broken_link(work.session) is None
    destroy_key(work, demo.deletions_folder, 2)
    report = check_originals(work.session, files)
    assert report.broken is None and {row for table, row in twice if table == "events"} <= set(report.gaps[2])


def test_a_login_goes_with_its_name_on_everything_it_did(work: Work, demo: Config) -> None:
    user = work.session.scalars(sa.select(User).where(User.name == "Bram")).one()
    delete(work, demo, "login", user.id, "Bram")
    work.session.expire_all()
    assert (user.name, user.name_key, user.active, user.password_hash) == (
        "person removed 1",
        "person removed 1",
        False,
        "",
    )
    assert set(work.session.scalars(sa.select(Event.actor_name).where(Event.actor_id == user.id))) == {
        "person removed 1"
    }
    assert b"Bram" not in raw(demo) and first_broken_link(work.session) is None
    with pytest.raises(LedgerError, match="your own login"):
        delete(work, demo, "login", work.actor.user_id or 0, "Wren")


def test_drafts_of_a_customer_go_and_others_stay(work: Work, demo: Config, dentist: int) -> None:
    other = work.session.scalars(sa.select(Customer.id).where(Customer.name == "I. Plover")).one()
    user = work.actor.user_id or 0
    for token, whose in (("a", dentist), ("b", other)):
        typed = {"customer_id": str(whose), "lines": [{"remark": "for Dr A. Lantern"}]}
        work.session.add(Draft(token=token, user_id=user, typed=typed, saved_at=work.now))
    work.session.commit()
    delete(work, demo, "customer", dentist, DENTIST, also="Dr A. Lantern")
    left = {one.token: one.typed for one in work.session.scalars(sa.select(Draft).where(Draft.token.in_(["a", "b"])))}
    assert left == {"b": {"customer_id": str(other), "lines": [{"remark": "for person removed 1-3"}]}}


@pytest.mark.parametrize("is_destroyed", [False, True])
def test_a_backup_from_before_does_not_bring_the_words_back(
    work: Work, demo: Config, demo_ledger: Ledger, dentist: int, is_destroyed: bool
) -> None:
    secret = house_secret(demo_ledger.vault)
    made = make_backup(demo, demo_ledger, OWNER, demo.instance.parent / "backups", secret)
    delete(work, demo, "customer", dentist, DENTIST)
    work.session.expire_all()
    before = sums(work)
    if is_destroyed:
        destroy_key(work, demo.deletions_folder, 1)
    work.session.close()
    demo_ledger.close()
    restore_backup(demo, made.path, secret, OWNER)
    again = open_ledger(demo)
    with again.work(OWNER, work.now) as restored:
        assert [word for word in NAMED if word in raw(demo)] == []
        assert restored.session.get_one(Customer, dentist).name == "customer removed 1"
        assert sums(restored) == before and first_broken_link(restored.session) is None
        assert [one.number for one in list_deletions(restored.session)] == [1]
        report = check_originals(restored.session, DeletionFiles(demo.deletions_folder, house_id(restored.session)))
        assert report.broken is None and bool(report.gaps) is is_destroyed
        plan = plan_deletion(restored, demo.deletions_folder, "login", 2)
        assert plan.number == 2
    again.close()
    opened = open_ledger(demo)
    with opened.work(OWNER, work.now) as restored:
        assert [one.number for one in list_deletions(restored.session)] == [1]
    opened.close()


def test_an_export_from_before_does_not_go_into_the_house_again(work: Work, demo: Config, dentist: int) -> None:
    earlier = export_house(work, "zip")
    delete(work, demo, "customer", dentist, DENTIST)
    plan = plan_house(work, "house.zip", earlier)
    assert any("customer removed 1" in one.message for one in plan.problems)
    later = plan_house(work, "house.zip", export_house(work, "zip"))
    assert later.problems == () and later.rows == 0


def test_an_export_goes_into_an_empty_house_without_the_words(
    work: Work, demo: Config, dentist: int, empty_house: Path, copied: Callable[[Path], Config]
) -> None:
    job = work.session.scalars(sa.select(Job).where(Job.customer_id == dentist)).one()
    with transaction(work.session):
        sent = "Quote Q-1003-1 sent to accounts@elsewhere.example"
        record(work, "quote sent", f"job {job.number}", sent, job_id=job.id, revision=1)
    delete(work, demo, "customer", dentist, DENTIST)
    assert b"elsewhere.example" not in raw(demo)
    content = export_house(work, "zip")
    ledger = open_ledger(copied(empty_house))
    with ledger.work(OWNER, work.now) as other:
        plan = import_house(other, "house.zip", content)
        assert plan.problems == () and first_broken_link(other.session) is None
        assert other.session.get_one(Customer, dentist).name == "customer removed 1"
        assert sums(other) == sums(work) and export_house(other, "zip") == content
        # The number was given out: the other house's next deletion is another one.
        assert plan_deletion(other, demo.instance / "other", "customer", dentist).number == 2
    ledger.close()


def test_a_file_of_the_customers_job_is_named_and_goes_if_ticked(work: Work, demo: Config, dentist: int) -> None:
    number = work.session.scalars(sa.select(Job.number).where(Job.customer_id == dentist)).one()
    for name in ("letter.txt", "plan.txt"):
        keep_file(work, files_folder(demo), number, name, name.encode(), "from the practice")
    plan = plan_deletion(work, demo.deletions_folder, "customer", dentist)
    letter, drawing = sorted(plan.files, key=lambda one: one.name)
    assert (letter.name, drawing.name) == ("letter.txt", "plan.txt")
    gone, stays = (files_folder(demo) / one.stored_name for one in (letter, drawing))
    form = DeletionForm(DENTIST, files=(letter.id,))
    delete_person(work, demo.deletions_folder, files_folder(demo), "customer", dentist, form)
    assert not gone.exists() and stays.exists()


def test_a_site_that_was_merged_leaves_no_name_behind(work: Work, demo: Config, dentist: int) -> None:
    kept, gone = (add_site(work, dentist, SiteForm(name)) for name in ("Cormorant Place", "Petrelhaven Annex"))
    merge_sites(work, (kept.id, kept.version), (gone.id, gone.version), {})
    assert b"Petrelhaven" in raw(demo)
    delete(work, demo, "customer", dentist, "lantern row dental")
    assert b"Petrelhaven" not in raw(demo)
