from itertools import islice

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingSpec,
    KeyingError,
    find_masters,
    find_rotating_masters,
    progress,
    read_list,
    rotate,
    study_list,
    write_bitting,
)
from tests.keying.oracle import bittings_of, every_bitting, obeys_macs, small_specs

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
    heading = ("symbol", "bitting", "status", "remark")
    lines = [
        ("1AA", "123456", "", "old"),
        (),
        ("2AA", "12345", "used", ""),
        ("3AA", "12X456", "lost", ""),
        ("x" * 100, "123456", "", ""),
    ]
    table = [dict(zip(heading, line, strict=False)) for line in lines]
    rows, problems = read_list(SPEC, table)
    assert [row.symbol for row in rows] == ["1AA"]
    assert [problem.field for problem in problems] == [
        "row 4: bitting",
        "row 5: status",
        "row 5: bitting",
        "row 6: symbol",
    ]
    assert not any("1234" in problem.message or "12X" in problem.message for problem in problems)


def test_a_list_that_is_too_long_says_so():
    _, problems = read_list(SPEC, ({"bitting": "123456"} for _ in range(200_001)))
    assert [problem.field for problem in problems] == ["file"]


def test_a_row_does_not_show_its_bitting():
    rows, _ = read_list(SPEC, [{"bitting": "123456"}])
    assert "1, 2, 3" not in repr(rows)


WIDE = BittingSpec(chambers=6, depths=10, macs=9, step=2)


@st.composite
def change_lists(draw):
    spec = draw(small_specs(most_chambers=3, most_depths=5))
    return spec, draw(st.lists(bittings_of(spec), min_size=1, max_size=5))


@given(change_lists())
def test_masters_agree_with_trying_every_bitting(given_list):
    spec, changes = given_list

    def explains(tmk):
        for chamber, cut in enumerate(tmk):
            seen = {change[chamber] for change in changes}
            held = seen == {cut} and len(changes) > 1
            progressed = cut not in seen and all((cut - other) % spec.step == 0 for other in seen)
            if not held and not progressed:
                return False
        return obeys_macs(spec, tmk)

    found = find_masters(spec, changes)
    assert sorted(found.candidates) == [tmk for tmk in every_bitting(spec) if explains(tmk)]
    assert found.count == len(found.candidates)
    assert found.complete


@settings(deadline=None)
@given(change_lists(), st.data())
def test_rotating_masters_agree_with_trying_every_bitting(given_list, data):
    spec, changes = given_list
    constants = data.draw(st.integers(1, spec.chambers - 1))
    found = find_rotating_masters(spec, changes, constants)
    assert sorted(found.candidates) == [
        tmk
        for tmk in every_bitting(spec)
        if obeys_macs(spec, tmk)
        and all(sum(a == b for a, b in zip(tmk, change, strict=True)) == constants for change in changes)
        and all((a - b) % spec.step == 0 for change in changes for a, b in zip(tmk, change, strict=True))
    ]


@given(st.tuples(*[st.integers(0, 9)] * 6), st.integers(1, 60))
def test_the_true_master_is_always_among_the_candidates(tmk, wanted):
    changes = list(islice(progress(WIDE, tmk), 0, wanted * 7, 7))
    assume(changes)
    found = find_masters(WIDE, changes)
    assert found.count >= 1
    assert not found.complete or tmk in found.candidates
    assert all(cut in column for cut, column in zip(tmk, found.choices, strict=True))


def test_a_whole_list_leaves_one_master():
    tmk = (5, 2, 8, 6, 1, 4)
    found = find_masters(WIDE, list(progress(WIDE, tmk)))
    assert found.candidates == (tmk,)
    assert found.sentence.startswith("One master alone fits")


def test_a_rotated_list_leaves_its_master():
    tmk = (5, 2, 8, 6, 1, 4)
    assert find_rotating_masters(WIDE, list(rotate(WIDE, tmk, 4)), 4).candidates == (tmk,)


def test_several_and_none_are_said_plainly():
    many = find_masters(WIDE, [(1, 1, 1, 1, 1, 1)])
    assert many.count == 4**6
    assert not many.complete
    assert len(many.candidates) == 1000
    assert "the list does not tell which" in many.sentence
    mixed = find_masters(WIDE, [(1, 1, 1, 1, 1, 1), (2, 1, 1, 1, 1, 1)])
    assert (mixed.count, mixed.candidates) == (0, ())
    assert mixed.sentence.startswith("No master fits")


def test_candidates_are_not_shown():
    assert "5, 2, 8" not in repr(find_masters(WIDE, list(progress(WIDE, (5, 2, 8, 6, 1, 4)))))


@pytest.mark.parametrize("changes", [[], [(1, 1)], [(11, 1, 1, 1, 1, 1)]])
def test_a_list_that_cannot_be_is_refused(changes):
    with pytest.raises(KeyingError) as refused:
        find_masters(WIDE, changes)
    assert refused.value.field == "changes"
