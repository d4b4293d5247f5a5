from datetime import date, timedelta
from fractions import Fraction
from statistics import median

import pytest

from app.errors import BitternError
from app.pricing import Adopt, BenchTask, BenchTerms, CylinderType, KeyingKind, RecordedTime, adopt, learn

DAY = date(2026, 3, 2)


def pinned(minutes, pieces=10, days=0, kind=KeyingKind.GMK, cylinder=CylinderType.MORTISE):
    return RecordedTime(BenchTask.PINNING, pieces, Fraction(minutes), DAY + timedelta(days), kind, cylinder)


def test_the_median_of_the_last_jobs_stands_beside_the_books_figure(bench):
    # The book: 6 + 7 + 2. Minutes a piece: 99 is old and left out; 400 is one day of interruptions.
    times = [pinned(990, days=-9), *(pinned(10 * each, days=n) for n, each in enumerate((18, 16, 400, 16, 17)))]
    (found,) = learn(bench, times, last=5)
    assert found.median_minutes == median([18, 16, 400, 16, 17]) == 17
    assert (found.jobs, found.book_minutes, found.difference) == (5, 15, 2)


def test_too_few_jobs_teach_nothing(bench):
    assert learn(bench, [pinned(100), pinned(100)]) == ()
    assert learn(bench, []) == ()


def test_each_task_kind_and_type_is_learned_apart(bench):
    setups = [RecordedTime(BenchTask.SET_UP, 1, Fraction(n), DAY, KeyingKind.MK) for n in (40, 50, 61)]
    cuts = [RecordedTime(BenchTask.CUTTING, 3, Fraction(4), DAY)] * 3
    rim = [pinned(90, cylinder=CylinderType.RIM)] * 3
    found = learn(bench, [*setups, *cuts, *rim, *[pinned(170)] * 3])
    assert {(one.task, one.kind, one.cylinder): one.median_minutes for one in found} == {
        (BenchTask.SET_UP, KeyingKind.MK, None): 50,
        (BenchTask.CUTTING, None, None): Fraction("1.33"),
        (BenchTask.PINNING, KeyingKind.GMK, CylinderType.RIM): 9,
        (BenchTask.PINNING, KeyingKind.GMK, CylinderType.MORTISE): 17,
    }


def test_what_is_adopted_becomes_the_books_figure_and_goes_to_json(bench):
    times = [
        *[RecordedTime(BenchTask.SET_UP, 1, Fraction(51), DAY, KeyingKind.MK)] * 3,
        *[RecordedTime(BenchTask.CUTTING, 3, Fraction(4), DAY)] * 3,
        *[pinned(171)] * 3,
    ]
    for one in learn(bench, times):
        for moving in Adopt:
            changed = adopt(bench, one, moving)
            assert changed != bench
            assert BenchTerms.from_json(changed.to_json()) == changed
            again = next(
                other
                for other in learn(changed, times)
                if (other.task, other.kind, other.cylinder) == (one.task, one.kind, one.cylinder)
            )
            assert again.difference == 0
    assert bench.kind_minutes[KeyingKind.GMK] == 7


def test_adopting_moves_the_kind_or_the_type(bench):
    (one,) = learn(bench, [pinned(180)] * 3)
    assert adopt(bench, one, Adopt.KIND).kind_minutes[KeyingKind.GMK] == 10
    assert adopt(bench, one, Adopt.TYPE).type_minutes[CylinderType.MORTISE] == 9


def test_a_figure_below_nothing_or_without_a_place_in_the_book_is_refused(bench, bench_json):
    (fast,) = learn(bench, [pinned(20)] * 3)
    with pytest.raises(BitternError, match="below 0"):
        adopt(bench, fast)
    for figures, name in (("type_minutes", "mortise"), ("kind_minutes", "GMK")):
        without = bench_json | {figures: {one: cost for one, cost in bench_json[figures].items() if one != name}}
        (unknown,) = learn(BenchTerms.from_json(without), [pinned(20)] * 3)
        assert (unknown.book_minutes, unknown.difference) == (None, None)
        with pytest.raises(BitternError, match="no figure"):
            adopt(bench, unknown)


def test_the_books_figures_stand_beside_set_up_and_cutting(bench):
    setups = [RecordedTime(BenchTask.SET_UP, 1, Fraction(51), DAY, kind) for kind in (KeyingKind.MK, KeyingKind.NONE)]
    cut = RecordedTime(BenchTask.CUTTING, 3, Fraction(4), DAY)
    found = {(one.task, one.kind): one.book_minutes for one in learn(bench, [*setups, cut], least=1)}
    assert found == {
        (BenchTask.SET_UP, KeyingKind.MK): 45,
        (BenchTask.SET_UP, KeyingKind.NONE): None,
        (BenchTask.CUTTING, None): 1,
    }


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ((BenchTask.CUTTING, 0, Fraction(1), DAY), "pieces"),
        ((BenchTask.CUTTING, True, Fraction(1), DAY), "pieces"),
        ((BenchTask.CUTTING, 1, Fraction(-1), DAY), "minutes"),
        ((BenchTask.CUTTING, 1, Fraction(1), DAY, KeyingKind.KD), "kind"),
        ((BenchTask.SET_UP, 1, Fraction(1), DAY), "kind"),
        ((BenchTask.PINNING, 1, Fraction(1), DAY, KeyingKind.KD), "cylinder"),
    ],
)
def test_records_that_cannot_be_are_refused(given, field):
    with pytest.raises(BitternError) as refused:
        RecordedTime(*given)
    assert refused.value.field == field


def test_what_is_learned_comes_in_one_order_and_one_task_without_jobs_hides_no_other(bench):
    cut = RecordedTime(BenchTask.CUTTING, 3, Fraction(4), DAY)
    found = learn(bench, [*[pinned(170)] * 3, *[pinned(90, cylinder=CylinderType.RIM)] * 3, cut])
    assert [(one.task, one.cylinder) for one in found] == [
        (BenchTask.PINNING, CylinderType.MORTISE),
        (BenchTask.PINNING, CylinderType.RIM),
    ]
    assert [one.task for one in learn(bench, [cut], least=0)] == [BenchTask.CUTTING]
