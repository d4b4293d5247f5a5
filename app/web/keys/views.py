"""Who holds which key, a system's copies, one key, and the receipt that its holder signs."""

from collections.abc import Callable

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import StringField
from wtforms.validators import Optional

from app.documents import key_receipt_pdf
from app.ledger.bench.blanks import cut_keys
from app.ledger.catalog.maker_queries import restricted_keyways
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.blind_codes import last_prefix
from app.ledger.keys.counting import say_count
from app.ledger.keys.key_queries import (
    days_overdue,
    find_receipt,
    get_key,
    held_keys,
    key_story,
    receipts_of,
    system_copies,
)
from app.ledger.keys.keys import (
    KeyIssueForm,
    issue_keys,
    name_of,
    order_copies,
    retire_key,
    return_copies,
    return_key,
    scrap_copies,
)
from app.ledger.keys.losses import is_found, lose_key, loss_of_key, still_turned
from app.ledger.keys.old_copies import say_retired
from app.ledger.keysystems.authority import lacks_authority
from app.ledger.keysystems.copy_numbers import read_copies, say_copies
from app.ledger.keysystems.lost_keysets import exposed_by, open_loss
from app.ledger.keysystems.system_queries import get_system, keyways_in_words, sections_of
from app.ledger.quoting.issuing import house_head
from app.ledger.store.numbers import key_receipt_number
from app.ledger.tables import BlindCode, Key, Keyset, KeyState, Role
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField, WholeField
from app.web.files import PDF, send
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, one_line, record_id, text, typed
from app.web.query_args import read_page, read_text
from app.web.services import current_work

blueprint = Blueprint("keys", __name__, url_prefix="/keys")
SIZE = 60


class _KeysetForm(PageForm):
    symbol = text("Keyset", Keyset.symbol, needed="Enter the keyset's symbol, such as AA1.")


class _CopiesForm(_KeysetForm):
    copies = text("Copies", 200, needed="Enter the copy numbers stamped on the keys.", hint="3, or 1-4, or 1, 3.")


class IssueKeysForm(_CopiesForm):
    """Which copies of a keyset a holder takes."""

    holder = text("Holder", Key.holder, needed="Enter who takes the key: a person's name.", hint="Who signs for it.")
    phone = text("Phone", 40)
    due_back = DayField("Due back", [Optional()])


class BackForm(_CopiesForm):
    """Keys that came back, by what is stamped on them."""


def _override() -> StringField:
    return text("Why without written authority", 500, hint="The owner's word alone; it stays on record.")


class CutForm(_CopiesForm):
    """Ordered copies that are cut and stamped now."""

    override_reason = _override()


class OrderForm(_KeysetForm):
    """Further copies of a keyset."""

    override_reason = _override()
    count = WholeField("How many", least=1, most=200)


class WrongForm(_CopiesForm):
    """Keys that were cut wrong."""

    note = text("What is wrong", 500)


class BlindForm(_KeysetForm):
    """What is stamped on a keyset's keys in place of its symbol."""

    code = text("Blind code", Keyset.blind_code, hint="Such as 4417K; empty for the symbol.")


class CodesForm(PageForm):
    """Codes for all keysets of a system that have none."""

    prefix = text("Begins with", BlindCode.prefix, hint="Letters that say nothing to others, such as FQ; or nothing.")


class KeyNoteForm(SavedForm):
    """One press on one key: back, lost, or out of use."""

    note = text("Note", 500, hint="How it was lost, or why it goes out of use; it stays on record.")
    since = DayField("Lost since", [Optional()])


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def out() -> ResponseReturnValue:
    """Who holds what, overdue first."""
    work, text = current_work(), read_text(request.args)
    show = request.args.get("show", "")
    show = show if show in ("overdue", "lost") else "out"
    page = held_keys(work.session, work.today, show, text, read_page(request.args))
    return render_template("keys/out.html", page=page, show=show, text=text, days_overdue=days_overdue)


@blueprint.get("/system/<int:system_id>")
@roles(Role.COUNTER, Role.BENCH)
def system(system_id: int) -> ResponseReturnValue:
    """A system's keys by keyset; issue, order and cut."""
    return system_page(system_id), 200


