"""The goods that an answer comes to: the cylinder that fits a lock with its ring and cam, or the lock itself."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from app.errors import BitternError
from app.fitting.cams import Cam, LockModel, cam_for, cams_for_lock
from app.fitting.catalog import CatalogItem
from app.fitting.composing import compose_any
from app.fitting.cylinder import ATTRIBUTES, CylinderAttributes, face_on_lock
from app.fitting.fits import LengthFit
from app.fitting.inches import read_inches, show_inches
from app.fitting.makers import MakerFile

MOST_OFFERED = 6
_THICKNESS = re.compile(r"\b((?:[0-9]-)?[0-9]{1,2}/[0-9]{1,2}) in\b")
_RING = re.compile(r"\b(?:ring|collar)s?\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class TurnedLock:
    """A cylinder with a cam that works its lock. face, cam_asks: what to ask before it is sold; notes: what to know.

    cylinder.cam is None where no cam of its maker is known to work; own_cam: the lock's own cam then, where its
    maker's table has one.
    """

    cylinder: CylinderAttributes
    face: str = ""
    cam_asks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    own_cam: Cam | None = None

    @property
    def asks(self) -> tuple[str, ...]:
        """All that is to be asked."""
        return (*((self.face,) if self.face else ()), *self.cam_asks)


def unlisted_lock(maker: str, takes: str) -> LockModel:
    """A lock that stands in no maker's table: nothing is known of it but its maker and what it takes."""
    return LockModel(maker, f"a lock of {maker}'s", "", takes)


def cylinder_for_lock(cams: Sequence[Cam], lock: LockModel, cylinder: CylinderAttributes) -> TurnedLock:
    """The cylinder (its maker by name) with a cam that the lock takes; BitternError on `cam` where it has another.

    `cams`: of all makers. Maker and face are asked about whenever lock and cylinder are of different makers.
    """
    face = face_on_lock(lock.maker, cylinder.maker)
    if cylinder.type != "mortise" or lock.takes != "mortise":
        return TurnedLock(cylinder, face)
    found = cam_for(cams, lock, cylinder.maker, cylinder.cam or "")
    if found.is_wrong:
        raise BitternError("cam", found.words)
    turned = replace(cylinder, cam=cylinder.cam or found.cam or None)
    if found.cam and not face:
        return TurnedLock(turned, notes=(found.words,))
    own = [each.cam for each in cams_for_lock(cams, [lock], lock.name) if each.fits]
    return TurnedLock(turned, face, (found.words,), own_cam=None if found.cam or not own else own[0])


@dataclass(frozen=True, slots=True)
class CylinderNumber:
    """A cylinder by its part number; `item` is None where it is not in the catalog."""

    part_number: str
    item: CatalogItem | None


@dataclass(frozen=True, slots=True)
class MortiseGoods:
    """What one side of a mortise lock takes, to the last piece.

    cylinders: the one number where enough was said, else those of the catalog that fit, stocked first. missing: what
    to say for the number. ring, cam: the items to sell with it; ring_wanted: the ring's thickness, 0 for none.
    """

    cylinders: tuple[CylinderNumber, ...]
    missing: str = ""
    ring_wanted: Fraction = Fraction(0)
    ring: CatalogItem | None = None
    cam: CatalogItem | None = None
    asks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def lengths_had(maker: MakerFile, items: Sequence[CatalogItem]) -> tuple[Fraction, ...]:
    """The lengths of a maker's mortise cylinders, by its table or else by its catalog."""
    if maker.lengths:
        return maker.lengths
    own = [item.attributes for item in items if item.maker == maker.name and item.attributes]
    return tuple(sorted({each.length for each in own if each.type == "mortise" and each.length is not None}))


def rings_had(maker: MakerFile, items: Sequence[CatalogItem]) -> tuple[Fraction, ...]:
    """The thicknesses of a maker's rings, by its table or else by the descriptions in its catalog."""
    if maker.rings:
        return maker.rings
    own = [item for item in items if item.maker == maker.name and item.category == "hardware"]
    said = [_THICKNESS.search(item.description) for item in own if _RING.search(item.description)]
    return tuple(sorted({read_inches(found[1]) for found in said if found}))


