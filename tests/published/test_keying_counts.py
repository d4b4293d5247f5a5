"""Counts of bittings against published ones.

Status words: P, the number is printed in the source; C, computed by us only; D, derived by us from printed
inputs.
"""

from itertools import pairwise

import pytest

from app.keying import BittingSpec, audit, count_bittings, pin, progress, shearing_depths, theoretical, usable
from app.keying.issuing import usable_bittings

# OEIS, "Number of base b n-digit numbers with adjacent digits differing by k or less", R. H. Hardin,
# December 2006: id, b, k, counts for n = 3 … 7. All P.
PRINTED = [
    ("A126362", 8, 1, (62, 176, 502, 1436, 4116)),
    ("A126397", 10, 2, (200, 918, 4236, 19598, 90790)),
    ("A126394", 7, 2, (125, 543, 2363, 10287, 44787)),
    ("A126478", 10, 3, (350, 2130, 12990, 79258, 483646)),
    ("A126476", 8, 3, (252, 1446, 8300, 47642, 273466)),
    ("A126475", 7, 3, (203, 1111, 6083, 33305, 182349)),
    ("A126505", 10, 4, (510, 3720, 27142, 198034, 1444904)),
    ("A126503", 8, 4, (348, 2322, 15500, 103462, 690610)),
    ("A126502", 7, 4, (269, 1679, 10483, 65449, 408623)),
    ("A126530", 9, 5, (541, 4231, 33101, 258953, 2025831)),
    ("A126516", 21, 4, (1401, 11729, 98733, 833745, 7053777)),
    ("A126496", 28, 3, (1232, 8304, 56196, 381296, 2592000)),
]

# C: no page read for these.
COMPUTED = [
    (10, 7, (890, 8420, 79666, 753754, 7131596)),
    (6, 4, (194, 1106, 6306, 35954, 204994)),
    (10, 6, (788, 7042, 62948, 562670, 5029530)),
    (8, 5, (426, 3124, 22914, 168066, 1232708)),
]


@pytest.mark.parametrize(("sequence", "depths", "macs", "counts"), PRINTED, ids=[row[0] for row in PRINTED])
def test_bittings_within_macs_are_as_oeis_prints_them(sequence, depths, macs, counts):
    assert count_bittings(0, depths, macs) == 1
    assert count_bittings(1, depths, macs) == depths
    assert tuple(count_bittings(n, depths, macs) for n in range(3, 8)) == counts
    if depths <= 16:
        for chambers, count in enumerate(counts, start=3):
            assert usable(BittingSpec(chambers=chambers, depths=depths, macs=macs, step=1)) == count


@pytest.mark.parametrize(
    ("depths", "macs", "count"),
    [(10, 3, 1289792038765742), (10, 4, 32887382581680414), (7, 4, 1433365791134783)],
)
def test_long_terms_are_exact(depths, macs, count):
    """P: the term n = 19 of A126478, A126505 and A126502."""
    assert count_bittings(19, depths, macs) == count


@pytest.mark.parametrize(("depths", "macs", "counts"), COMPUTED)
def test_other_counts_agree_with_an_earlier_reckoning(depths, macs, counts):
    """C: an earlier transfer matrix and brute force of ours."""
    assert tuple(count_bittings(n, depths, macs) for n in range(3, 8)) == counts


@pytest.mark.parametrize("macs", range(1, 6))
@pytest.mark.parametrize("chambers", range(3, 7))
def test_one_depth_more_adds_a_power(chambers, macs):
    """P, printed on the same OEIS pages as "empirical": a(b,n) = a(b-1,n) + (2k+1)^(n-1) for b >= kn-k+1."""
    for depths in range(macs * chambers - macs + 1, macs * chambers - macs + 6):
        more = count_bittings(chambers, depths, macs) - count_bittings(chambers, depths - 1, macs)
        assert more == (2 * macs + 1) ** (chambers - 1)
    edge = macs * chambers - macs
    more = count_bittings(chambers, edge, macs) - count_bittings(chambers, edge - 1, macs)
    assert more == (2 * macs + 1) ** (chambers - 1) - 2


def test_recurrences_hold():
    """P, printed as conjecture in A126478 and A126502."""
    a = [count_bittings(n, 10, 3) for n in range(30)]
    assert all(a[n] == 7 * a[n - 1] - 4 * a[n - 2] - 10 * a[n - 3] + 6 * a[n - 4] for n in range(5, 30))
    b = [count_bittings(n, 7, 4) for n in range(30)]
    assert all(b[n] == 6 * b[n - 1] + 2 * b[n - 2] - 3 * b[n - 3] for n in range(3, 30))


@pytest.mark.parametrize("depths", [2, 6, 10, 16])
def test_a_macs_of_one_less_than_the_depths_never_binds(depths):
    """C."""
    for chambers in range(1, 13):
        assert count_bittings(chambers, depths, depths - 1) == depths**chambers


@pytest.mark.parametrize(
    ("depths", "macs", "step", "chambers", "count"),
    [
        # P: ALOA Keynotes, SFIC article, Fig. 11 (issue date not visible); four progressives, two-step.
        (10, 9, 2, 6, 4096),
        (10, 9, 2, 7, 16384),
        # P: the same table; five progressives, one-step.
        (6, 5, 1, 6, 15625),
        (6, 5, 1, 7, 78125),
    ],
)
def test_theoretical_keys_of_interchangeable_cores(depths, macs, step, chambers, count):
    spec = BittingSpec(chambers=chambers, depths=depths, macs=macs, step=step)
    found = progress(spec, (2,) * chambers)
    assert found.theoretical == count
    assert found.usable == count  # D: a MACS of one less than the depths never binds


