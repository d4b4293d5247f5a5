from __future__ import annotations

from itertools import islice
from random import Random

from app.keying import BittingSpec, LevelArray, array_under, audit, draw_master, extend, progression_under, rotate

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)


def test_turned_gives_each_bitting_of_the_rotation_once():
    turned = array_under(SPEC, TMK, "CCCCCC", "C", TMK, constants=2)
    plain = list(rotate(SPEC, TMK, 2))
    listed = list(turned)
    assert len(listed) == len(set(listed)) == turned.usable == len(plain)
    assert set(listed) == set(plain)
    assert all(cuts in turned for cuts in listed) and TMK not in turned
    assert all(sum(cut == top for cut, top in zip(cuts, TMK, strict=True)) == 2 for cuts in listed)


def test_without_constants_it_is_the_plain_array():
    plain = progression_under(SPEC, TMK, "CCC-CC", "C", TMK)
    assert sorted(array_under(SPEC, TMK, "CCC-CC", "C", TMK)) == sorted(plain)


def test_a_rotating_system_is_extended_without_interchange_or_a_bitting_twice():
    for turn in range(4):
        tmk = draw_master(SPEC, Random(turn))
        array = LevelArray(tmk, "CCCCCC", constants=1 + turn)
        first = list(islice(array_under(SPEC, tmk, "CCCCCC", "C", tmk, constants=1 + turn), 40))
        keys = {"AA": tmk, **{f"{n}AA": cuts for n, cuts in enumerate(first, start=1)}}
        cylinders = {symbol: (symbol, "AA") for symbol in keys if symbol != "AA"}
        found = extend(SPEC, array, keys, cylinders, changes={"AA": 60})
        added = {keyset.symbol: keyset.bitting for keyset in found.keysets}
        assert len(set(added.values()) | set(keys.values())) == 101
        assert audit({**keys, **added}, {**cylinders, **found.cylinders}).clean
