import re

import pytest

from app.errors import BitternError
from app.fitting import all_finishes, finish, finish_words, finishes_named, mismatch, mismatch_among
from app.fitting.reference import finish_spoken


def test_every_finish_has_a_swatch_words_and_a_source() -> None:
    for each in all_finishes():
        assert re.fullmatch(r"#[0-9a-f]{6}", each.swatch)
        assert each.source and each.base and each.words in f"{each.code} {each.name}"
    assert len({each.code for each in all_finishes()}) == len(all_finishes())


def test_look_alikes_share_a_swatch() -> None:
    for code in ("US3", "US26D"):
        assert len({each.swatch for each in finishes_named(code)}) == 1


def test_an_unknown_number_is_refused_but_still_has_words() -> None:
    with pytest.raises(BitternError, match="Known numbers: 600, 605"):
        finish("999")
    assert finish_words("999") == "999"
    assert finishes_named("US99") == ()


def test_mismatch_compares_each_pair_once_and_ignores_what_is_not_said() -> None:
    assert mismatch([]) == mismatch(["626", "", "626"]) == ()
    assert len(mismatch(["626", "605", "613", "626"])) == 3
    assert "base metal differs" in mismatch(["605", "632"])[0]
    assert "do not match" in mismatch(["626", "house black"])[0]


def test_a_code_that_leaves_the_number_open_is_taken_at_its_best() -> None:
    us3, us26d = ([each.code for each in finishes_named(code)] for code in ("US3", "US26D"))
    assert mismatch_among([us26d]) == mismatch_among([us26d, ["652"]]) == mismatch_among([]) == ()
    assert mismatch_among([["626"], us3]) == mismatch(["626", "605"])
    assert len(mismatch_among([us3, us26d, ["630"]])) == 3
    assert "base metal differs" in mismatch_among([["605"], ["632"]])[0]
    assert "do not match" in mismatch_among([["626"], ["house black"]])[0]


@pytest.mark.parametrize(
    ("said", "numbers"),
    [
        ("626", "626"),
        ("US26D", "626 652"),
        ("us 26d", "626 652"),
        ("26D", "626 652"),
        ("3", "605 632"),
        ("US3", "605 632"),
        ("10b", "613"),
        ("26", "625"),
        ("satin chrome", "626 652"),
        ("Brushed Chrome", "626 652"),
        ("polished chromium", "625"),
        ("bright brass", "605 632"),
        ("bright brass plated", "632"),
        ("dull bronze", "612"),
        ("oil rubbed", "613"),
        ("Oil-rubbed bronze", "613"),
        ("brushed nickel", "619"),
        ("stainless steel", "629 630"),
        ("polished stainless", "629"),
        ("brushed stainless", "630"),
        ("32", "629"),
        ("clear anodized aluminium", "628"),
        ("primed for paint", "600"),
        ("chrome", "625 626 652"),
        ("brass", "605 606 632"),
        ("chrome brass", ""),
        ("house black", ""),
        ("satin chrome ring", ""),
        ("", ""),
    ],
)
def test_a_finish_as_people_say_it(said: str, numbers: str) -> None:
    """Words of the finish table in the trade's other words for them: common practice, no source."""
    assert [each.code for each in finishes_named(said)] == numbers.split()


def test_a_bare_number_in_a_sentence_is_no_finish() -> None:
    found = finish_spoken("3 rim cylinders, 26 keys, dull brass")
    assert found and found[0][0] == "dull brass" and [each.code for each in found[1]] == ["606"]
    assert finish_spoken("3 rim cylinders, 26 keys") is None
