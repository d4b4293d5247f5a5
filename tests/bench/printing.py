"""A page while papers are made: alone, beside two papers, and with eight asked for at once, through waitress.

Prints the middle of the page's times and the ratios, what the eight were answered, and how long they took; it
asserts nothing. Wanted: with eight asked for, at most three times what the page takes beside two.
"""

import logging
import statistics
import sys
import tempfile
import threading
from collections import Counter
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app import create_app
from app.commands.demo_house import load_house
from app.commands.serving import THREADS
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.work import Actor
from app.ledger.tables import Role
from tests import factories
from tests.chromium import serving
from tests.conftest import NOW
from tests.factories import UserFactory
from tests.hands import Hand
from tests.houses import new_house
from tests.stocked import DEMO, HARDWARE, posted

PEOPLE = 8
LINES = 60
PAGE = "/ledger"
AT_LEAST = 10  # times that the page is asked for


def page_times(hand: Hand, others: list[threading.Thread]) -> list[float]:
    """How long the page takes, again and again, for as long as the others are at it."""
    times: list[float] = []
    while len(times) < AT_LEAST or any(other.is_alive() for other in others):
        answer = hand.get(PAGE)
        assert answer.status == 200
        times.append(answer.seconds)
        if not others and len(times) >= AT_LEAST:
            break
    return times


def beside(hand: Hand, printers: list[Hand], papers: int) -> tuple[float, Counter[int], float]:
    """The page's middle time while everybody asks for so many papers; the answers; the longest of them."""
    answers: list[tuple[int, float]] = []

    def ask(printer: Hand) -> None:
        for _ in range(papers):
            answer = printer.get("/quotes/1001/1/quote.pdf")
            answers.append((answer.status, answer.seconds))

    threads = [threading.Thread(target=ask, args=(printer,)) for printer in printers]
    for thread in threads:
        thread.start()
    times = page_times(hand, threads)
    for thread in threads:
        thread.join()
    return (
        statistics.median(times),
        Counter(status for status, _ in answers),
        max((seconds for _, seconds in answers), default=0.0),
    )


def main() -> None:
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # that requests wait is what is measured
    with tempfile.TemporaryDirectory() as folder:
        config = new_house(Path(folder) / "instance")
        migrate(config)
        ledger = open_ledger(config)
        with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work, factories.saving_into(work.session):
            load_house(work, DEMO, date(2026, 1, 1))
            users = [UserFactory(role=Role.COUNTER) for _ in range(PEOPLE + 1)]
        app = create_app(config, ledger)
        app.extensions["clock"] = lambda: NOW
        with serving(app, THREADS) as served:
            reader, *printers = [Hand(app, served.address, user) for user in users]
            assert reader.post("/counter/issue", posted(*[HARDWARE] * LINES)).status == 303
            beside(reader, printers[:1], 1)  # the first requests load templates and fonts
            alone, _, _ = beside(reader, [], 0)
            _, _, one_paper = beside(reader, printers[:1], 1)
            two, _, _ = beside(reader, printers[:2], 4)
            eight, answers, longest = beside(reader, printers, 1)
        ledger.close()
    told = ", ".join(f"{count} times {status}" for status, count in sorted(answers.items()))
    print(f"A quote of {LINES} lines, {THREADS} threads; one paper beside the page {one_paper:.1f} s")
    print(f"  page alone                 {alone * 1000:6.0f} ms")
    print(f"  beside two papers          {two * 1000:6.0f} ms ({two / alone:.1f}x)")
    print(f"  with eight asked for       {eight * 1000:6.0f} ms ({eight / two:.1f}x beside two); wanted at most 3x")
    print(f"  the eight were answered    {told}; the longest took {longest:.1f} s")


if __name__ == "__main__":
    main()
