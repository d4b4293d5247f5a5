"""What the house itself does and sells from the start, by codes that quotes look up; no price until it has one.

Words are what an owner reads who fills in the prices, and what stands on a quote where a line names the code.
"""

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import (
    CONSTRUCTION_CORE,
    CONSTRUCTION_KEPT,
    CONSTRUCTION_SETUP,
    KEY_CONTROL,
    KEY_CUT,
    KEY_DECODE,
    RUSH,
    factory_keying_code,
    keying_code,
    rekey_code,
    system_code,
)
from app.ledger.tables import Item, ItemKind, PriceBookRow
from app.pricing import CylinderType, KeyingKind

_KEYED = {
    KeyingKind.KD: "a cylinder to a key of its own",
    KeyingKind.KA: "a cylinder alike with others",
    KeyingKind.SKD: "a cylinder of a key system that no master opens",
    KeyingKind.MK: "a cylinder under a master",
    KeyingKind.GMK: "a cylinder under a grand master",
    KeyingKind.GGMK: "a cylinder under a great grand master",
    KeyingKind.OWN: "a cylinder to a key that the customer brings",
}
_REKEYED = {
    CylinderType.MORTISE: "mortise cylinder",
    CylinderType.RIM: "rim cylinder",
    CylinderType.BORED: "bored lock, deadbolt or lockset",
    CylinderType.SFIC: "small-format core",
    CylinderType.LFIC: "large-format core",
    CylinderType.PADLOCK: "padlock",
    CylinderType.CABINET: "cabinet lock",
}
_LEVELS = {2: "two", 3: "three", 4: "four"}


def without_pins(cylinder_type: str) -> str:
    """What cylinders of a type without pins are called, whatever their number.

    >>> without_pins("rim"), without_pins("sfic")
    ('Rim without pins', 'Small-format core without pins')
    """
    words = {one.value: one.words for one in CylinderType}.get(cylinder_type, cylinder_type)
    return f"{words.capitalize()} without pins"


OWN_ITEMS: tuple[tuple[str, str, str, ItemKind], ...] = (
    *((keying_code(kind), f"Keying {what}", "keying", ItemKind.LABOR) for kind, what in _KEYED.items()),
    *(
        (factory_keying_code(kind), f"Keying {what}, at the factory", "keying", ItemKind.LABOR)
        for kind, what in _KEYED.items()
        if kind is not KeyingKind.OWN
    ),
    *((system_code(n), f"New key system of {word} levels", "keying", ItemKind.LABOR) for n, word in _LEVELS.items()),
    (KEY_DECODE, "Decoding a key that the customer brings", "keying", ItemKind.LABOR),
    *(
        (rekey_code(sort), f"Rekeying a customer's {what}", "rekey", ItemKind.LABOR)
        for sort, what in _REKEYED.items()
    ),
    (KEY_CUT, "Key, blank and cutting", "keys", ItemKind.GOODS),
    (KEY_CONTROL, "Control key, cut", "keys", ItemKind.GOODS),
    (CONSTRUCTION_SETUP, "Setting a cylinder up for a construction key", "construction", ItemKind.LABOR),
    (
        *(CONSTRUCTION_CORE, "Construction core, lent until the building is handed over"),
        *("construction", ItemKind.GOODS),
    ),
    (CONSTRUCTION_KEPT, "Construction core that was not brought back", "construction", ItemKind.GOODS),
    (RUSH, "Rush: before the bench's other work", "rush", ItemKind.LABOR),
    ("TRIP", "Trip to the site", "trip", ItemKind.LABOR),
    ("LABOR-QUARTER", "Labor at the site, a quarter of an hour", "labor", ItemKind.LABOR),
    *((sort.value, without_pins(sort.value), "", ItemKind.UNPINNED) for sort in CylinderType),
)
"""Code, words, category and kind of each."""


def has_own_items_alone(session: Session) -> bool:
    """Whether no item is on record but these, as they were made, and none has a price."""
    codes = [code for code, *_ in OWN_ITEMS]
    other = sa.or_(Item.maker_id.is_not(None), Item.code.not_in(codes), Item.version > 1, Item.is_counted)
    return not session.scalar(sa.select(sa.or_(sa.exists(Item).where(other), sa.exists(PriceBookRow))))


def put_missing_own_items(session: Session) -> None:
    """Put those of them on record that are not, inside the caller's transaction: of a house that was moved in."""
    known = set(session.scalars(sa.select(Item.code).where(Item.maker_id.is_(None), Item.kind != ItemKind.PIN)))
    session.add_all(
        Item(
            code=code,
            words=words,
            category=category,
            kind=kind,
            cylinder_type=code if kind is ItemKind.UNPINNED else "",
        )
        for code, words, category, kind in OWN_ITEMS
        if code not in known
    )
    session.flush()