def system_page(system_id: int, **refused: PageForm) -> str:
    """The page of a system's keys; a form that was refused stands in it as it was typed."""
    work, text = current_work(), read_text(request.args)
    found = get_system(work.session, system_id)
    kinds = {
        "issue": IssueKeysForm,
        "order": OrderForm,
        "cut": CutForm,
        "back": BackForm,
        "wrong": WrongForm,
        "blind": BlindForm,
    }
    keyset = {"symbol": one_line(request.args.get("keyset"))[:24]}
    forms = {name: kind(formdata=None, prefix=f"{name}-", data=keyset) for name, kind in kinds.items()}
    codes = CodesForm(formdata=None, prefix="codes-", data={"prefix": last_prefix(work.session)})
    lacks = lacks_authority(found)
    return render_template(
        "keys/system.html",
        system=found,
        groups=system_copies(work.session, system_id, text, read_page(request.args), SIZE),
        text=text,
        lacks_authority=lacks,
        restricted=[one for one in sections_of(found) if one in restricted_keyways(work.session, work.today)],
        may_override=lacks and work.actor.role is Role.OWNER,
        receipt=record_id(request.args.get("receipt")),
        **forms | {"codes": codes} | refused,
    )


@blueprint.post("/system/<int:system_id>/issue")
@roles(Role.COUNTER, Role.BENCH)
def issue(system_id: int) -> ResponseReturnValue:
    """Hand cut keys to a holder; the receipt to sign is offered next."""
    form = IssueKeysForm(prefix="issue-")

    def save() -> int:
        values = form.into(KeyIssueForm, system_id=system_id, copies=read_copies(typed(form.copies)))
        return issue_keys(current_work(), values)

    if done := form.run(save):
        number = key_receipt_number(done.value)
        said = f"{typed(form.symbol)} is with {typed(form.holder)} now. Have receipt {number} signed."
        return flash_and_redirect(
            _with_count(said, system_id),
            "keys.system",
            system_id=system_id,
            receipt=done.value,
        )
    return system_page(system_id, issue=form), 422


def _pressed(system_id: int, form: PageForm, save: Callable[[], str], name: str) -> ResponseReturnValue:
    """What a press says that was saved, at the head of the system's page; else the page with the form as typed."""
    if done := form.run(save):
        return flash_and_redirect(done.value, "keys.system", system_id=system_id)
    return system_page(system_id, **{name: form}), 422


def _with_count(said: str, system_id: int) -> str:
    session = current_work().session
    return " ".join(filter(None, (said, say_count(session, get_system(session, system_id).customer_id))))


@blueprint.post("/system/<int:system_id>/order")
@roles(Role.COUNTER, Role.BENCH)
def order(system_id: int) -> ResponseReturnValue:
    """Order further copies of a keyset."""
    form = OrderForm(prefix="order-")
    wanted = form.count.data or 0  # none typed: the use case says how many it takes
    if done := form.run(
        lambda: order_copies(current_work(), system_id, typed(form.symbol), wanted, typed(form.override_reason))
    ):
        return flash_and_redirect(
            f"{typed(form.symbol)}: {say_copies(done.value)} ordered.", "keys.system", system_id=system_id
        )
    return system_page(system_id, order=form), 422


@blueprint.post("/system/<int:system_id>/cut")
@roles(Role.COUNTER, Role.BENCH)
def cut(system_id: int) -> ResponseReturnValue:
    """Say that ordered copies are cut and stamped."""
    form = CutForm(prefix="cut-")

    def save() -> str:
        copies = read_copies(typed(form.copies))
        cut_keys(current_work(), system_id, typed(form.symbol), copies, typed(form.override_reason))
        return f"{typed(form.symbol)}: {say_copies(copies)} cut, and in the shop."

    return _pressed(system_id, form, save, "cut")


@blueprint.post("/system/<int:system_id>/back")
@roles(Role.COUNTER, Role.BENCH)
def back(system_id: int) -> ResponseReturnValue:
    """Take keys back by what is stamped on them; one that was never issued is told so."""
    form = BackForm(prefix="back-")

    def save() -> str:
        copies = read_copies(typed(form.copies))
        told = say_retired(return_copies(current_work(), system_id, typed(form.symbol), copies))
        said = f"{typed(form.symbol)}: {say_copies(copies)} back in the shop."
        return _with_count(" ".join(filter(None, (said, told))), system_id)

    return _pressed(system_id, form, save, "back")


