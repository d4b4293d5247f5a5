from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, count_bittings, theoretical, usable
from app.keying.counting import count_columns
from tests.keying.oracle import every_bitting, obeys_macs, small_specs


@given(small_specs())
def test_counts_agree_with_plain_enumeration(spec):
    every = list(every_bitting(spec))
    assert theoretical(spec) == len(every)
    assert usable(spec) == sum(obeys_macs(spec, bitting) for bitting in every)


@given(
    st.lists(st.sets(st.integers(0, 9), min_size=1, max_size=4), min_size=1, max_size=5),
    st.integers(0, 9),
)
def test_counts_of_columns_agree_with_plain_enumeration(columns, macs):
    from itertools import pairwise, product

    plain = sum(all(abs(a - b) <= macs for a, b in pairwise(cuts)) for cuts in product(*columns))
    assert count_columns(columns, macs) == plain


def test_a_macs_as_wide_as_the_depths_never_binds():
    for chambers in range(3, 13):
        spec = BittingSpec(chambers=chambers, depths=10, macs=9, step=1)
        assert usable(spec) == theoretical(spec) == 10**chambers


def test_counts_stay_exact_past_machine_words():
    assert count_bittings(500, 10, 9) == 10**500
