from __future__ import annotations

from itertools import islice

from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, check_register, parity_pattern, progress

SPEC = BittingSpec(chambers=4, depths=6, macs=5, step=2)
masters = st.tuples(*[st.integers(0, 5)] * 4)


@given(masters, st.lists(masters, max_size=5))
def test_same_bittings_and_parity_patterns_are_told(tmk, old):
    register = {f"S{n}": bitting for n, bitting in enumerate(old)}
    found = {finding.system: finding.same_bitting for finding in check_register(tmk, register)}
    assert found == {
        name: bitting == tmk for name, bitting in register.items() if parity_pattern(bitting) == parity_pattern(tmk)
    }


@given(masters, masters)
def test_systems_that_are_not_told_share_no_change(tmk, old):
    if not check_register(tmk, {"old": old}):
        assert not set(islice(progress(SPEC, tmk), 300)) & set(islice(progress(SPEC, old), 300))
