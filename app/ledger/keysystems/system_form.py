"""What is asked about a new key system."""

from __future__ import annotations

from dataclasses import dataclass, field

from app.keying import Bitting as Cuts
from app.ledger.tables import RecordsHolder


@dataclass(frozen=True, slots=True)
class SystemForm:
    """What is asked about a new key system; `changes` per master, the room wanted from the start.

    `tmk`, `roles` (what each chamber serves) and `constants` (held at a time, their places moving on) are those of a
    plan that was chosen; without them they are drawn.
    """

    customer_id: int
    name: str
    levels: int
    keyway: str
    chambers: int
    site_id: int | None = None
    grands: int = 1
    masters: int = 1
    changes: int = 1
    records: RecordsHolder = RecordsHolder.SHOP
    owner_of_record: str = ""
    roles: str | None = None
    constants: int = 0
    tmk: Cuts | None = field(default=None, repr=False)
