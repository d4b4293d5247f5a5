"""Twenty people at the counter at once beside one alone: how long a save and a page take, through waitress.

Prints the middle and the 95th of a hundred (p95) of each kind of request, and the ratios; it asserts nothing.
`tools/on_postgresql.sh .venv/bin/python tests/bench/hands.py` measures the same on PostgreSQL.
"""

import logging
import secrets
import statistics
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app import create_app
from app.commands.demo_house import load_house
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.work import Actor
from app.ledger.tables import Role, User
from tests import factories
from tests.chromium import serving
from tests.conftest import NOW
from tests.factories import UserFactory
from tests.hands import Hand
from tests.houses import new_house
from tests.stocked import DEMO, HARDWARE, MORTISE, posted

HANDS = 20
WALK_INS = 5

Times = dict[str, list[float]]


def serve_walk_ins(hand: Hand, place: int) -> Times:
    """One person's walk-ins: the page, what is typed worked out, the quote, the ledger, a search."""
    times: Times = defaultdict(list)
    for turn in range(WALK_INS):
        form = posted(MORTISE, HARDWARE, customer_name=f"Plover {place} {turn}", token=secrets.token_hex(16))
        steps = {
            "counter page": lambda: hand.get("/counter"),
            "worked out": lambda form=form: hand.post("/counter/work-out", form),
            "quote issued": lambda form=form: hand.post("/counter/issue", form),
            "ledger": lambda: hand.get("/ledger"),
            "search": lambda: hand.get("/search?q=Plover"),
        }
        for name, step in steps.items():
            answer = step()
            assert answer.status in (200, 303), (name, answer.status)
            times[name].append(answer.seconds)
    return times


def p95(times: list[float]) -> float:
    return statistics.quantiles(times, n=20, method="inclusive")[-1]


def main() -> None:
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # that requests wait is what is measured
    with tempfile.TemporaryDirectory() as folder:
        config = new_house(Path(folder) / "instance")
        migrate(config)
        ledger = open_ledger(config)
        with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work, factories.saving_into(work.session):
            load_house(work, DEMO, date(2026, 1, 1))
            users: list[User] = [UserFactory(role=Role.COUNTER) for _ in range(HANDS)]
        app = create_app(config, ledger)
        app.extensions["clock"] = lambda: NOW
        with serving(app) as served:
            hands = [Hand(app, served.address, user) for user in users]
            serve_walk_ins(hands[0], 98)  # the first requests load templates
            alone = serve_walk_ins(hands[0], 99)
            with ThreadPoolExecutor(HANDS) as pool:
                done = list(pool.map(serve_walk_ins, hands, range(HANDS)))
        ledger.close()
    together = {name: [one for times in done for one in times[name]] for name in alone}
    print(f"{config.url.partition(':')[0]}: {HANDS} people, {HANDS * WALK_INS} walk-ins, one process of 4 threads")
    for name, times in together.items():
        floor = statistics.median(alone[name])
        print(
            f"  {name:13} alone {floor * 1000:6.0f} ms; together median {statistics.median(times) / floor:5.1f}x, "
            f"p95 {p95(times) * 1000:6.0f} ms ({p95(times) / floor:5.1f}x)"
        )


if __name__ == "__main__":
    main()
