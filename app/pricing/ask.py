"""What is asked of the bench or the factory: one group of cylinders to be keyed together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from app.errors import BitternError
from app.pricing.factory_terms import MAX_CYLINDERS
from app.pricing.kinds import CylinderType, KeyingKind
from app.pricing.money import MAX_CENTS
from app.pricing.reading import Reader, read_whole

MAX_KEYS = 1_000_000


class SystemAge(StrEnum):
    """Whether the keying starts a key system or extends one."""

    NEW = "new"
    EXISTING = "existing"


class RecordsHolder(StrEnum):
    """Who has the system's key bitting array and its list of bittings in use."""

    SHOP = "shop"
    FACTORY = "factory"
    NOBODY = "nobody"


class CylinderSource(StrEnum):
    """Where the cylinders come from: sold with the job, or the customer's own, to be rekeyed."""

    SOLD = "sold"
    CUSTOMER = "customer"


@dataclass(frozen=True, slots=True)
class KeyingAsk:
    """One group of cylinders: how many of each type, how keyed, how many keys in all, by when.

    `goods_cents` is what the maker's minimum order is compared with; None means not known, and the minimum
    is then not checked but named as a risk. Raises `BitternError` on the field that cannot be.
    """

    kind: KeyingKind
    cylinders: Mapping[CylinderType, int]
    keys: int
    today: date
    system: SystemAge = SystemAge.NEW
    records: RecordsHolder = RecordsHolder.NOBODY
    need_by: date | None = None
    goods_cents: int | None = None
    source: CylinderSource = CylinderSource.SOLD
    keyway: str | None = None

    def __post_init__(self) -> None:
        counts = {kind: _whole("cylinders", count) for kind, count in self.cylinders.items() if count != 0}
        object.__setattr__(self, "cylinders", MappingProxyType(counts))
        if not 1 <= self.quantity <= MAX_CYLINDERS:
            raise BitternError("cylinders", f"Give 1 to {MAX_CYLINDERS:,} cylinders in all.")
        if _whole("keys", self.keys) > MAX_KEYS:
            raise BitternError("keys", f"Give 0 to {MAX_KEYS:,} keys.")
        if self.need_by is not None and self.need_by < self.today:
            raise BitternError("need_by", "The need-by date has passed; give today or a later day.")
        if self.goods_cents is not None and _whole("goods_cents", self.goods_cents) > MAX_CENTS * 100:
            raise BitternError("goods_cents", "The goods' value is too large.")

    @property
    def quantity(self) -> int:
        """All cylinders of the group."""
        return sum(self.cylinders.values())

    @property
    def extends_records(self) -> bool:
        """Whether the keying adds to an existing system, which nobody may do without its records."""
        return self.system is SystemAge.EXISTING and self.kind.is_master_keyed

    @property
    def joins_records(self) -> bool:
        """Whether the cylinders stand in an existing system's records: as its keysets, or single-keyed among them."""
        return self.extends_records or (self.system is SystemAge.EXISTING and self.kind is KeyingKind.SKD)

    @classmethod
    def from_json(cls, given: object) -> KeyingAsk:
        """An ask alone, as `read_ask` reads it, unknown fields refused."""
        read = Reader(given)
        ask = read_ask(read)
        read.done()
        assert ask is not None  # noqa: S101 - done() has raised otherwise
        return ask

    def to_json(self) -> dict[str, Any]:
        """What `from_json` reads back to an equal value."""
        return {
            "kind": self.kind.value,
            "cylinders": {kind.value: count for kind, count in self.cylinders.items()},
            "keys": self.keys,
            "today": self.today.isoformat(),
            "system": self.system.value,
            "records": self.records.value,
            "need_by": self.need_by.isoformat() if self.need_by else None,
            "goods_cents": self.goods_cents,
            "source": self.source.value,
            "keyway": self.keyway,
        }


def _whole(field: str, given: int) -> int:
    if type(given) is not int or given < 0:
        raise BitternError(field, "Enter a whole number, 0 or more.")
    return given


def read_ask(read: Reader, today: date | None = None) -> KeyingAsk | None:
    """The ask among a reader's fields; None, with the problems noted, when it cannot be.

    Keys come as `keys` (in all) or `keys_per_cylinder` (two when neither is given: common practice, no
    source), goods as `goods_cents` (in all) or `goods_cents_per_cylinder`.
    """
    noted = len(read.problems)
    kind = read.word("kind", KeyingKind)
    cylinders = read.by_word("cylinders", CylinderType, lambda one: read_whole(one, 0, MAX_CYLINDERS))
    count = sum(cylinders.values())
    if read.has("keys"):
        keys = read.whole("keys", 0, MAX_KEYS)
        if read.has("keys_per_cylinder"):
            read.refuse("keys", "Give keys or keys_per_cylinder, not both.")
    else:
        keys = read.whole("keys_per_cylinder", 0, 100, 2) * count
    goods: int | None = None
    if read.has("goods_cents"):
        goods = read.cents("goods_cents")
        if read.has("goods_cents_per_cylinder"):
            read.refuse("goods_cents", "Give goods_cents or goods_cents_per_cylinder, not both.")
    elif read.has("goods_cents_per_cylinder"):
        goods = read.cents("goods_cents_per_cylinder") * count
    day = read.day("today", today)
    system = read.word("system", SystemAge, SystemAge.NEW)
    records = read.word("records", RecordsHolder, RecordsHolder.NOBODY)
    need_by = read.day("need_by") if read.has("need_by") else None
    source = read.word("source", CylinderSource, CylinderSource.SOLD)
    keyway = read.text("keyway", 20) if read.has("keyway") else None
    if len(read.problems) > noted:
        return None
    try:
        return KeyingAsk(kind, cylinders, keys, day, system, records, need_by, goods, source, keyway)
    except BitternError as error:
        read.refuse(error.field, error.message)
        return None
