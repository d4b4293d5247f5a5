from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from oracle import bittings_of, obeys_macs, small_specs

from app.keying import BittingSpec, KeyingError, progress, read_list, read_list_csv, rotate, study_list, write_bitting

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
ARRAY = progress(SPEC, (5, 2, 8, 6, 1, 4))


def rows_of(bittings, **more):
    return [{"symbol": f"{n}AA", "bitting": write_bitting(SPEC, b), **more} for n, b in enumerate(bittings, 1)]


def test_a_list_of_an_array_fits_and_says_what_is_left():
    every = list(ARRAY)
    table = rows_of(every[:40]) + rows_of(every[40:50], status="Retired") + rows_of(every[60:63], status="free")
    rows, problems = read_list(SPEC, table)
    assert problems == ()
    study = study_list(SPEC, rows, ARRAY)
    assert study.fits is True
    assert (study.used, study.retired, study.free) == (40, 10, ARRAY.usable - 50)
    assert (study.doubles, study.macs_violations, study.strangers) == ((), (), ())


def test_doubles_macs_violations_and_strangers_name_their_rows():
    first = next(iter(ARRAY))
    table = [
        {"symbol": "1AA", "bitting": write_bitting(SPEC, first)},
        {"symbol": "2AA", "bitting": write_bitting(SPEC, first)},
        {"symbol": "3AA", "bitting": "908614"},
        {"symbol": "3AA", "bitting": "908614"},
        {"symbol": "4AA", "bitting": "123456", "status": "free"},
    ]
    rows, _ = read_list(SPEC, table)
    study = study_list(SPEC, rows, ARRAY)
    assert study.doubles == ((2, 3),)
    assert study.macs_violations == (4, 5)
    assert study.strangers == (4, 5, 6)
    assert study.fits is False
    assert (study.used, study.free) == (1, ARRAY.usable - 1)


def test_doubles_without_symbols_count():
    rows, _ = read_list(SPEC, [{"bitting": "123456"}, {"bitting": "123456"}])
    assert study_list(SPEC, rows).doubles == ((2, 3),)
    assert study_list(SPEC, rows).free is None


def test_a_list_can_be_held_against_rotating_constants():
    found = rotate(SPEC, (5, 2, 8, 6, 1, 4), 4)
    rows, _ = read_list(SPEC, rows_of(list(found)[:30]))
    study = study_list(SPEC, rows, found)
    assert (study.fits, study.free) == (True, found.usable - 30)


@st.composite
def lists(draw):
    spec = draw(small_specs())
    return spec, draw(st.lists(st.tuples(st.sampled_from("ABC"), bittings_of(spec)), max_size=12))


@given(lists())
def test_a_study_agrees_with_counting_by_hand(given_list):
    spec, listed = given_list
    rows, _ = read_list(spec, [{"symbol": s, "bitting": write_bitting(spec, b)} for s, b in listed])
    study = study_list(spec, rows)
    in_doubles = {row for group in study.doubles for row in group}
    assert in_doubles == {
        n for n, (_, b) in enumerate(listed, 2) if len({s for s, other in listed if other == b}) > 1
    }
    assert study.macs_violations == tuple(n for n, (_, b) in enumerate(listed, 2) if not obeys_macs(spec, b))


def test_every_problem_is_told_and_good_rows_are_kept():
    table = read_list_csv(
        "\ufeffSymbol,Bitting,Status,Remark\n1AA,123456,,old\n\n2AA,12345,used,\n3AA,12X456,lost,\n"
        + "x" * 100
        + ",123456,,\n"
    )
    rows, problems = read_list(SPEC, table)
    assert [row.symbol for row in rows] == ["1AA"]
    assert [problem.field for problem in problems] == [
        "row 4: bitting",
        "row 5: status",
        "row 5: bitting",
        "row 6: symbol",
    ]
    assert not any("1234" in problem.message or "12X" in problem.message for problem in problems)


@pytest.mark.parametrize("text", ["", "symbol,cuts\n1AA,123456\n", "\0"])
def test_a_file_without_a_bitting_column_is_refused(text):
    with pytest.raises(KeyingError) as refused:
        read_list_csv(text)
    assert refused.value.field == "file"


def test_a_list_that_is_too_long_says_so():
    _, problems = read_list(SPEC, ({"bitting": "123456"} for _ in range(200_001)))
    assert [problem.field for problem in problems] == ["file"]


def test_a_row_does_not_show_its_bitting():
    rows, _ = read_list(SPEC, [{"bitting": "123456"}])
    assert "1, 2, 3" not in repr(rows)
