"""Pages about key systems. Bittings open only on a POST, and every opening is an event."""

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import BittingLine, BittingList, bitting_list_pdf, printing, system_sheet
from app.keying import write_bitting
from app.ledger.bench.bench_sheet import keyset_work
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.losses import open_losses
from app.ledger.keysystems.authority import change_records
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.control import why_no_control
from app.ledger.keysystems.lost_keysets import lost_masters
from app.ledger.keysystems.out_of_use import why_retired
from app.ledger.keysystems.reserves import reserves_of
from app.ledger.keysystems.retiring import keyed_in, put_back_in_use, retire_system
from app.ledger.keysystems.rows_aside import rows_aside, why_not_settled
from app.ledger.keysystems.sent_arrays import sent_arrays
from app.ledger.keysystems.system_queries import (
    KeysetNode,
    get_system,
    keyways_in_words,
    list_system_rows,
    sections_of,
    system_tree,
    with_bittings,
)
from app.ledger.people.login_rules import Proof
from app.ledger.quoting.issuing import house_head
from app.ledger.store.errors import NotFound
from app.ledger.store.events import events_of
from app.ledger.store.work import Work
from app.ledger.tables import KeyState, KeySystem, Marking, Role
from app.web.access import owner_only, proven, roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import PageForm, SavedForm, area, flash_and_redirect, record_id, text, typed
from app.web.query_args import read_page, read_text
from app.web.services import current_work, request_session

MARKINGS = [SelectChoice(one.value, one.words) for one in Marking]


def _marking(field: SelectField, usual: Marking) -> Marking:
    return Marking(field.data) if field.data in set(Marking) else usual


class RecordsForm(SavedForm):
    """Who owns the system and what authority is on file."""

    owner_of_record = text(
        "Owner of record",
        KeySystem.owner_of_record,
        hint="Who may ask for keys and changes. Empty: nobody has said who that is.",
    )
    mark_keys = SelectField("Symbol on keys", choices=MARKINGS, validate_choice=False)
    mark_cylinders = SelectField("Symbol on cylinders", choices=MARKINGS, validate_choice=False)
    authority_note = area(
        "Written authority",
        KeySystem.authority_note,
        hint="Which letter, of which day, signed by whom, kept where.",
    )


class RetireForm(SavedForm):
    """Why a key system goes out of use; which cylinders stay is ticked in the page's list."""

    reason = text("Why", KeySystem.retired_reason, hint="Everybody reads it on the system's page.")


class RevealForm(PageForm):
    """Which keyset's bitting is to be shown."""

    keyset = SelectField("Keyset", coerce=int, validate_choice=False)


def bitting_list(work: Work, system_id: int) -> BittingList:
    """Every keyset with its bitting; puts the reveal on record. Raises NotAllowed for anybody but the owner."""
    work.require_owner()
    opened = reveal_bittings(work, [system_id], "bitting list")
    system = get_system(work.session, system_id)
    spec, on, keyways = spec_of(system), keyways_in_words(work.session, system), sections_of(system)
    lines = []
    for node in _flat(system_tree(work.session, system)):
        keyset, states = node.keyset, node.states
        lines.append(
            BittingLine(
                symbol=keyset.symbol,
                level=keyset.level.value + (f", on {on[keyset.id]}" if len(keyways) > 1 else ""),
                purpose=keyset.purpose_and_state,
                bitting=write_bitting(spec, opened[keyset.id]) if keyset.id in opened else "",
                state="key lost" if KeyState.LOST in states else "in use" if node.all_cylinders else "no cylinder",
                keys_out=states[KeyState.OUT],
            )
        )
    return BittingList(
        house=house_head(get_house(work.session)),
        system_name=system.name,
        owner_of_record=system.owner_of_record,
        keyway=", ".join(keyways),
        spec_name=system.spec.name,
        printed_on=work.today,
        revealed_to=work.actor.name,
        lines=tuple(lines),
    )


def _flat(nodes: tuple[KeysetNode, ...]) -> list[KeysetNode]:
    return [one for node in nodes for one in (node, *_flat(node.children))]


