"""The queue of writers: first come, first served, and nobody can leave it shut behind him."""

import threading
import time
from collections.abc import Callable

import pytest

from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.store.engine import make_engine, transaction
from app.ledger.store.errors import LedgerBusy
from app.ledger.store.events import next_number
from app.ledger.store.turns import TurnQueue, queue_of

LONG = 60  # seconds: nobody who has his turn coming waits so long


def in_line(queue: TurnQueue, count: int) -> None:
    """Wait until so many have the turn or wait for it."""
    until = time.monotonic() + LONG
    while len(queue._tickets) < count:
        assert time.monotonic() < until, "nobody else got in line"
        time.sleep(0.001)


def begun(*deeds: Callable[[], object]) -> list[threading.Thread]:
    threads = [threading.Thread(target=deed) for deed in deeds]
    for thread in threads:
        thread.start()
    return threads


def test_turns_come_in_the_order_in_which_they_were_asked_for() -> None:
    queue, served = TurnQueue(), []
    threads: list[threading.Thread] = []

    def take(number: int) -> None:
        with queue.turn(LONG):
            served.append(number)

    with queue.turn(LONG):
        for number in range(6):
            threads += begun(lambda number=number: take(number))
            in_line(queue, number + 2)
        assert served == []
    for thread in threads:
        thread.join()
    assert served == list(range(6)) and not queue._tickets


@pytest.mark.sqlite  # PostgreSQL's advisory lock is a queue of its own
def test_a_loop_of_saves_lets_another_save_between(ledger: Ledger) -> None:
    queue, saved = queue_of(str(ledger.engine.url.database)), []
    has_begun = threading.Event()

    def save(who: str) -> None:
        with ledger.sessions() as session, transaction(session):
            has_begun.set()
            if not saved:
                in_line(queue, 2)  # the other one asks while this save is under way
            saved.append(who)
            next_number(session, who, 1)

    def loop() -> None:
        for _ in range(50):
            save("loop")

    looping = begun(loop)
    assert has_begun.wait(LONG)
    save("other")
    looping[0].join()
    assert saved.index("other") == 1 and len(saved) == 51


def test_who_has_waited_too_long_is_told_and_holds_up_nobody() -> None:
    queue, served = TurnQueue(), []

    def impatient() -> None:
        with pytest.raises(LedgerBusy, match="try again"), queue.turn(0):
            served.append("never")
        served.append("told")

    def patient() -> None:
        with queue.turn(LONG):
            served.append("patient")

    with queue.turn(LONG):
        waiting = begun(patient)
        in_line(queue, 2)
        begun(impatient)[0].join()
        assert served == ["told"]
    waiting[0].join()
    assert served == ["told", "patient"] and not queue._tickets


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, GeneratorExit, ZeroDivisionError])
def test_whatever_ends_a_block_or_a_wait_gives_the_ticket_back(
    monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    queue = TurnQueue()

    def interrupted(*given: object) -> bool:
        raise error

    with pytest.raises(error), queue.turn(LONG):
        raise error
    with monkeypatch.context() as patch:
        patch.setattr(queue._changed, "wait_for", interrupted)
        with pytest.raises(error), queue.turn(LONG):
            pytest.fail("it never had the turn")
    assert not queue._tickets


def test_a_block_within_a_block_does_not_wait_for_itself_and_keeps_the_turn() -> None:
    queue, told = TurnQueue(), []

    def ask() -> None:
        with pytest.raises(LedgerBusy), queue.turn(0):
            told.append("never")
        told.append("told")

    with queue.turn(LONG):
        with queue.turn(LONG):
            pass
        begun(ask)[0].join()
    assert told == ["told"] and not queue._tickets


def test_engines_of_one_file_share_a_queue_and_those_of_another_do_not(config: Config) -> None:
    queues = [
        make_engine(f"sqlite:///{config.instance / name}").get_execution_options()["bittern_writer_queue"]
        for name in ("one.sqlite3", "../instance/one.sqlite3", "two.sqlite3")
    ]
    assert queues[0] is queues[1] and queues[0] is not queues[2]
