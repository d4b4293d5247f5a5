"""A search proposes only what may be saved: beside cylinders with fewer chambers, and what a customer has."""

from itertools import product
from random import Random

import pytest
import sqlalchemy as sa

from app.keying import AccessPlan
from app.keying import Bitting as Cuts
from app.ledger.keysystems.bittings import open_bittings, seal_bitting, spec_of
from app.ledger.keysystems.crosskeying import ReadyCross, make_cross_ready, seal_cross_search
from app.ledger.keysystems.planning import MatrixSealForm, make_ready, seal_access
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset, KeySystem, Level
from tests import factories
from tests.ledger.test_main_job import accept, flats, issued, openings


@pytest.fixture
def system(work: Work) -> KeySystem:
    """The Flats: F1 to F3 on 1AA to 3AA, under AA; F1 is drilled for six chambers and pinned in five."""
    accept(work, issued(work, flats(work, 3, keyed_at="shop", override_reason="soon")), openings(3))
    _cylinder(work, "F1").chambers = 5
    work.session.commit()
    return work.session.scalars(sa.select(KeySystem)).one()


def _cylinder(work: Work, opening: str) -> Cylinder:
    every = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id))
    return next(one for one in every if one.door and one.door.opening_number == opening)


def _cuts(work: Work, system: KeySystem) -> dict[str, Cuts]:
    opened = open_bittings(work.session, work.vault, [system])
    rows = work.session.scalars(sa.select(Keyset).where(Keyset.system_id == system.id))
    return {one.symbol: opened[one.id] for one in rows if one.id in opened}


def _issue_single(work: Work, system: KeySystem, operators: list[Cuts]) -> Cuts:
    """Have the customer have had a single key for long that turns five chambers of these operators, and not the
    sixth: in each of the five it has the cut of one of them, so it is none of them.
    """
    spec, known = spec_of(system), {one[:5] for one in _cuts(work, system).values()}
    *first, last = map(set, zip(*operators, strict=True))
    cuts = next(
        one
        for one in product(*first, sorted({*spec.all_depths} - last))
        if one[:5] not in known and spec.within_macs(one)
    )
    with factories.saving_into(work.session):
        singles = factories.KeySystemFactory(
            customer=system.customer, name="Singles", levels=1, keyway=system.keyway, spec=system.spec
        )
        keyset = factories.KeysetFactory(system=singles, symbol="SKD1", level=Level.SINGLE)
    seal_bitting(work, singles, keyset, cuts)
    work.session.commit()
    return cuts


def _sees(key: Cuts, operators: list[Cuts], chambers: int) -> bool:
    return all(key[place] in {one[place] for one in operators} for place in range(chambers))


@pytest.mark.parametrize("opening", ["F1", "F2"])
def test_what_is_found_is_saved_beside_a_key_that_turns_a_shorter_cylinder(
    work: Work, system: KeySystem, opening: str
) -> None:
    """F1 is crossed itself, or stands beside F2 on a keyset that the search may change."""
    other = {"F1": "2AA", "F2": "1AA"}[opening]

    def ready() -> ReadyCross:
        return make_cross_ready(work, open_system(work, system.id), _cylinder(work, opening).id, [other])

    def found(by: ReadyCross) -> dict[str, Cuts]:
        chosen = by.search(Random(1), 5.0, lambda *_: None).bittings
        assert chosen is not None
        return chosen

    first = found(ready())
    in_f1 = [first["1AA"], _cuts(work, system)["AA"], *([first["2AA"]] if opening == "F1" else [])]
    single = _issue_single(work, system, in_f1)
    assert _sees(single, in_f1, 5) and not _sees(single, in_f1, 6)
    again = found(ready())
    seal_cross_search(work, ready(), again)
    now = _cuts(work, system)
    assert now["1AA"] == again["1AA"] and now["2AA"] == again["2AA"]
    in_f1 = [now["1AA"], now["AA"], *([now["2AA"]] if opening == "F1" else [])]
    assert not _sees(single, in_f1, 5)
    assert not _sees(now["3AA"], in_f1, 5) and not _sees(now["1AA"], [now["3AA"], now["AA"]], 6)


ROOMS = range(60)
SIXTY = [
    ["", *(f"D{door}" for door in ROOMS)],
    *([f"P{n}", *("x" if n == door else "" for door in ROOMS)] for n in ROOMS),
]


def _wide_cylinder(work: Work, system: KeySystem) -> list[Cuts]:
    """Another book of the customer's, with a door pinned in five chambers to six keys, each of one depth."""
    keys = [(depth,) * 6 for depth in (0, 1, 4, 5, 8, 9)]
    with factories.saving_into(work.session):
        book = factories.KeySystemFactory(
            customer=system.customer, name="Annex", levels=1, keyway=system.keyway, spec=system.spec
        )
        keysets = [
            factories.KeysetFactory(system=book, symbol=f"SKD{n}", level=Level.SINGLE) for n, _ in enumerate(keys)
        ]
        for keyset, cuts in zip(keysets, keys, strict=True):
            seal_bitting(work, book, keyset, cuts)
        cylinder = factories.CylinderFactory(keyset=keysets[0], keyway=system.keyway, chambers=5)
        for keyset in keysets[1:]:
            factories.CylinderOperatorFactory(cylinder_id=cylinder.id, keyset=keyset)
    work.session.commit()
    return keys


def test_a_matrix_is_keyed_beside_what_its_customer_has(work: Work, system: KeySystem) -> None:
    wide = _wide_cylinder(work, system)

    blind = make_ready(work, system.keyway, 6, SIXTY).search(Random(3), 30.0, lambda *_: None)
    assert isinstance(blind, AccessPlan)
    assert any(_sees(cuts, wide, 5) for cuts in blind.keys.values())  # one in thirteen of all bittings does
    ready = make_ready(work, system.keyway, 6, SIXTY, system.customer_id)
    plan = ready.search(Random(3), 30.0, lambda *_: None)
    assert isinstance(plan, AccessPlan) and not any(_sees(cuts, wide, 5) for cuts in plan.keys.values())
    seal_access(work, ready, plan, MatrixSealForm(system.customer_id, "Sixty rooms", "Annex"))
    assert (
        len(_cuts(work, work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Sixty rooms")).one()))
        >= 60
    )
