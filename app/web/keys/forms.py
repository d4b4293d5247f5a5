"""Forms of the pages about keys out."""

from __future__ import annotations

from collections.abc import Mapping

from wtforms.validators import Optional

from app.ledger.keys.keys_held import HeldQuestion
from app.ledger.keys.keys_out import IssueForm
from app.ledger.keysystems.copy_numbers import read_copies
from app.web.fields import DayField, WholeField
from app.web.forms_base import PageForm, SavedForm, text, typed
from app.web.listing import read_text

_SYMBOL = "Enter the keyset's symbol, such as AA1."
_COPIES = "Enter the copy numbers stamped on the keys."


class IssueKeysForm(PageForm):
    """Which copies of a keyset a holder takes."""

    symbol = text("Keyset", 24, needed=_SYMBOL)
    copies = text("Copies", 200, needed=_COPIES, hint="3, or 1-4, or 1, 3.")
    holder = text("Holder", 120, needed="Enter who takes the key: a person's name.", hint="Who signs for it.")
    phone = text("Phone", 40)
    due_back = DayField("Due back", [Optional()])

    def said(self, system_id: int) -> IssueForm:
        """As the use case takes it; LedgerError on `copies` where they make no sense."""
        copies = read_copies(typed(self.copies))
        return IssueForm(
            system_id, typed(self.symbol), copies, typed(self.holder), typed(self.phone), self.due_back.data
        )


class _AuthorityForm(PageForm):
    symbol = text("Keyset", 24, needed=_SYMBOL)
    override_reason = text("Why without written authority", 500, hint="The owner's word alone; it stays on record.")


class OrderForm(_AuthorityForm):
    """Further copies of a keyset."""

    count = WholeField("How many", least=1, most=200)


class CutForm(_AuthorityForm):
    """Ordered copies that are cut and stamped now."""

    copies = text("Copies", 200, needed=_COPIES, hint="3, or 1-4, or 1, 3.")


class BackForm(PageForm):
    """Keys that came back, by what is stamped on them."""

    symbol = text("Keyset", 24, needed=_SYMBOL)
    copies = text("Copies", 200, needed=_COPIES, hint="3, or 1-4, or 1, 3.")


class KeyForm(SavedForm):
    """One press on one key: back, lost, or out of use."""

    note = text("Note", 500, hint="How it was lost, or why it goes out of use; it stays on record.")


def read_held(arguments: Mapping[str, str]) -> HeldQuestion:
    """What the address asks of the list; what it does not know is left out."""
    show = arguments.get("show", "")
    return HeldQuestion(read_text(arguments), show if show in ("overdue", "lost") else "out")


def read_receipt(arguments: Mapping[str, str]) -> int:
    """The number of the receipt to offer, 0 for none or nonsense."""
    sent = arguments.get("receipt", "")
    return int(sent) if sent.isascii() and sent.isdecimal() and len(sent) < 10 else 0
