"""What the house asks of a login: when a screen locks, and what asks for the password once more."""

from dataclasses import asdict, dataclass, fields
from datetime import timedelta
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.records import set_changed
from app.ledger.store.work import Work
from app.ledger.tables import LoginRulesRow, Role

MOST_MINUTES = 240


class Proof(StrEnum):
    """What may ask for the password once more."""

    BITTING_LIST = "bitting list"
    BITTINGS = "bittings"
    LOGINS = "logins"  # who may log in, and where: always asked
    COPIES = "copies"  # of the whole house, to be carried away: always asked


@dataclass(frozen=True, slots=True)
class LoginRules:
    """The rules in force. Minutes; `lock_minutes` 0: screens do not lock by themselves.

    The owner, who seldom looks at bittings, is asked; the bench looks all day and is asked where the house says so.
    """

    lock_minutes: int = 15
    proof_minutes: int = 10
    proof_of_list: bool = True
    proof_of_owner: bool = True
    proof_of_bench: bool = False
    version: int = 0

    @property
    def proof_lasts(self) -> timedelta:
        """How long a password that was given holds."""
        return timedelta(minutes=self.proof_minutes)

    def wants(self, proof: Proof, role: Role) -> bool:
        """Whether a person in this role has to have given the password lately.

        >>> LoginRules().wants(Proof.BITTINGS, Role.BENCH), LoginRules().wants(Proof.BITTINGS, Role.OWNER)
        (False, True)
        """
        if proof in (Proof.LOGINS, Proof.COPIES):
            return True
        if proof is Proof.BITTING_LIST:
            return self.proof_of_list
        return self.proof_of_owner if role is Role.OWNER else self.proof_of_bench


def _row(session: Session) -> LoginRulesRow | None:
    return session.scalar(sa.select(LoginRulesRow).order_by(LoginRulesRow.id).limit(1))


def get_rules(session: Session) -> LoginRules:
    """The house's rules; the usual ones where it has said nothing."""
    row = _row(session)
    return LoginRules(*(getattr(row, one.name) for one in fields(LoginRules))) if row else LoginRules()


def set_rules(work: Work, rules: LoginRules, version: int) -> LoginRules:
    """Save the rules that were read at `version`; for the owner. Raises Stale, or LedgerError on a field."""
    work.require_owner()
    if not (rules.lock_minutes == 0 or 2 <= rules.lock_minutes <= MOST_MINUTES):
        raise LedgerError("lock_minutes", f"Enter 2 to {MOST_MINUTES} minutes, or 0 for never.")
    if not 1 <= rules.proof_minutes <= MOST_MINUTES:
        raise LedgerError("proof_minutes", f"Enter 1 to {MOST_MINUTES} minutes.")
    with transaction(work.session):
        row = _row(work.session) or LoginRulesRow()
        if (row.version or 0) != version:
            raise Stale()
        values = asdict(rules)
        del values["version"]
        work.session.add(row)
        set_changed(row, values)
        record(
            work, "login rules changed", "logins", f"{work.actor.name} changed when logins are asked again", **values
        )
    return get_rules(work.session)