@blueprint.post("/system/<int:system_id>/wrong")
@roles(Role.COUNTER, Role.BENCH)
def wrong(system_id: int) -> ResponseReturnValue:
    """Scrap keys that were cut wrong; others are to be cut in their place."""
    form = WrongForm(prefix="wrong-")

    def save() -> str:
        copies = read_copies(typed(form.copies))
        made = scrap_copies(current_work(), system_id, typed(form.symbol), copies, typed(form.note))
        return f"{typed(form.symbol)}: {say_copies(copies)} scrapped; {say_copies(made)} to cut instead."

    return _pressed(system_id, form, save, "wrong")


@blueprint.get("/<int:key_id>")
@roles(Role.COUNTER, Role.BENCH)
def key(key_id: int) -> ResponseReturnValue:
    """One key: where it is, what it turns, what happened to it."""
    return _key_page(key_id), 200


def _key_page(key_id: int, form: KeyNoteForm | None = None) -> str:
    """The page of one key; of a lost one, what its loss still exposes."""
    work = current_work()
    session = work.session
    found = get_key(session, key_id)
    keyset, events = found.keyset, key_story(session, found)
    loss = loss_of_key(session, found) if found.state is KeyState.LOST else None
    is_over = loss is not None and loss.closed_at is not None
    return render_template(
        "keys/key.html",
        key=found,
        loss=loss,
        loss_beside=open_loss(session, keyset.id) if loss is None else None,
        turned=still_turned(work, loss) if loss and not is_over else None,
        exposed=() if loss else exposed_by(session, keyset),
        keyways=keyways_in_words(session, keyset.system)[keyset.id],
        events=events,
        receipts=receipts_of(events),
        form=form or KeyNoteForm(obj=found),
    )


def _press(key_id: int, use: Callable[[KeyNoteForm], str]) -> ResponseReturnValue:
    """One press on one key: `use` does it and says what was done."""
    form = KeyNoteForm()
    about(f"key system {get_key(current_work().session, key_id).keyset.system_id}", form)
    if done := form.run(lambda: use(form)):
        return flash_and_redirect(done.value, "keys.key", key_id=key_id)
    return _key_page(key_id, form), 422


@blueprint.post("/<int:key_id>/return")
@roles(Role.COUNTER, Role.BENCH)
def give_back(key_id: int) -> ResponseReturnValue:
    """Take a key back."""

    def use(form: KeyNoteForm) -> str:
        work = current_work()
        back = return_key(work, key_id, form.version_read)
        loss = open_loss(work.session, back.keyset_id)
        said = " ".join(filter(None, (f"{name_of(back)} is back in the shop.", say_retired((back,)))))
        if loss is not None and is_found(work.session, loss):
            said += " Every lost copy is found: close the loss."
        return _with_count(said, back.keyset.system_id)

    return _press(key_id, use)


@blueprint.post("/<int:key_id>/lost")
@roles(Role.COUNTER, Role.BENCH)
def lost(key_id: int) -> ResponseReturnValue:
    """Put on record that a key is lost; what it opens and the plan stand on the loss's page."""
    form = KeyNoteForm()
    about(f"key system {get_key(current_work().session, key_id).keyset.system_id}", form)
    if done := form.run(
        lambda: lose_key(current_work(), key_id, form.version_read, typed(form.note), form.since.data)
    ):
        return flash_and_redirect(done.value.words, "losses.show", loss_id=done.value.loss.id)
    return _key_page(key_id, form), 422


@blueprint.post("/<int:key_id>/retire")
@roles(Role.COUNTER, Role.BENCH)
def retire(key_id: int) -> ResponseReturnValue:
    """Take a key out of use for good."""

    def use(form: KeyNoteForm) -> str:
        gone = retire_key(current_work(), key_id, form.version_read, typed(form.note))
        return f"{gone.keyset.symbol} copy {gone.copy_number} is out of use."

    return _press(key_id, use)


@blueprint.get("/receipts/<int:number>.pdf")
@roles(Role.COUNTER, Role.BENCH)
def receipt(number: int) -> ResponseReturnValue:
    """The receipt that the holder signs."""
    session = current_work().session
    made = key_receipt_pdf(house_head(get_house(session)), find_receipt(session, number))
    return send(made, f"key-receipt-{number}.pdf", PDF)
