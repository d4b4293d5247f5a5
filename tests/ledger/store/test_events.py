"""Events are appended, numbered without gaps, and chained so that a change shows."""

import threading
from dataclasses import replace

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.care.opening import Ledger
from app.ledger.store.engine import transaction
from app.ledger.store.events import event_hash, events_of, first_broken_link, next_number, record
from app.ledger.store.work import Work
from app.ledger.tables import Event
from tests.bare import config, work
from tests.houses import remove_guards

__all__ = ["config", "work"]  # the bare house


@pytest.fixture
def story(work: Work) -> list[int]:
    """Five events, their ids."""
    ids = []
    for number in range(5):
        with transaction(work.session):
            ids.append(record(work, "job changed", f"job {number % 2}", f"step {number}", note=number).id)
    return ids


def tamper(session: Session, *statements: str | sa.Update) -> None:
    """What somebody with the file in hand could do: first the guards go, then the words."""
    session.rollback()
    remove_guards(session.connection())
    for statement in statements:
        session.execute(sa.text(statement) if isinstance(statement, str) else statement)
    session.commit()
    session.expire_all()


def test_an_untouched_chain_holds(work: Work, story: list[int]) -> None:
    assert first_broken_link(work.session) is None


def test_an_empty_chain_holds(session: Session) -> None:
    assert first_broken_link(session) is None


@pytest.mark.postgresql
@pytest.mark.parametrize(
    "change",
    [
        "summary = 'nothing to see'",
        "actor_name = 'somebody else'",
        "at = '2026-01-01 00:00:00.000000'",
        "detail = '{\"note\": 99}'",
        "subject = 'job 9'",
    ],
)
def test_a_changed_event_is_the_first_broken_link(work: Work, story: list[int], change: str) -> None:
    tamper(work.session, f"UPDATE events SET {change} WHERE id = {story[2]}")  # noqa: S608 - the test's own words
    assert first_broken_link(work.session) == story[2]


def test_a_missing_event_shows_at_the_next_one(work: Work, story: list[int]) -> None:
    tamper(work.session, f"DELETE FROM events WHERE id = {story[1]}")  # noqa: S608 - the test's own words
    assert first_broken_link(work.session) == story[2]


def test_a_rehashed_event_shows_at_the_next_one(work: Work, story: list[int]) -> None:
    event = work.session.get_one(Event, story[2])
    work.session.expunge(event)
    event.summary = "rewritten with care"
    rewritten = sa.update(Event).values(summary=event.summary, hash=event_hash(event))
    tamper(work.session, rewritten.where(Event.id == story[2]))
    assert first_broken_link(work.session) == story[3]


def test_python_refuses_to_change_or_delete_an_event(work: Work, story: list[int]) -> None:
    event = work.session.get_one(Event, story[0])
    event.summary = "x"
    with pytest.raises(RuntimeError, match="append-only"):
        work.session.flush()
    work.session.rollback()
    work.session.delete(work.session.get_one(Event, story[0]))
    with pytest.raises(RuntimeError, match="append-only"):
        work.session.flush()


def test_a_failed_use_case_leaves_neither_event_nor_gap(work: Work, story: list[int]) -> None:
    with pytest.raises(KeyError), transaction(work.session):
        record(work, "job changed", "job 1", "never happened")
        next_number(work.session, "job")
        raise KeyError("stop")
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Event)) == 5
    with transaction(work.session):
        assert next_number(work.session, "job", first=1001) == 1001
        assert next_number(work.session, "job", first=1001) == 1002
    assert first_broken_link(work.session) is None


def test_writers_at_the_same_time_do_not_fork_the_chain(ledger: Ledger, work: Work) -> None:
    failed: list[BaseException] = []

    def write() -> None:
        try:
            for _ in range(10):
                with ledger.sessions() as session, transaction(session):
                    record(replace(work, session=session), "job changed", "job 1", "step")
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    work.session.rollback()
    assert failed == []
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Event)) == 40
    assert first_broken_link(work.session) is None


def test_events_of_a_subject_come_newest_first(work: Work, story: list[int]) -> None:
    newest = events_of(work.session, "job 1", limit=1)[0]
    assert newest is not None and newest.summary == "step 3"
    assert [event.summary for event in events_of(work.session, "job 0", limit=2)] == ["step 4", "step 2"]
    assert events_of(work.session, "job 12") == []
