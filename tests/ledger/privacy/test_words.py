"""A person's words in a text: found however they are written, and nothing else."""

import pytest

from app.ledger.privacy.words import Replacer, phone_marks, words_mark
from app.ledger.store.vault import Vault

HASHER = Vault(Vault.new_key())
PUT = "person removed 17"


@pytest.fixture(scope="module")
def replacer() -> Replacer:
    """Of Zoë Ann, whose phone has a country, and whose e-mail is known."""
    marks = [words_mark(HASHER, "Zoë Ann", PUT), words_mark(HASHER, "zoe.ann@quay.example", "(removed)")]
    return Replacer(HASHER, [*filter(None, marks), *phone_marks(HASHER, "+1 (555) 010-0177", "(removed)")])


@pytest.mark.parametrize(
    ("text", "after"),
    [
        ("keys to Zoë Ann; receipt 7", f"keys to {PUT}; receipt 7"),
        ("ZOE  ANN's keys", f"{PUT}'s keys"),
        ("Zoe\nAnn", PUT),
        ("ask zoe.ann@quay.example today", "ask (removed) today"),
        ("ring 555-010-0177 before 10", "ring (removed) before 10"),
        ("ring 5550100177, or +1 555 010 0177.", "ring (removed), or +(removed)."),
    ],
)
def test_what_is_theirs_is_replaced(replacer: Replacer, text: str, after: str) -> None:
    assert replacer.text(text) == after
    assert replacer.value({"a": [text, 1, None], "b": {text: True}}) == {"a": [after, 1, None], "b": {after: True}}


@pytest.mark.parametrize(
    "text",
    [
        "Zoë Anniversary",
        "McZoë Ann",
        "Ann, then Zoë",
        "Zoë was here; so was Ann",
        "job 55501001777",
        "555-010 doors, 0177 keys",
        "",
    ],
)
def test_what_only_looks_like_it_stays(replacer: Replacer, text: str) -> None:
    assert replacer.text(text) == text


def test_a_word_of_one_letter_tells_of_nobody() -> None:
    assert words_mark(HASHER, "A", PUT) is None and words_mark(HASHER, " - ", PUT) is None
    assert phone_marks(HASHER, "12345", PUT) == []