blueprint = Blueprint("keysystems", __name__, url_prefix="/key-systems")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Key systems by customer."""
    text = read_text(request.args)
    systems = list_system_rows(request_session(), text, read_page(request.args))
    return render_template("keysystems/index.html", systems=systems, text=text)


@blueprint.get("/<int:system_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(system_id: int) -> ResponseReturnValue:
    """One system: its tree, what hangs on each keyset, who owns it."""
    system = get_system(request_session(), system_id)
    return _page(system, RecordsForm(obj=system))


def _page(system: KeySystem, form: RecordsForm) -> ResponseReturnValue:
    """A system with its tree and what happened to it, as far as this person may see it."""
    work, reveal = current_work(), RevealForm()
    reveal.keyset.choices = {str(one.id): f"{one.symbol}, {one.level.value}" for one in system.keysets}
    tree, aside = system_tree(work.session, system), rows_aside(work.session, system.id)
    page = render_template(
        "keysystems/show.html",
        system=system,
        tree=tree,
        reserves=(reserves := reserves_of(work.session, system)),
        in_reserve={symbol for one in reserves for symbol in one.symbols},
        keyways=sections_of(system),
        planned=sorted(
            (one for node in _flat(tree) for one in node.cylinders if one.is_planned), key=lambda one: one.id
        ),
        events=events_of(work.session, f"key system {system.id}", work.actor.role),
        why_no_control=why_no_control(system),
        why_retired=why_retired(system),
        has_retired=any(one.is_out_of_use for one in system.keysets),
        has_bittings=bool(with_bittings(work.session, [system.id])),
        why_aside=why_not_settled(system.name, aside),
        aside=aside,
        lost=lost_masters(work.session, [system.id]),
        losses=open_losses(work.session, system.id),
        sent=sent_arrays(work.session, system.id),
        form=form,
        reveal=reveal,
    )
    return page, form.status


@blueprint.post("/<int:system_id>/records")
@owner_only
def records(system_id: int) -> ResponseReturnValue:
    """Save the owner of record and the note on written authority."""
    about(f"key system {system_id}")
    form, work = RecordsForm(), current_work()
    if done := form.run(
        lambda: change_records(
            work,
            system_id,
            form.version_read,
            typed(form.owner_of_record),
            typed(form.authority_note),
            (_marking(form.mark_keys, Marking.VISUAL), _marking(form.mark_cylinders, Marking.CONCEALED)),
        )
    ):
        return flash_and_redirect(
            f"The records of {done.value.name} are saved.", "keysystems.show", system_id=system_id
        )
    return _page(get_system(work.session, system_id), form)


@blueprint.route("/<int:system_id>/retire", methods=["GET", "POST"])
@owner_only
def retire(system_id: int) -> ResponseReturnValue:
    """Take a system out of use: why, and which cylinders stay keyed to it."""
    about(f"key system {system_id}")
    work, form = current_work(), RetireForm()
    staying = {record_id(one) for one in request.form.getlist("staying")}
    if done := form.run(lambda: retire_system(work, system_id, form.version_read, typed(form.reason), staying)):
        return flash_and_redirect(
            f"{done.value.name} is retired. Call its keys in here.", "keys.call_in_page", system_id=system_id
        )
    system = get_system(work.session, system_id)
    if not form.is_submitted():
        form = RetireForm(formdata=None, data={"version": system.version})
    keyed = keyed_in(work.session, system)
    return render_template(
        "keysystems/retire.html", system=system, form=form, keyed=keyed, staying=staying
    ), form.status


@blueprint.post("/<int:system_id>/use-again")
@owner_only
def use_again(system_id: int) -> ResponseReturnValue:
    """Have a retired system take keysets again."""
    about(f"key system {system_id}")
    form = SavedForm()
    back = put_back_in_use(current_work(), system_id, form.version_read)
    return flash_and_redirect(f"{back.name} is in use again.", "keysystems.show", system_id=system_id)


@blueprint.post("/<int:system_id>/bittings")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def bittings(system_id: int) -> ResponseReturnValue:
    """One keyset's bitting and how a cylinder on it is pinned."""
    work = current_work()
    system = get_system(work.session, system_id)
    wanted = RevealForm().keyset.data
    keyset = next((one for one in system.keysets if one.id == wanted), None)
    if keyset is None:
        raise NotFound("keyset in this key system")
    bench, stopped = keyset_work(work, system, keyset)
    sheet = system_sheet(bench)
    return render_template("keysystems/bittings.html", system=system, keyset=keyset, sheet=sheet, stopped=stopped)


@blueprint.post("/<int:system_id>/bitting-list.pdf")
@owner_only
@proven(Proof.BITTING_LIST)
def bitting_list_file(system_id: int) -> ResponseReturnValue:
    """The whole bitting list, for the owner alone."""
    with printing():
        return send(bitting_list_pdf(bitting_list(current_work(), system_id)), f"bitting-list-{system_id}.pdf", PDF)
