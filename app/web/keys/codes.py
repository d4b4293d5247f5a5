"""The register of blind codes: whose each is, codes given to one keyset or to a whole system, its paper."""

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.documents import blind_codes_pdf
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.blind_codes import find_codes, give_blind_code, give_codes, print_register
from app.ledger.quoting.issuing import house_head
from app.ledger.tables import Role
from app.validation import counted
from app.web.access import owner_only, roles
from app.web.files import PDF, send
from app.web.forms_base import flash_and_redirect, typed
from app.web.keys.views import BlindForm, CodesForm, blueprint, system_page
from app.web.query_args import read_page, read_text
from app.web.services import current_work


@blueprint.get("/codes")
@roles(Role.COUNTER, Role.BENCH)
def codes() -> ResponseReturnValue:
    """The codes that were given, with keysets, customers, copies and holders."""
    wanted = read_text(request.args)
    page = find_codes(current_work().session, wanted, read_page(request.args))
    return render_template("keys/codes.html", page=page, text=wanted)


@blueprint.get("/codes.pdf")
@owner_only
def codes_paper() -> ResponseReturnValue:
    """The whole register as PDF."""
    work = current_work()
    head = house_head(get_house(work.session))
    return send(blind_codes_pdf(head, print_register(work), work.today), "blind-codes.pdf", PDF)


@blueprint.post("/system/<int:system_id>/blind")
@roles(Role.COUNTER, Role.BENCH)
def blind(system_id: int) -> ResponseReturnValue:
    """Give a keyset a blind code, or take it away."""
    form = BlindForm(prefix="blind-")
    if done := form.run(lambda: give_blind_code(current_work(), system_id, typed(form.symbol), typed(form.code))):
        stamp = done.value.blind_code or "the symbol"
        return flash_and_redirect(
            f"Keys of {done.value.symbol} are stamped with {stamp} from now on.", "keys.system", system_id=system_id
        )
    return system_page(system_id, blind=form), 422


@blueprint.post("/system/<int:system_id>/codes")
@roles(Role.COUNTER, Role.BENCH)
def all_codes(system_id: int) -> ResponseReturnValue:
    """Give every keyset of a system that has none the next free code."""
    form = CodesForm(prefix="codes-")
    if done := form.run(lambda: give_codes(current_work(), system_id, typed(form.prefix))):
        first, last = done.value[0], done.value[-1]
        said = f"{counted(len(done.value), 'keyset')} stamped with codes from now on, {first.code} to {last.code}."
        return flash_and_redirect(said, "keys.system", system_id=system_id)
    return system_page(system_id, codes=form), 422
