from dataclasses import replace
from fractions import Fraction

import pytest

from app.errors import BitternError
from app.fitting import (
    CatalogItem,
    CylinderAttributes,
    LengthQuestion,
    LockModel,
    MakerFile,
    MortiseGoods,
    fit_length,
    lengths_had,
    lock_items,
    mortise_goods,
    rings_had,
    unlisted_lock,
)

INCH = Fraction
SAID = CylinderAttributes("mortise", chambers=6, keyway="AQ1", finish="626")


@pytest.fixture
def items(makers: tuple[MakerFile, ...]) -> list[CatalogItem]:
    return [item for maker in makers for item in maker.items]


def lock_of(makers: tuple[MakerFile, ...], name: str) -> LockModel:
    return next(lock for maker in makers for lock in maker.locks if lock.name == name)


def goods(
    makers: tuple[MakerFile, ...],
    items: list[CatalogItem],
    maker: MakerFile,
    lock: LockModel | None,
    door: str,
    **said: str,
) -> MortiseGoods:
    case, depth = (lock.case, lock.cam_depth) if lock and lock.case and lock.cam_depth else (INCH(1), INCH(3, 4))
    fit = fit_length(LengthQuestion(INCH(door), case, INCH(0), depth, maker.lengths, maker.rings))
    cams = [cam for each in makers for cam in each.cams]
    return mortise_goods(maker, cams, items, lock, fit, replace(SAID, **said))


def numbers(found: MortiseGoods) -> list[str]:
    return [each.part_number for each in found.cylinders]


def test_a_lock_of_the_cylinders_maker_has_its_own_cam_in_the_number(makers, items, ardent: MakerFile) -> None:
    # (13/8 - 1)/2 + 13/16 = 1-1/8: the exception to the series wants the long cam.
    found = goods(makers, items, ardent, lock_of(makers, "Ferry 43 deadlock"), "13/8")
    assert numbers(found) == ["A18M-Q1-66L.SC"] and found.cylinders[0].item is not None
    assert (found.asks, found.notes) == ((), ("The long cam works Ferry 43 deadlock.",))
    assert (found.cam, found.ring, found.ring_wanted) == (None, None, 0)
    with pytest.raises(BitternError, match="It takes the long cam") as refusal:
        goods(makers, items, ardent, lock_of(makers, "Ferry 43 deadlock"), "13/8", cam="standard")
    assert refusal.value.field == "cam"


def test_a_lock_of_another_maker_has_its_own_cam_beside_the_cylinder(makers, items, ardent: MakerFile) -> None:
    # (9/4 - 1)/2 + 3/4 = 1-3/8.
    found = goods(makers, items, ardent, lock_of(makers, "Beacon 8 vestibule lock"), "9/4")
    assert numbers(found) == ["A22M-Q1-66.SC"]
    assert found.cam is not None and found.cam.part_number == "NM-2"
    assert found.asks[0] == "The face will be Ardent Brass's on a lock of Northlight's."
    assert found.asks[1].endswith("Northlight's own for this lock is two-stop (NM-2).")


def test_a_lock_in_no_table_is_asked_about(makers, items, ardent: MakerFile) -> None:
    found = goods(makers, items, ardent, unlisted_lock("Corbel", "mortise"), "7/4")
    assert numbers(found) == ["A18M-Q1-66.SC"] and found.cam is None
    assert found.asks[1] == (
        "The cam of Ardent Brass that works a lock of Corbel's is not known: ask Corbel for the lock's own."
    )
    assert goods(makers, items, ardent, None, "7/4").asks == ()


def test_a_ring_is_the_makers_own_before_anothers_and_may_be_missing(makers, items, ardent, pell) -> None:
    # (17/8 - 1)/2 + 3/4 = 1-5/16: 1-3/8 with a ring of 1/16 in.
    found = goods(makers, items, ardent, None, "17/8")
    assert found.ring is not None and (found.ring.part_number, found.ring_wanted) == ("AG-01", INCH(1, 16))
    # (2 - 1)/2 + 3/4 = 1-1/4: 1-3/8 with a ring of 1/8 in, which both makers have.
    eighth = fit_length(LengthQuestion(INCH(2), INCH(1), INCH(0), INCH(3, 4), (INCH(11, 8),), (INCH(1, 8),)))
    assert (eighth.required, eighth.ring) == (INCH(5, 4), INCH(1, 8))
    own = mortise_goods(pell, pell.cams, items, None, eighth, CylinderAttributes("mortise"))
    assert own.ring is not None and own.ring.part_number == "PG-8"
    odd = replace(eighth, ring=INCH(3, 32))
    lacking = mortise_goods(pell, pell.cams, items, None, odd, CylinderAttributes("mortise"))
    assert (lacking.ring, lacking.ring_wanted) == (None, INCH(3, 32))


def test_a_maker_without_lists_has_the_lengths_and_rings_of_its_catalog(makers, items, ardent, pell) -> None:
    assert (pell.lengths, pell.rings) == ((), ())
    assert lengths_had(pell, items) == (INCH(9, 8), INCH(5, 4), INCH(11, 8))
    assert rings_had(pell, items) == (INCH(1, 8),)
    assert lengths_had(ardent, items) == ardent.lengths and rings_had(ardent, items) == ardent.rings
    assert rings_had(ardent, ()) == ardent.rings and lengths_had(pell, ()) == ()


def test_too_little_said_gives_what_the_catalog_has_stocked_first(makers, items, ardent: MakerFile) -> None:
    found = goods(makers, items, ardent, lock_of(makers, "Pier 20 office lock"), "7/4", keyway="", finish="")
    assert found.missing.startswith("Say the ")
    stocked = [each.item.stocked for each in found.cylinders if each.item]
    assert len(stocked) == 6 and stocked == sorted(stocked, reverse=True)
    assert all(each.part_number.startswith("A18M-") and "+Z" not in each.part_number for each in found.cylinders)


def test_a_door_that_no_length_suits_has_no_goods(makers, items, ardent: MakerFile) -> None:
    assert goods(makers, items, ardent, None, "6") == MortiseGoods(())


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("Capstan 2 deadbolt", ["CAP2-Q1-66.SC", "CAP2-Q3-66.SC", "A-CAPSTAN-2", "CAP2-Q1-66.OB"]),
        ("Budget deadbolt", ["P-BUDGET"]),
        ("Tidewater 6 night latch", ["A-TIDE-6"]),
        ("Ferry 40 passage lock", []),
    ],
)
def test_a_lock_is_found_in_its_makers_catalog_by_its_name(makers, items, name: str, found: list[str]) -> None:
    assert [item.part_number for item in lock_items(items, lock_of(makers, name))] == found


def test_another_number_or_another_makers_lock_is_not_it() -> None:
    lock = LockModel("Own", "Capstan 2 deadbolt", "Capstan", "bored")
    said = ("Capstan 20 deadbolt, 2 in", "Capstan 2 night latch", "Bored DEADBOLT, capstan 2")
    own = [CatalogItem(f"C{n}", "Own", "lock", text, 1, 2, True) for n, text in enumerate(said)]
    other = CatalogItem("C9", "Other", "lock", "Capstan 2 deadbolt", 1, 2, True)
    assert [item.part_number for item in lock_items([*own, other], lock)] == ["C2"]
