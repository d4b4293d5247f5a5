"""What the pages about keys show, gathered once for a look and for a press that was refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from flask import url_for

from app.documents import KeyReceipt, ReceiptKey
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.keys_held import KeysetCopies, find_receipt, get_key, key_story, receipts_of, system_copies
from app.ledger.keysystems.authority import lacks_authority
from app.ledger.keysystems.lost_keysets import Exposed, exposed_by, replaced_after
from app.ledger.keysystems.system_queries import get_system
from app.ledger.quoting.issuing import house_head
from app.ledger.store.work import Work
from app.ledger.tables import Event, Key, KeyState, KeySystem, Role
from app.web.access import may
from app.web.keys.forms import BackForm, CutForm, IssueKeysForm, OrderForm
from app.web.listing import count_pages

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
