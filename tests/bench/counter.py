"""What one recalculation of the counter page costs beside an empty page, at the socket, one person alone.

Prints the least of several turns for each number of lines, and how many empty pages that is; it asserts nothing.
"""

import sys
import tempfile
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app import create_app
from app.commands.demo_house import load_house
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.work import Actor
from app.ledger.tables import Role
from tests import factories
from tests.chromium import serving
from tests.conftest import NOW
from tests.hands import Hand
from tests.houses import new_house
from tests.stocked import DEMO, MORTISE, posted

TURNS = 15
LINES = (1, 10, 30, 100)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        config = new_house(Path(folder) / "instance")
        migrate(config)
        ledger = open_ledger(config)
        with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work, factories.saving_into(work.session):
            load_house(work, DEMO, date(2026, 1, 1))
            clerk = factories.UserFactory(role=Role.COUNTER)
        app = create_app(config, ledger)
        app.extensions["clock"] = lambda: NOW
        with serving(app) as served:
            hand = Hand(app, served.address, clerk)
            steps = {0: lambda: hand.get("/counter")}
            for count in LINES:
                form = posted(*[MORTISE] * count)
                steps[count] = lambda form=form: hand.post("/counter/work-out", form)
            seconds: dict[int, list[float]] = {count: [] for count in steps}
            for _ in range(TURNS):  # in turn, so that a busy moment of the machine meets all of them
                for count, step in steps.items():
                    answer = step()
                    assert answer.status == 200, (count, answer.status)
                    seconds[count].append(answer.seconds)
        ledger.close()
    empty = min(seconds.pop(0))
    print(f"the empty counter page: {empty * 1000:.1f} ms")
    for count, taken in seconds.items():
        print(f"  {count:3} lines worked out {min(taken) * 1000:6.1f} ms, {min(taken) / empty:5.1f} empty pages")


if __name__ == "__main__":
    main()
