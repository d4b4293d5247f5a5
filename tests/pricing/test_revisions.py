from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from app.pricing import LineKind, LineStatus, QuoteLine, compare_revisions

CYLINDER = QuoteLine("Mortise cylinder", 3, 4250, LineKind.GOODS)
KEY = QuoteLine("Key", 6, 300, LineKind.GOODS)
TRIP = QuoteLine("Trip", 1, 9000, LineKind.LABOUR)
LINES = st.lists(
    st.builds(
        QuoteLine,
        st.sampled_from(["Cylinder", "Key", "Cam"]),
        st.integers(1, 3),
        st.integers(1, 3),
        st.just(LineKind.GOODS),
    ),
    max_size=8,
)


def test_lines_are_the_same_changed_added_or_removed():
    more = replace(CYLINDER, quantity=4)
    changes = compare_revisions([CYLINDER, KEY], [TRIP, more])
    assert [(one.status, one.before, one.after) for one in changes] == [
        (LineStatus.ADDED, None, TRIP),
        (LineStatus.CHANGED, CYLINDER, more),
        (LineStatus.REMOVED, KEY, None),
    ]
    assert [one.difference_cents for one in changes] == [9000, 4250, -1800]


def test_equal_lines_are_matched_before_those_of_the_same_name():
    dear = replace(KEY, unit_cents=900)
    changes = compare_revisions([dear, KEY], [KEY, replace(dear, quantity=1)])
    assert [one.status for one in changes] == [LineStatus.SAME, LineStatus.CHANGED]


@given(LINES, LINES)
def test_every_line_appears_once_and_the_differences_add_up(before, after):
    changes = compare_revisions(before, after)
    assert [one.after for one in changes if one.after] == after
    assert sorted(map(repr, (one.before for one in changes if one.before))) == sorted(map(repr, before))
    gap = sum(line.net_cents for line in after) - sum(line.net_cents for line in before)
    assert sum(one.difference_cents for one in changes) == gap
    for one in changes:
        if one.status is LineStatus.SAME:
            assert one.before == one.after
        if one.status is LineStatus.CHANGED:
            assert one.before != one.after
            assert one.before.description == one.after.description


@given(LINES)
def test_a_revision_beside_itself_is_all_the_same(lines):
    assert {one.status for one in compare_revisions(lines, lines)} <= {LineStatus.SAME}
