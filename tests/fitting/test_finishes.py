import re

import pytest

from app.errors import BitternError
from app.fitting import all_finishes, finish, finish_words, finishes_by_us_code, mismatch, mismatch_among


def test_every_finish_has_a_swatch_words_and_a_source() -> None:
    for each in all_finishes():
        assert re.fullmatch(r"#[0-9a-f]{6}", each.swatch)
        assert each.source and each.base and each.words in f"{each.code} {each.name}"
    assert len({each.code for each in all_finishes()}) == len(all_finishes())


def test_look_alikes_share_a_swatch() -> None:
    for code in ("US3", "US26D"):
        assert len({each.swatch for each in finishes_by_us_code(code)}) == 1


def test_an_unknown_number_is_refused_but_still_has_words() -> None:
    with pytest.raises(BitternError, match="Known numbers: 600, 605"):
        finish("999")
    assert finish_words("999") == "999"
    assert finishes_by_us_code("US99") == ()


def test_mismatch_compares_each_pair_once_and_ignores_what_is_not_said() -> None:
    assert mismatch([]) == mismatch(["626", "", "626"]) == ()
    assert len(mismatch(["626", "605", "613", "626"])) == 3
    assert "base metal differs" in mismatch(["605", "632"])[0]
    assert "do not match" in mismatch(["626", "house black"])[0]


def test_a_code_that_leaves_the_number_open_is_taken_at_its_best() -> None:
    us3, us26d = ([each.code for each in finishes_by_us_code(code)] for code in ("US3", "US26D"))
    assert mismatch_among([us26d]) == mismatch_among([us26d, ["652"]]) == mismatch_among([]) == ()
    assert mismatch_among([["626"], us3]) == mismatch(["626", "605"])
    assert len(mismatch_among([us3, us26d, ["630"]])) == 3
    assert "base metal differs" in mismatch_among([["605"], ["632"]])[0]
    assert "do not match" in mismatch_among([["626"], ["house black"]])[0]
