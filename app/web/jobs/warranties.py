"""Pages: a cylinder that came back opens a job of its own, and what its maker says of it."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, RadioField, StringField

from app.ledger.bench.bench_sheet import cylinder_record
from app.ledger.goods.warranties import CameBackForm, note_claim, open_warranty, warranty_of_job
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.lost_keys import MOST, OWNERS_BOX
from app.ledger.store.errors import NotFound
from app.ledger.tables import BorneBy, Role, Warranty
from app.web.access import roles
from app.web.errors import about
from app.web.fields import CentsField, DayField
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.services import current_work

blueprint = Blueprint("warranties", __name__)


class CameBackPage(SavedForm):
    """What came back, why, and who bears the cost; the customer pays nothing."""

    reason = text("What is wrong with it", Warranty.reason, needed="Say what is wrong with it.")
    borne_by = RadioField(
        "At whose cost",
        choices={BorneBy.HOUSE.value: "the house’s", BorneBy.MAKER.value: "the maker’s"},
        validate_choice=False,
    )
    claim = text("Claim with the maker", Warranty.claim, hint="Number, day, or what he said; it can be noted later.")
    goes_back = BooleanField("The old one goes back to the maker")
    is_here = BooleanField("The old one is here", description="It is on its door no more, from today on.")
    cost_cents = CentsField("What another one costs us", description="Leave it empty where its item says it.")
    promised_on = DayField("Promised for", description="Leave it empty for the day that shelf and bench can keep.")
    lost_reason = text(OWNERS_BOX, MOST, hint="Only where a lost key opens it, and for the owner of the house.")


@blueprint.route("/cylinders/<int:cylinder_id>/came-back", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def came_back(cylinder_id: int) -> ResponseReturnValue:
    """Open a job for a cylinder that came back."""
    work = current_work()
    record = cylinder_record(work.session, cylinder_id)
    about(f"door {record.cylinder.door_id}")
    form = CameBackPage(version=record.cylinder.version, borne_by=BorneBy.MAKER.value)
    if done := form.run(lambda: open_warranty(work, cylinder_id, form.version_read, form.into(CameBackForm))):
        said = f"Job {done.value.number} is open: another cylinder, keyed as it was, at no charge."
        return flash_and_redirect(said, "jobs.show", number=done.value.number)
    record = cylinder_record(work.session, cylinder_id)
    return render_template("jobs/came_back.html", form=form, record=record), form.status


class ClaimForm(SavedForm):
    """What the maker was told, or said."""

    claim = StringField("Claim with the maker")


@blueprint.post("/jobs/<int:number>/claim")
@roles(Role.COUNTER, Role.BENCH)
def claim(number: int) -> ResponseReturnValue:
    """Write down what the maker says of what came back."""
    about(f"job {number}")
    work, form = current_work(), ClaimForm()
    found = warranty_of_job(work.session, get_job(work.session, number).id)
    if found is None:
        raise NotFound("warranty of this job")
    note_claim(work, found.id, form.version_read, typed(form.claim))
    return flash_and_redirect("The claim is noted.", "jobs.show", number=number)
