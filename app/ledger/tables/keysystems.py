"""Tables: key systems, keysets, sealed bittings, keys."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.keying import UPPER_LEVELS
from app.ledger.tables.base import Base, LongText, UTCDateTime, Versioned, choice
from app.ledger.tables.customers import Customer, Site
from app.ledger.tables.doors import Cylinder
from app.ledger.tables.makers import Marking, SpecRow
from app.pricing import RecordsHolder


class Level(StrEnum):
    """A keyset's level, named from the changes upwards: a master stands right over changes, a grand over masters.

    SELECTIVE operates chosen changes of any master; SINGLE is keyed in the books under no master. CONSTRUCTION: its
    key turns cylinders of a building site until they are made dead to it, or construction cores that hang there until
    the permanent ones come; CONSTRUCTION_CONTROL takes these cores out.
    """

    FOURTH_GRAND = "great great great great grand master"
    THIRD_GRAND = "great great great grand master"
    SECOND_GRAND = "great great grand master"
    GREAT_GRAND = "great grand master"
    GRAND = "grand master"
    MASTER = "master"
    SELECTIVE = "selective master"
    CHANGE = "change"
    SINGLE = "single keyed"
    CONTROL = "control"
    CONSTRUCTION = "construction"
    CONSTRUCTION_CONTROL = "construction control"

    @property
    def takes_cores_out(self) -> bool:
        """Whether its key turns no cylinder and carries cores away."""
        return self in (Level.CONTROL, Level.CONSTRUCTION_CONTROL)

    @property
    def is_of_construction(self) -> bool:
        """Whether its keys are for as long as a site is built."""
        return self in (Level.CONSTRUCTION, Level.CONSTRUCTION_CONTROL)

    @property
    def crosses(self) -> bool:
        """Whether a cylinder that a keyset of it operates besides is cross-keyed by that, and bears an X."""
        return not self.is_of_construction and self is not Level.SELECTIVE

    @property
    def is_upper(self) -> bool:
        """Whether it is one of the levels over the changes."""
        return self.value in UPPER_LEVELS


class KeySystem(Versioned, Base):
    """The keys of one customer that belong together. `levels`: 1 single keyed, 2 to 7 master-keyed.

    `sealed_plan` holds what the next bittings are made from (array, order, chambers by level): a secret.
    """

    __tablename__ = "key_systems"
    __table_args__ = (sa.UniqueConstraint("customer_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    site_id: Mapped[int | None] = mapped_column(sa.ForeignKey("sites.id"))
    name: Mapped[str] = mapped_column(sa.String(120))
    levels: Mapped[int]
    keyway: Mapped[str] = mapped_column(sa.String(24))
    chambers: Mapped[int]  # pinned and cut in this system; the keyway's spec may allow more
    spec_id: Mapped[int] = mapped_column(sa.ForeignKey("bitting_specs.id"))
    records: Mapped[RecordsHolder] = mapped_column(choice(RecordsHolder), default=RecordsHolder.SHOP)
    owner_of_record: Mapped[str] = mapped_column(sa.String(200), default="")
    authority_note: Mapped[str] = mapped_column(LongText(2000), default="")
    sealed_plan: Mapped[bytes | None] = mapped_column(sa.LargeBinary)
    capacity: Mapped[int | None]  # change bittings the plan allows, within MACS
    created_at: Mapped[datetime] = mapped_column(UTCDateTime)
    retired_on: Mapped[date | None]  # from then on nothing more is keyed in it
    retired_reason: Mapped[str] = mapped_column(sa.String(300), default="", server_default="")
    mark_keys: Mapped[Marking] = mapped_column(
        choice(Marking, "system_mark_keys"), default=Marking.VISUAL, server_default=Marking.VISUAL
    )
    mark_cylinders: Mapped[Marking] = mapped_column(
        choice(Marking, "system_mark_cylinders"), default=Marking.CONCEALED, server_default=Marking.CONCEALED
    )

    customer: Mapped[Customer] = relationship()
    site: Mapped[Site | None] = relationship()
    spec: Mapped[SpecRow] = relationship()
    keysets: "Mapped[list[Keyset]]" = relationship(back_populates="system", order_by="Keyset.id")
    rows_aside: "Mapped[list[ListRowAside]]" = relationship(back_populates="system", order_by="ListRowAside.row")

    @property
    def marking(self) -> str:
        """How its keys and cylinders are marked, for whoever stamps them."""
        return (
            f"Keys, the symbol and the copy number: {self.mark_keys.words}. Cylinders, the symbol: "
            f"{self.mark_cylinders.words}."
        )


CUT_SO, RETIRED = "really cut so", "retired"


def say_purpose(purpose: str, is_retired: bool, is_really_cut_so: bool = False) -> str:
    """What a keyset is for and what became of it; who fits cylinders is told nothing of cuts.

    >>> say_purpose("clerk", is_retired=True, is_really_cut_so=True), say_purpose("clerk", is_retired=False)
    ('clerk, really cut so, retired', 'clerk')
    """
    return ", ".join(filter(None, (purpose, CUT_SO * is_really_cut_so, RETIRED * is_retired)))


class Keyset(Versioned, Base):
    """A symbol in a key system (AA1) and what hangs on it.

    is_customers_key: of a key that the customer brought; it has no bitting until the bench has decoded it, and opens
    what it opened before. blind_code: what is stamped on its keys in place of the symbol; "" where the symbol is.
    own_symbol: what the customer, or the list that it came from, calls it; "" where that is the symbol. reserved_for:
    the floor, building or department for whose later doors it is kept back; "" for none.
    keyway: of its cylinders, where that is not the system's; what hangs under it has the same. carriers: how many
    people carry its key, as the matrix has it that it was made by. is_retired: nothing more is keyed to it.
    is_really_cut_so: its key breaks the spec's MACS or parity, and somebody knows that it does.
    """

    __tablename__ = "keysets"
    __table_args__ = (sa.UniqueConstraint("system_id", "symbol"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    system_id: Mapped[int] = mapped_column(sa.ForeignKey("key_systems.id"), index=True)
    symbol: Mapped[str] = mapped_column(sa.String(24), index=True)
    level: Mapped[Level] = mapped_column(choice(Level, length=40))
    parent_id: Mapped[int | None] = mapped_column(sa.ForeignKey("keysets.id"), index=True)
    purpose: Mapped[str] = mapped_column(sa.String(200), default="")
    carriers: Mapped[int] = mapped_column(default=0, server_default="0")
    is_retired: Mapped[bool] = mapped_column(default=False, server_default=sa.false())
    is_really_cut_so: Mapped[bool] = mapped_column(default=False, server_default=sa.false())
    blind_code: Mapped[str] = mapped_column(sa.String(24), default="", index=True)
    own_symbol: Mapped[str] = mapped_column(sa.String(60), default="", server_default="", index=True)
    reserved_for: Mapped[str] = mapped_column(sa.String(60), default="", server_default="")
    keys_ordered: Mapped[int] = mapped_column(default=0)
    is_customers_key: Mapped[bool] = mapped_column(default=False)
    keyway: Mapped[str] = mapped_column(sa.String(24), default="", server_default="", index=True)

    system: Mapped[KeySystem] = relationship(back_populates="keysets")
    parent: "Mapped[Keyset | None]" = relationship(remote_side=[id], back_populates="children")
    children: "Mapped[list[Keyset]]" = relationship(back_populates="parent", order_by="Keyset.id")
    bitting: "Mapped[Bitting | None]" = relationship(back_populates="keyset", uselist=False)
    cylinders: Mapped[list[Cylinder]] = relationship(back_populates="keyset", order_by="Cylinder.id")
    keys: "Mapped[list[Key]]" = relationship(back_populates="keyset", order_by="Key.copy_number")

    @property
    def section(self) -> str:
        """The keyway of the cylinders that are keyed to it."""
        return self.keyway or self.system.keyway

    @property
    def is_out_of_use(self) -> bool:
        """Whether it is retired, or its whole system is."""
        return self.is_retired or self.system.retired_on is not None

    @property
    def purpose_and_state(self) -> str:
        """What it is for and what became of it, for those who key."""
        return say_purpose(self.purpose, self.is_retired, self.is_really_cut_so)


class BlindCode(Base):
    """A code that keys of a keyset are or were stamped with in place of its symbol: given once, and never again.

    prefix, number: of one that the house made, by which the next is found. given_at: None of an older release's.
    """

    __tablename__ = "blind_codes"

    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(sa.String(24), unique=True)
    keyset_id: Mapped[int] = mapped_column(sa.ForeignKey("keysets.id"), index=True)
    prefix: Mapped[str] = mapped_column(sa.String(8), default="")
    number: Mapped[int | None] = mapped_column(index=True)
    given_at: Mapped[datetime | None] = mapped_column(UTCDateTime)

    keyset: Mapped[Keyset] = relationship()


class Bitting(Base):
    """A keyset's sealed bitting. `fingerprint`, a keyed hash, keeps one bitting from standing twice in a system."""

    __tablename__ = "bittings"
    __table_args__ = (sa.UniqueConstraint("system_id", "fingerprint"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    system_id: Mapped[int] = mapped_column(sa.ForeignKey("key_systems.id"))
    keyset_id: Mapped[int] = mapped_column(sa.ForeignKey("keysets.id"), unique=True)
    sealed: Mapped[bytes] = mapped_column(sa.LargeBinary)
    fingerprint: Mapped[bytes] = mapped_column(sa.LargeBinary(32))

    keyset: Mapped[Keyset] = relationship(back_populates="bitting")


class ListRowAside(Versioned, Base):
    """A row of a bitting list that was not taken with the others; row 0: a master that the list lacks.

    symbol, level (a Level's word) and parent_symbol as far as the list tells them. sealed: its bitting as the list
    has it, a secret. could_matter: nothing is added to the system before somebody settles it, as `settled` says.
    """

    __tablename__ = "list_rows_aside"

    id: Mapped[int] = mapped_column(primary_key=True)
    system_id: Mapped[int] = mapped_column(sa.ForeignKey("key_systems.id"), index=True)
    row: Mapped[int]
    own_symbol: Mapped[str] = mapped_column(sa.String(60), default="")
    symbol: Mapped[str] = mapped_column(sa.String(24), default="")
    level: Mapped[str] = mapped_column(sa.String(40), default="")
    parent_symbol: Mapped[str] = mapped_column(sa.String(24), default="")
    reason: Mapped[str] = mapped_column(sa.String(300))
    could_matter: Mapped[bool]
    sealed: Mapped[bytes | None] = mapped_column(sa.LargeBinary)
    settled: Mapped[str] = mapped_column(sa.String(300), default="")
    settled_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    settled_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    system: Mapped[KeySystem] = relationship(back_populates="rows_aside")


class KeyState(StrEnum):
    """Where a cut key is."""

    ORDERED = "ordered"
    CUT = "cut"
    OUT = "out"
    RETURNED = "returned"
    LOST = "lost"
    RETIRED = "retired"


class Key(Versioned, Base):
    """A cut piece of metal: its keyset, its copy number, who holds it and how that person is reached."""

    __tablename__ = "keys"
    __table_args__ = (sa.UniqueConstraint("keyset_id", "copy_number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    keyset_id: Mapped[int] = mapped_column(sa.ForeignKey("keysets.id"), index=True)
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    copy_number: Mapped[int]
    state: Mapped[KeyState] = mapped_column(choice(KeyState), default=KeyState.ORDERED)
    holder: Mapped[str] = mapped_column(sa.String(120), default="")
    holder_phone: Mapped[str] = mapped_column(sa.String(40), default="")
    phone_digits: Mapped[str] = mapped_column(sa.String(40), default="")
    due_back: Mapped[date | None]
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)

    keyset: Mapped[Keyset] = relationship(back_populates="keys")

    @property
    def stamp(self) -> str:
        """What is stamped on it: the blind code of its keyset, or the symbol where it has none, and the copy."""
        return f"{self.keyset.blind_code or self.keyset.symbol} {self.copy_number}"


class Counted(StrEnum):
    """What a count found of a key that was on record when it began."""

    OPEN = "not counted yet"
    SEEN = "seen"
    MISSING = "missing"


class KeyCount(Versioned, Base):
    """A count of a customer's keys: who walked, when it began and ended. why_stopped: "" where it was finished."""

    __tablename__ = "key_counts"

    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    started_at: Mapped[datetime] = mapped_column(UTCDateTime)
    started_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    ended_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    ended_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    why_stopped: Mapped[str] = mapped_column(sa.String(500), default="")

    customer: Mapped[Customer] = relationship()
    lines: "Mapped[list[KeyCountLine]]" = relationship(back_populates="count", order_by="KeyCountLine.id")


class KeyCountLine(Base):
    """A key as the count found it on record, with its holder at that time ("": in the shop), and what was found.

    remark: where it went while the count went on, written down at its end.
    """

    __tablename__ = "key_count_lines"
    __table_args__ = (sa.UniqueConstraint("count_id", "key_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    count_id: Mapped[int] = mapped_column(sa.ForeignKey("key_counts.id"), index=True)
    key_id: Mapped[int] = mapped_column(sa.ForeignKey("keys.id"), index=True)
    holder: Mapped[str] = mapped_column(sa.String(120), default="")
    found: Mapped[Counted] = mapped_column(choice(Counted), default=Counted.OPEN)
    found_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    found_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    remark: Mapped[str] = mapped_column(sa.String(200), default="")

    count: Mapped[KeyCount] = relationship(back_populates="lines")
    key: Mapped[Key] = relationship()
