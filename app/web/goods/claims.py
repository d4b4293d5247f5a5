"""Claims to makers: the open ones, the oldest first, and what came of each."""

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.ledger.goods.claims import SettleClaimForm, list_claims, settle_claim
from app.ledger.store.engine import get_row
from app.ledger.tables import ClaimState, MakerClaim, Role
from app.web.access import roles
from app.web.fields import CentsField, DayField
from app.web.forms_base import SavedForm, flash_and_redirect, text
from app.web.query_args import read_page
from app.web.services import current_work

blueprint = Blueprint("claims", __name__)


class ClaimPage(SavedForm):
    """How a claim stands."""

    state = SelectField("How it stands", choices=[SelectChoice(one.value, one.value) for one in ClaimState])
    settled_on = DayField("Settled on")
    cents = CentsField("What it came to", description="The credit, or what the pieces in place of them are worth.")
    answer = text("What the maker says", MakerClaim.answer, hint="Their number, a name, a day.")


@blueprint.get("/claims")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Claims that are open; with `settled` those that are over too."""
    work, with_settled = current_work(), request.args.get("settled") == "yes"
    page = list_claims(work.session, with_settled=with_settled, page=read_page(request.args))
    return render_template("goods/claims.html", page=page, with_settled=with_settled)


@blueprint.route("/claims/<int:claim_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def show(claim_id: int) -> ResponseReturnValue:
    """One claim, and what the maker says of it."""
    work = current_work()
    claim = get_row(work.session, MakerClaim, claim_id, "claim")
    form = ClaimPage(obj=claim, data={"state": claim.state.value, "settled_on": claim.settled_on or work.today})
    if done := form.run(lambda: settle_claim(work, claim_id, form.version_read, form.into(SettleClaimForm))):
        return flash_and_redirect(f"The claim is {done.value.state.value}.", "claims.index")
    return render_template("goods/claim.html", claim=claim, form=form), form.status
