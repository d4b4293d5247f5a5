"""The owner's form about logins."""

from __future__ import annotations

from wtforms import BooleanField
from wtforms.validators import InputRequired

from app.ledger.people.login_rules import MOST_MINUTES, LoginRules
from app.web.fields import WholeField
from app.web.forms_base import SavedForm


class LoginRulesForm(SavedForm):
    """When a screen locks, and what asks for the password once more."""

    lock_minutes = WholeField(
        "Screens lock after (minutes)",
        [InputRequired("Enter the minutes, 0 for never.")],
        least=0,
        most=MOST_MINUTES,
        description="Without a key or a press. 0: only when somebody presses Lock.",
    )
    proof_minutes = WholeField(
        "A password given holds for (minutes)",
        [InputRequired("Enter the minutes.")],
        least=1,
        most=MOST_MINUTES,
        description="Logging in counts as giving it.",
    )
    proof_of_list = BooleanField("Ask the owner for the password before a bitting list")
    proof_of_owner = BooleanField("Ask the owner for the password before any other bitting")
    proof_of_bench = BooleanField(
        "Ask the bench for the password before bittings and bench sheets",
        description="The bench looks at bittings all day, so this is off unless the house wants it.",
    )

    def read(self) -> LoginRules:
        """The form as the use case takes it."""
        return LoginRules(
            lock_minutes=self.lock_minutes.data,
            proof_minutes=self.proof_minutes.data,
            proof_of_list=self.proof_of_list.data,
            proof_of_owner=self.proof_of_owner.data,
            proof_of_bench=self.proof_of_bench.data,
        )