def test_theoretical_keys_by_chambers_progressed():
    """P: ALOA Keynotes, September 2016, p. 48, Fig. 18; factor 5."""
    spec = BittingSpec(chambers=7, depths=6, macs=5, step=1)
    counts = [progress(spec, (2,) * 7, held=range(n + 1, 8)).theoretical for n in range(1, 8)]
    assert counts == [5, 25, 125, 625, 3125, 15625, 78125]


def test_total_change_keys_are_rows_to_the_power_of_columns():
    """P: Locksmith Ledger, "The Concepts and Mechanics of Master Keying", 15 December 2004: p = 4, x = 6."""
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    assert len(set(progress(spec, (4, 0, 5, 9, 0, 4)))) == 4**6 == 4096


@pytest.mark.parametrize(("depths", "step", "keys"), [(10, 2, 4), (6, 1, 5)])
def test_keys_under_a_master_that_leaves_one_chamber_free(depths, step, keys):
    """P: ALOA Keynotes, May 2014."""
    spec = BittingSpec(chambers=6, depths=depths, macs=depths - 1, step=step)
    assert len(list(progress(spec, (3,) * 6, held=[1, 2, 3, 5, 6]))) == keys


@pytest.mark.parametrize(("held", "changes"), [(4, 16), (3, 64), (2, 256)])
def test_changes_under_a_floor_master(held, changes):
    """P: Locksmith Ledger, "Developing Floor Master Keys", 1 April 2007, article/10229713: cuts held in common."""
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    assert progress(spec, (4, 0, 5, 9, 0, 4), held=range(1, held + 1)).usable == changes


def test_seven_levels_fit_in_six_chambers():
    """P: ALOA Keynotes, May 2014: a master over 1, 2 … 6 free chambers, plus the change key."""
    cut = {n: tuple(3 if chamber < n else 1 for chamber in range(6)) for n in range(7)}
    keys = {f"K{n}": bitting for n, bitting in cut.items()}
    chain = {f"K{n}": [f"K{m}" for m in range(n + 1)] for n in range(7)}
    assert not audit(keys, chain).unintended
    # D: every chamber has been progressed once, so none is left for a level more.
    assert all(len(depths) == 2 for depths in shearing_depths(keys.values()))


def test_a_board_of_six_pins_and_five_bittings():
    """P: US patent 6,516,644: a square is 64 keys; pieces of 1/4, 1, 4 and 16 squares; 64 squares (value D)."""
    spec = BittingSpec(chambers=6, depths=5, macs=4, step=1)
    pieces = [progress(spec, (0,) * 6, held=range(n + 1, 7)).theoretical for n in range(2, 6)]
    assert pieces == [16, 64, 256, 1024]
    assert progress(spec, (0,) * 6).theoretical == (5 - 1) ** (6 - 3) * (5 - 1) ** 3 == 4096


def test_two_columns_held_constant():
    """Rule P: ALOA Keynotes, July/August 2017; 4^4 = 256 is D.

    No entries under the master in columns 2 and 5: no master pins there, and its cut in every change.
    """
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    tmk = (5, 2, 8, 6, 1, 4)
    changes = list(progress(spec, tmk, held=[2, 5]))
    assert len(changes) == 256
    for change in changes:
        assert (change[1], change[4]) == (2, 1)
        chambers = pin(spec, {"AA": tmk, "1AA": change}).chambers
        assert [bool(pins.masters) for pins in chambers] == [True, False, True, True, False, True]


def test_a_desk_of_five_wafers_and_three_depths():
    """P: "Silly Exercise in Master Keying Desks", lauxmyth.blogspot.com, 16 March 2010: 3^5 - 3 = 240."""
    spec = BittingSpec(chambers=5, depths=3, macs=2, step=1)
    assert sum(len(set(bitting)) > 1 for bitting in usable_bittings(spec)) == 240
    assert theoretical(spec) - 3 == 240


def test_usual_locks_have_several_thousand_to_several_million_keys():
    """P: M. Blaze, "Rights Amplification in Master-Keyed Mechanical Locks", IACR ePrint 2002/160."""
    for chambers, depths, macs in [(5, 6, 4), (5, 10, 7), (6, 8, 5), (6, 10, 7), (7, 10, 6)]:
        count = usable(BittingSpec(chambers=chambers, depths=depths, macs=macs, step=1))
        assert 3_000 <= count <= 9_999_999


def test_fewer_master_pins_mean_fewer_incidental_keys():
    """P ("about four") and D (exact): ALOA Keynotes, rotating constants: 2^4 against 2^2."""
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    tmk, four, two = (5, 2, 8, 6, 1, 4), (3, 4, 6, 8, 1, 4), (3, 4, 8, 6, 1, 4)
    assert pin(spec, {"AA": tmk, "1AA": four}).combinations == 4 * pin(spec, {"AA": tmk, "1AA": two}).combinations


def test_the_published_rule_that_adjacent_cuts_keep_within_macs():
    """D: the definition behind every count above, held against each bitting of a small spec."""
    spec = BittingSpec(chambers=4, depths=7, macs=2, step=1)
    listed = list(usable_bittings(spec))
    assert len(listed) == 543  # P: A126394, n = 4
    assert all(abs(a - b) <= 2 for bitting in listed for a, b in pairwise(bitting))