def mortise_goods(
    maker: MakerFile,
    cams: Sequence[Cam],
    items: Sequence[CatalogItem],
    lock: LockModel | None,
    fit: LengthFit,
    said: CylinderAttributes,
) -> MortiseGoods:
    """Cylinder, ring and cam of `maker` for one side of the lock. said: keyway, chambers, finish, cam where known.

    A cylinder for which no cam of its maker is known comes with the plainest; the lock's own goes on in its place.
    BitternError on `cam` where the lock takes another one.
    """
    if fit.chosen is None:
        return MortiseGoods(())
    wanted = replace(said, type="mortise", length=fit.chosen, maker=maker.name)
    turned = cylinder_for_lock(cams, lock, wanted) if lock else TurnedLock(wanted)
    cylinders, missing = _numbers(maker, items, turned.cylinder)
    return MortiseGoods(
        cylinders,
        missing,
        fit.ring or Fraction(0),
        _ring(items, maker.name, fit.ring) if fit.ring else None,
        _cam(items, turned.own_cam),
        turned.asks,
        turned.notes,
    )


def _numbers(
    maker: MakerFile, items: Sequence[CatalogItem], wanted: CylinderAttributes
) -> tuple[tuple[CylinderNumber, ...], str]:
    """The numbers that the cylinder can have, and what is still to be said where it is more than one."""
    missing = ""
    cams: list[str | None] = [wanted.cam] if wanted.cam else [each.name for each in maker.cams]
    for cam in cams or [None]:
        try:
            number = compose_any(maker.patterns, replace(wanted, cam=cam))
        except BitternError as error:
            missing = missing or error.message
        else:
            return (CylinderNumber(number, _item(items, maker.name, number)),), ""
    plain = replace(wanted, cam=wanted.cam or (maker.cams[0].name if maker.cams else None))
    fitting = [item for item in items if item.maker == maker.name and _is_one(item, plain)]
    fitting.sort(key=lambda item: (not item.stocked, item.list_cents, item.part_number))
    return tuple(CylinderNumber(item.part_number, item) for item in fitting[:MOST_OFFERED]), missing


def _is_one(item: CatalogItem, wanted: CylinderAttributes) -> bool:
    has = item.attributes
    if has is None or (has.keying and not wanted.keying):
        return False
    return all(getattr(wanted, name) in (None, "", getattr(has, name)) for name in ATTRIBUTES)


def _item(items: Sequence[CatalogItem], maker: str, number: str) -> CatalogItem | None:
    return next((item for item in items if item.maker == maker and item.part_number == number), None)


def _cam(items: Sequence[CatalogItem], cam: Cam | None) -> CatalogItem | None:
    return _item(items, cam.maker, cam.part_number) if cam else None


def _ring(items: Sequence[CatalogItem], maker: str, thickness: Fraction) -> CatalogItem | None:
    """The ring of this thickness, by what its description says: the cylinder's maker's before another's."""
    measure = re.compile(rf"(?<![0-9/-]){re.escape(show_inches(thickness))}(?![0-9/-])")
    found = [
        item
        for item in items
        if item.category == "hardware" and _RING.search(item.description) and measure.search(item.description)
    ]
    return min(found, key=lambda item: (item.maker != maker, not item.stocked, item.list_cents), default=None)


def lock_items(items: Sequence[CatalogItem], lock: LockModel) -> tuple[CatalogItem, ...]:
    """The lock itself in its maker's catalog, by its name in the description; stocked first, then what is keyed.

    The name counts up to its number as it is written, the rest of it in any order: 'Bored deadbolt Capstan 2, …' is a
    Capstan 2 deadbolt.
    """
    said = lock.name.split()
    numbered = [place for place, word in enumerate(said, 1) if any(map(str.isdigit, word))]
    ends = numbered[-1] if numbered else 1
    head = re.compile(rf"\b{re.escape(' '.join(said[:ends]))}\b", re.IGNORECASE)
    rest = {word.casefold() for word in said[ends:]}

    def is_meant(description: str) -> bool:
        return bool(head.search(description)) and rest <= set(re.findall(r"\w+", description.casefold()))

    found = [
        item
        for item in items
        if item.maker == lock.maker and item.category in ("lock", "hardware") and is_meant(item.description)
    ]
    found.sort(key=lambda item: (not item.stocked, item.category != "lock", item.list_cents, item.part_number))
    return tuple(found[:MOST_OFFERED])
