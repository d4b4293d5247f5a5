"""What is asked of the bench or the factory: one group of cylinders to be keyed together."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import cast

from app.errors import BitternError
from app.pricing.money import MAX_CENTS, read_json_cents
from app.pricing.terms import MAX_CYLINDERS, CylinderType, KeyingKind
from app.validation import Reader, read_day, read_text, read_whole, read_word

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


class Urgency(StrEnum):
    """When the bench takes work up: in its turn, before other work at a price, or while the customer waits."""

    IN_TURN = "in turn"
    RUSH = "rush"
    WAITS = "waits"

    @property
    def words(self) -> str:
        """As pages and papers say it.

        >>> Urgency.WAITS.words
        'customer waits'
        """
        return "customer waits" if self is Urgency.WAITS else self.value

    @property
    def uses_reserve(self) -> bool:
        """Whether the bench time that the house keeps back may be used for it."""
        return self is not Urgency.IN_TURN


@dataclass(frozen=True, slots=True)
class Supply:
    """What the shelf lacks of what some work takes.

    lacking: so many of its cylinders. here_on: when the last of all it takes is here; None: it cannot be had.
    told: a sentence about what is lacking and when it comes, where somebody knows more than these figures.
    """

    lacking: int
    here_on: date | None
    told: str = ""


@dataclass(frozen=True, slots=True)
class KeyingRequest:
    """One group of cylinders: how many of each type, how keyed, how many keys in all, by when.

    `goods_cents` is what the maker's minimum order is compared with; None means not known, and the minimum
    is then not checked but named as a risk. `pays_small_order`: the factory keys it for its charge, under its minimum
    too; so it is, unasked, where nobody else can. `supply`: what the shelf lacks for it; None: as the bench's terms
    count the shelf. `kinds`: how many are keyed how, where not all are as `kind`, the deepest of them. `set_up`: how
    many of the cylinders take a construction key's balls. Raises `BitternError` on the field that cannot be.
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
    urgency: Urgency = Urgency.IN_TURN
    pays_small_order: bool = False
    supply: Supply | None = None
    kinds: tuple[tuple[KeyingKind, int], ...] = ()
    set_up: int = 0

    def __post_init__(self) -> None:
        counts = {kind: _whole("cylinders", count) for kind, count in self.cylinders.items() if count != 0}
        object.__setattr__(self, "cylinders", MappingProxyType(counts))
        if not 1 <= self.quantity <= MAX_CYLINDERS:
            raise BitternError("cylinders", f"Give 1 to {MAX_CYLINDERS:,} cylinders in all.")
        if _whole("keys", self.keys) > MAX_KEYS:
            raise BitternError("keys", f"Give 0 to {MAX_KEYS:,} keys.")
        if _whole("set_up", self.set_up) > self.quantity:
            raise BitternError("set_up", f"Of {self.quantity:,} cylinders at most as many take balls.")
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


def _whole(field: str, given: int) -> int:
    if type(given) is not int or given < 0:
        raise BitternError(field, "Enter a whole number, 0 or more.")
    return given


def read_request(read: Reader, today: date | None = None) -> KeyingRequest:
    """The request among a reader's fields; None, which `read.done()` refuses, when it cannot be.

    Keys come as `keys` (in all) or `keys_per_cylinder` (two when neither is given: common practice, no
    source), goods as `goods_cents` (in all) or `goods_cents_per_cylinder`.
    """
    noted = len(read.problems)
    kind = read.word("kind", KeyingKind)
    cylinders = read.by_name(
        "cylinders", lambda one: read_whole(one, 0, MAX_CYLINDERS), lambda key: read_word(key, CylinderType)
    )
    count = sum(cylinders.values())
    for whole, each in (("keys", "keys_per_cylinder"), ("goods_cents", "goods_cents_per_cylinder")):
        if read.has(whole) and read.has(each):
            read.refuse(whole, f"Give {whole} or {each}, not both.")
    keys = read.whole("keys_per_cylinder", 0, 100, 2) * count
    if read.has("keys"):
        keys = read.whole("keys", 0, MAX_KEYS)
    goods = read.optional("goods_cents", read_json_cents)
    if (goods_each := read.optional("goods_cents_per_cylinder", read_json_cents)) is not None and goods is None:
        goods = goods_each * count
    day = read.day("today", today)
    system = read.word("system", SystemAge, SystemAge.NEW)
    records = read.word("records", RecordsHolder, RecordsHolder.NOBODY)
    need_by = read.optional("need_by", read_day)
    source = read.word("source", CylinderSource, CylinderSource.SOLD)
    keyway = read.optional("keyway", lambda given: read_text(given, 20))
    urgency = read.word("urgency", Urgency, Urgency.IN_TURN)
    set_up = read.whole("set_up", 0, MAX_CYLINDERS, 0)
    if len(read.problems) > noted:
        return cast(KeyingRequest, None)
    try:
        asked = KeyingRequest(kind, cylinders, keys, day, system, records, need_by, goods, source, keyway, urgency)
        return replace(asked, set_up=set_up)
    except BitternError as error:
        read.note(error.problems)
        return cast(KeyingRequest, None)
