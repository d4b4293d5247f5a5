"""A test draws the same bittings in every run, whichever tests ran before it."""

import secrets
from random import Random

import pytest

from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from tests import chance


def _drawn() -> tuple[int, float, str, str]:
    return secrets.SystemRandom().getrandbits(64), secrets.SystemRandom().random(), Vault.new_key(), Vault.new_key()


@pytest.fixture(scope="module")
def for_several() -> int:
    """What the first of several tests has made, whichever that is."""
    return secrets.SystemRandom().getrandbits(64)


@pytest.mark.parametrize("case", ["one", "another"])
def test_each_test_draws_its_own(request: pytest.FixtureRequest, case: str) -> None:
    expected = Random(f"{chance.CHANCE} {request.node.nodeid}").getrandbits(64)
    assert expected == secrets.SystemRandom().getrandbits(64)
    with chance.drawn_for("something else"):
        assert expected != secrets.SystemRandom().getrandbits(64)
    assert expected == secrets.SystemRandom().getrandbits(64)


@pytest.mark.parametrize("case", ["one", "another"])
def test_what_is_made_for_several_tests_is_the_same_whichever_comes_first(for_several: int, case: str) -> None:
    assert for_several == Random(f"{chance.CHANCE} tests/test_chance.py for_several").getrandbits(64)


def test_the_same_is_drawn_again_and_keys_differ() -> None:
    drawn = []
    for name in ("a test", "a test", "another"):
        with chance.drawn_for(name):
            drawn.append(_drawn())
    assert drawn[0] == drawn[1] and not set(drawn[0]) & set(drawn[2])
    assert len(set(drawn[0][2:])) == 2


def test_whoever_says_nothing_of_chance_works_by_the_machines(work: Work) -> None:
    """What is drawn again is still known as the machine's chance, which no search winds back."""
    assert isinstance(work.rng, secrets.SystemRandom)
    assert 0 <= work.rng.randrange(6) < 6 and sorted(work.rng.sample(range(9), 9)) == list(range(9))
