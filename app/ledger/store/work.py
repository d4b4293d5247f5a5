"""What a use case works with: the session, the vault, who acts, and what time it is.

Besides, a secret that goes from one step of a page to the next: sealed for one person, one purpose and one day.
"""

import base64
import binascii
import json
import random
import secrets
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.errors import LedgerError, NotAllowed, VaultError
from app.ledger.store.vault import Vault
from app.ledger.tables import Role, User, VaultCheck

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many rows are done, and how many there are (0: not known yet)."""


def nobody_watches(doing: str, done: int, total: int) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts. `user_id` None: the house itself (a command, an importer)."""

    user_id: int | None
    name: str
    role: Role

    @classmethod
    def of(cls, user: User) -> "Actor":
        """The actor that a logged-in user is."""
        return cls(user.id, user.name, user.role)


@dataclass(frozen=True, slots=True)
class Work:
    """Passed to every use case as its first argument. `now` has a time zone; `today` is its local date.

    `rng` draws masters and single keys: the operating system's chance for real keys, a fixed seed for the demo.
    """

    session: Session
    vault: Vault
    actor: Actor
    now: datetime
    rng: random.Random = field(default_factory=secrets.SystemRandom)

    @property
    def today(self) -> date:
        """The date on the shop's wall."""
        return self.now.astimezone().date()

    def require(self, *roles: Role) -> None:
        """Refuse with NotAllowed unless the actor is the owner or has one of the roles."""
        if self.actor.role is not Role.OWNER and self.actor.role not in roles:
            raise NotAllowed()

    def require_owner(self) -> None:
        """Refuse everybody but the owner with NotAllowed."""
        if self.actor.role is not Role.OWNER:
            raise NotAllowed()


def require_current_key(work: Work) -> None:
    """A house that was open while its key was changed must not seal with the old one."""
    asked = sa.select(VaultCheck.check_value).with_for_update(read=True)
    with work.session.no_autoflush:
        on_record = work.session.scalar(asked)
    if on_record is not None and on_record != work.vault.check_value:
        raise VaultError("The house's sealing key was changed while it was open. Stop Bittern and start it again.")


MOST_CHARACTERS = 4_000_000


def _context(work: Work, purpose: str) -> str:
    return f"carried for user {work.actor.user_id} on {work.today.isoformat()}: {purpose}"


def carry(work: Work, value: Any, purpose: str) -> str:
    """Plain JSON values as sealed text, to stand in a hidden field of a form that is posted back."""
    packed = base64.b85encode(zlib.compress(json.dumps(value, separators=(",", ":")).encode())).decode()
    return base64.urlsafe_b64encode(work.vault.seal(packed, _context(work, purpose))).decode()


def carried(work: Work, text: str, purpose: str) -> Any:
    """What `carry` sealed; LedgerError where it is another person's, another day's, or not ours at all."""
    again = LedgerError("", "This page has lost its place: do the step before again. Nothing was saved.")
    if len(text) > MOST_CHARACTERS:
        raise again
    try:
        packed = work.vault.open(base64.urlsafe_b64decode(text.encode()), _context(work, purpose))
        return json.loads(zlib.decompress(base64.b85decode(packed)))
    except (VaultError, binascii.Error, ValueError, zlib.error) as error:
        raise again from error
