"""What the machine's own chance gives in tests: the same to each test in every run, whatever ran before it.

A bitting that one drawing in a thousand gives shuts a door to the next, rightly: a test that meets it fails on a day
when nobody changed anything. BITTERN_TESTCHANCE=2 draws others for all of them, to look for such tests.
"""

import base64
import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count

import pytest

from app.ledger.store.vault import Vault

CHANCE = os.environ.get("BITTERN_TESTCHANCE", "1")
_drawn_for = "no test"
_keys = count(1)


@contextmanager
def drawn_for(name: str) -> Iterator[None]:
    """Give what is drawn within to `name`, a test or what is made for several."""
    global _drawn_for, _keys
    before = _drawn_for, _keys
    _drawn_for, _keys = name, count(1)
    try:
        yield
    finally:
        _drawn_for, _keys = before


def draw_again(patch: pytest.MonkeyPatch) -> None:
    """Let the machine's chance and a new house's sealing key be drawn for the test at hand."""
    patch.setattr(random.SystemRandom, "getrandbits", lambda self, bits: _of(self).getrandbits(bits))
    patch.setattr(random.SystemRandom, "random", lambda self: _of(self).random())
    patch.setattr(Vault, "new_key", staticmethod(_new_key))


def _of(system: random.SystemRandom) -> random.Random:
    """Every new one draws alike: pages that are asked for side by side come in no fixed order."""
    drawn: random.Random
    name, drawn = vars(system).get("drawn", ("", random.Random(0)))
    if name != _drawn_for:
        name, drawn = _drawn_for, random.Random(f"{CHANCE} {_drawn_for}")
        vars(system)["drawn"] = name, drawn
    return drawn


def _new_key() -> str:
    key = random.Random(f"{CHANCE} {_drawn_for} {next(_keys)}").randbytes(32)
    return base64.urlsafe_b64encode(key).decode("ascii")
