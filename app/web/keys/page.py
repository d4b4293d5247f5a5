"""What the pages about keys show and ask, gathered once for a look and for a press that was refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from flask import url_for
from wtforms.validators import Optional

from app.documents import KeyReceipt, ReceiptKey
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.key_queries import (
    HeldQuestion,
    KeysetCopies,
    find_receipt,
    get_key,
    key_story,
    receipts_of,
    system_copies,
)
from app.ledger.keys.keys import KeyIssueForm
from app.ledger.keysystems.authority import lacks_authority
from app.ledger.keysystems.copy_numbers import read_copies
from app.ledger.keysystems.lost_keysets import Exposed, exposed_by, replaced_after
from app.ledger.keysystems.system_queries import get_system
from app.ledger.quoting.issuing import house_head
from app.ledger.store.work import Work
from app.ledger.tables import Event, Key, KeyState, KeySystem, Role
from app.web.access import may
from app.web.fields import DayField, WholeField
from app.web.forms_base import PageForm, SavedForm, text, typed
from app.web.query_args import count_pages, read_text

_SYMBOL = "Enter the keyset's symbol, such as AA1."
_COPIES = "Enter the copy numbers stamped on the keys."


class IssueKeysForm(PageForm):
    """Which copies of a keyset a holder takes."""

    symbol = text("Keyset", 24, needed=_SYMBOL)
    copies = text("Copies", 200, needed=_COPIES, hint="3, or 1-4, or 1, 3.")
    holder = text("Holder", 120, needed="Enter who takes the key: a person's name.", hint="Who signs for it.")
    phone = text("Phone", 40)
    due_back = DayField("Due back", [Optional()])

    def said(self, system_id: int) -> KeyIssueForm:
        """As the use case takes it; LedgerError on `copies` where they make no sense."""
        copies = read_copies(typed(self.copies))
        return KeyIssueForm(
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


class KeyNoteForm(SavedForm):
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


SIZE = 60


@dataclass(frozen=True, slots=True)
class SystemKeys:
    """A system's keys by keyset, with the forms that issue, take back, order and cut."""

    system: KeySystem
    groups: tuple[KeysetCopies, ...]
    text: str
    page: int
    pages: int
    lacks_authority: bool
    may_override: bool
    issue: IssueKeysForm
    order: OrderForm
    cut: CutForm
    back: BackForm


@dataclass(frozen=True, slots=True)
class KeyPage:
    """One key: what it turns, what happened to it, the numbers of its receipts, newest first.

    `replaced_on`: when its keyset got another bitting, where the key was lost before that; it turns nothing then.
    """

    key: Key
    exposed: Sequence[Exposed]
    story: Sequence[Event]
    receipts: tuple[int, ...]
    plan: str
    replaced_on: date | None

    @property
    def may_come_back(self) -> bool:
        """Whether it is out or lost."""
        return self.key.state in (KeyState.OUT, KeyState.LOST)

    @property
    def may_be_lost(self) -> bool:
        """Whether it is cut and not known to be lost."""
        return self.key.state in (KeyState.OUT, KeyState.CUT, KeyState.RETURNED)

    @property
    def may_retire(self) -> bool:
        """Whether it is in the shop, or not cut yet."""
        return self.key.state in (KeyState.ORDERED, KeyState.CUT, KeyState.RETURNED)


def plan_address(system_id: int) -> str:
    """Where the rekey plan after a loss is worked out; "" where this person may not, or there is no such page."""
    return url_for("keying.lost_key", system_id=system_id) if may("keying.lost_key") else ""


def system_keys(
    work: Work,
    system_id: int,
    text: str = "",
    page: int = 1,
    *,
    issue: IssueKeysForm | None = None,
    order: OrderForm | None = None,
    cut: CutForm | None = None,
    back: BackForm | None = None,
) -> SystemKeys:
    """The page of a system's keys; forms that were refused stand in it as they were typed. NotFound."""
    system = get_system(work.session, system_id)
    groups, count = system_copies(work.session, system_id, text, page, SIZE)
    lacks = lacks_authority(system)
    return SystemKeys(
        system=system,
        groups=groups,
        text=text,
        page=page,
        pages=count_pages(count, SIZE),
        lacks_authority=lacks,
        may_override=lacks and work.actor.role is Role.OWNER,
        issue=issue or IssueKeysForm(formdata=None, prefix="issue-"),
        order=order or OrderForm(formdata=None, prefix="order-"),
        cut=cut or CutForm(formdata=None, prefix="cut-"),
        back=back or BackForm(formdata=None, prefix="back-"),
    )


def key_page(work: Work, key_id: int) -> KeyPage:
    """The page of one key; NotFound when there is none. Opens no bitting."""
    key = get_key(work.session, key_id)
    story = key_story(work.session, key)
    is_lost = key.state is KeyState.LOST
    replaced = replaced_after(work.session, key.keyset, key.changed_at) if is_lost else None
    return KeyPage(
        key=key,
        exposed=() if replaced else exposed_by(work.session, key.keyset),
        story=story,
        receipts=receipts_of(story),
        plan=plan_address(key.keyset.system_id),
        replaced_on=replaced.astimezone().date() if replaced else None,
    )


def receipt_paper(work: Work, number: int) -> KeyReceipt:
    """The receipt as it was when the keys were handed over, for its paper. NotFound."""
    signed = find_receipt(work.session, number)
    return KeyReceipt(
        house=house_head(get_house(work.session)),
        number=str(signed.number),
        issued_on=signed.issued_on,
        issued_by=signed.issued_by,
        customer_name=signed.customer,
        site_name=signed.site,
        holder_name=signed.holder,
        holder_phone=signed.phone,
        authority=signed.authority,
        keys=tuple(
            ReceiptKey(signed.symbol, copy, f"{signed.symbol} {copy}", signed.opens, signed.due_back)
            for copy in signed.copies
        ),
    )
