"""Lives of a house that hypothesis draws, each on a copy of a house, beside a plain model that the test has.

CI draws a few short lives, the same each time; with the test's variable set to a number, so many long ones by chance.
"""

import os
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import Phase, settings
from hypothesis.stateful import RuleBasedStateMachine, run_state_machine_as_test

from app.errors import BitternError
from app.ledger.care.opening import open_ledger
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Actor, Work
from app.ledger.tables import User
from tests.houses import copy_house, remove_database


class Life(RuleBasedStateMachine):
    """A house that is open for one life, and then gone. `met`: how often each act was done or refused in all."""

    folder: ClassVar[Path]
    met: ClassVar[Counter[str]]

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp(prefix="life"))
        self.config = copy_house(self.folder, self.place / "instance")
        self.ledger = open_ledger(self.config)
        self.session = self.ledger.sessions()
        self.rng = random.Random(8)
        self.known: object = None  # what is on record, where nothing was done since that was asked

    def teardown(self) -> None:
        """Let go of the house; no event was changed."""
        self.session.rollback()
        try:
            assert first_broken_link(self.session) is None
        finally:
            self.session.close()
            self.ledger.close()
            remove_database(self.config)
            shutil.rmtree(self.place)

    def owners_work(self, now: datetime) -> Work:
        """Work of the house's owner, who sees what is on record."""
        self.session.rollback()
        self.session.expire_all()
        owner = Actor.of(self.session.get_one(User, 1))
        return Work(self.session, self.ledger.vault, owner, now, self.rng)

    def on_record(self) -> object:
        """What a refused act must leave as it is; nothing is compared where a test does not say."""
        return None

    def done(self, name: str, deed: Callable[[], object], *, may: bool | None = None) -> bool:
        """Whether it was done, or refused in words and nothing changed. `may`: which of the two it has to be."""
        before = self.on_record() if self.known is None else self.known
        try:
            self.answer = deed()
        except BitternError as error:
            self.session.rollback()
            self.met[f"{name}: refused"] += 1
            assert may is not True, f"{name} is refused: {error}"
            self.known = self.on_record()
            assert self.known == before, f"{name} was refused, and changed something"
            return False
        self.met[name] += 1
        assert may is not False, f"{name} is let through"
        self.known = None
        return True


def draw_lives(
    kind: type[Life],
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    *,
    variable: str,
    steps: tuple[int, int],
    ci_lives: int,
) -> Counter[str]:
    """Draw lives on copies of the house in `folder`, and print what was met in them. steps: of a life by chance, and
    of one in CI.
    """
    lives = int(os.environ.get(variable, "0"))
    kind.folder, kind.met = folder, Counter()
    drawn = settings(
        max_examples=lives or ci_lives,
        stateful_step_count=steps[0] if lives else steps[1],
        derandomize=not lives,
        database=None,
        print_blob=False,
        phases=(Phase.generate,),  # to shorten a long life takes longer than to read it
    )
    try:
        run_state_machine_as_test(kind, settings=drawn)
    finally:
        with capsys.disabled():
            print("\n" + "\n".join(f"{count:6} {what}" for what, count in sorted(kind.met.items())))
    return kind.met
