"""Papers by turns: two are made, two wait, and whoever asks for one more is told so and loses nothing."""

import io
import threading
from collections.abc import Callable, Iterator
from html import unescape

import pytest
import sqlalchemy as sa
import weasyprint
from sqlalchemy.orm import Session

from app.commands.serving import THREADS
from app.documents.render import _PRINT_QUEUE, AT_ONCE, WAITING
from app.ledger.store.work import Work
from app.ledger.tables import Event, Role
from tests.desk import quoted
from tests.factories import FormClient
from tests.keyed import Keyed, keyed_job
from tests.ledger.store.test_turns import LONG, begun, in_line
from tests.stocked import HARDWARE, empty_house
from tests.web.quotes.test_mailing import FORM

__all__ = ["empty_house"]

ClientAs = Callable[[Role | None], FormClient]


class Press:
    """A press that prints nothing until it is let go; `begun` is counted up by each paper that is begun."""

    def __init__(self) -> None:
        self.begun, self.go_on = threading.Semaphore(0), threading.Event()
        self.most, self._now = 0, 0
        self._counting = threading.Lock()

    def write_pdf(self, *given: object, **named: object) -> bytes:
        with self._counting:
            self._now += 1
            self.most = max(self.most, self._now)
        self.begun.release()
        assert self.go_on.wait(LONG)
        with self._counting:
            self._now -= 1
        return b"%PDF-made"


@pytest.fixture
def press(prints_anew: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Press]:
    press = Press()
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", press.write_pdf)
    yield press
    press.go_on.set()


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def asked(client_as: ClientAs, press: Press, paper: str, count: int) -> tuple[list[threading.Thread], list[int]]:
    """So many people who ask for a paper, each made to stand in line before the next; and what they are answered."""
    answers: list[int] = []
    threads: list[threading.Thread] = []
    for client in [client_as(Role.BENCH) for _ in range(count)]:
        threads += begun(lambda client=client: answers.append(client.get(paper).status_code))
        in_line(_PRINT_QUEUE, len(threads))
    for _ in range(min(count, AT_ONCE)):
        assert press.begun.acquire(timeout=LONG)
    return threads, answers


def test_the_fifth_is_told_that_printing_is_busy_and_prints_by_loading_again(
    client_as: ClientAs, keyed: Keyed, press: Press
) -> None:
    paper, client = f"/jobs/{keyed.job.number}/keying-schedule.pdf", client_as(Role.COUNTER)
    threads, answers = asked(client_as, press, paper, AT_ONCE + WAITING)
    told = client.get(paper)
    assert (told.status_code, told.headers["Retry-After"]) == (503, "10")
    assert "Printing is busy" in told.text and "load this page again" in told.text
    assert client.get(f"/jobs/{keyed.job.number}").status_code == 200  # a page does not stand in line
    press.go_on.set()
    for thread in threads:
        thread.join()
    assert answers == [200] * (AT_ONCE + WAITING) and press.most == AT_ONCE
    assert client.get(paper).data == b"%PDF-made"


@pytest.mark.parametrize(
    "place", ["/jobs/{job}/bench-sheet.pdf", "/jobs/{job}/folder.zip", "/key-systems/{system}/bitting-list.pdf"]
)
def test_a_paper_that_was_not_made_reveals_nothing(
    client_as: ClientAs, keyed: Keyed, press: Press, session: Session, place: str
) -> None:
    """That bittings were opened stands on record when somebody saw them, not when they were told to wait."""
    threads, _ = asked(client_as, press, f"/jobs/{keyed.job.number}/keying-schedule.pdf", AT_ONCE + WAITING)
    owner = client_as(Role.OWNER)
    before = session.scalar(sa.select(sa.func.count(Event.id)))
    session.rollback()
    answer = owner.post(place.format(job=keyed.job.number, system=keyed.system.id))
    assert answer.status_code == 503 and "Printing is busy" in answer.text
    assert session.scalar(sa.select(sa.func.count(Event.id))) == before
    press.go_on.set()
    for thread in threads:
        thread.join()


def test_a_folder_lets_others_print_while_its_files_are_put_in(
    client_as: ClientAs, keyed: Keyed, press: Press, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, job = client_as(Role.COUNTER), f"/jobs/{keyed.job.number}"
    sent = {"file": (io.BytesIO(b"%PDF-1.4\nold\n%%EOF"), "old.pdf"), "about": "Old schedule"}
    assert client.post(f"{job}/files", data=sent).status_code == 303
    in_turn: list[int] = []

    def read(*_: object) -> bytes:
        in_turn.append(len(_PRINT_QUEUE._tickets))
        return b"old"

    monkeypatch.setattr("app.web.papers.views.read_kept", read)
    press.go_on.set()
    assert client.post(f"{job}/folder.zip").status_code == 200
    assert in_turn == [0] and press.most == 1


def test_a_table_needs_no_place_at_the_press(client_as: ClientAs, keyed: Keyed, press: Press) -> None:
    number = keyed.job.number
    threads, _ = asked(client_as, press, f"/jobs/{number}/keying-schedule.pdf", AT_ONCE + WAITING)
    answer = client_as(Role.BENCH).get(f"/jobs/{number}/keying-schedule.csv")
    assert answer.status_code == 200
    press.go_on.set()
    for thread in threads:
        thread.join()


def test_an_email_that_could_not_be_printed_keeps_what_was_typed(
    client_as: ClientAs, keyed: Keyed, press: Press
) -> None:
    clerk = client_as(Role.COUNTER)
    quoted(clerk, HARDWARE)
    threads, _ = asked(client_as, press, f"/jobs/{keyed.job.number}/keying-schedule.pdf", AT_ONCE + WAITING)
    place = "/quotes/1001/1/mail"
    answer = clerk.post(place, data={**FORM, "body": "Good day, Wren,\nas promised."})
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "10")
    assert "Printing is busy" in answer.text
    assert "as promised." in unescape(answer.text)
    press.go_on.set()
    for thread in threads:
        thread.join()


def test_a_paper_that_fails_gives_its_place_back(
    client_as: ClientAs, keyed: Keyed, prints_anew: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def tear(*given: object, **named: object) -> bytes:
        raise OSError("the paper is torn")

    paper, client = f"/jobs/{keyed.job.number}/keying-schedule.pdf", client_as(Role.BENCH)
    with monkeypatch.context() as patch:
        patch.setattr(weasyprint.HTML, "write_pdf", tear)
        for _ in range(AT_ONCE + WAITING + 1):
            assert client.get(paper).status_code == 500
    assert client.get(paper).status_code == 200


def test_papers_leave_threads_to_the_pages() -> None:
    assert THREADS - AT_ONCE - WAITING >= THREADS // 2
