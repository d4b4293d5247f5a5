"""What a use case works with: the session, the vault, who acts, and what time it is."""

from __future__ import annotations

import random
import secrets
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy.orm import Session

from app.ledger.errors import NotAllowed
from app.ledger.users.models import Role, User
from app.ledger.vault import Vault


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts. `user_id` None: the house itself (a command, an importer)."""

    user_id: int | None
    name: str
    role: Role

    @classmethod
    def of(cls, user: User) -> Actor:
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
        """Refuse with NotAllowed unless the actor has one of the roles (the owner may do everything)."""
        if self.actor.role is not Role.OWNER and self.actor.role not in roles:
            raise NotAllowed()
