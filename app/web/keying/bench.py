"""The bench's pages of keying: pins to pick for a job, pins on the shelf, a key decoded from what was measured."""

from collections.abc import Mapping
from fractions import Fraction
from typing import ClassVar

from flask import flash, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError, Problem, Problems
from app.keying import CutOrder, inches_text
from app.ledger.bench.customers_keys import CustomersKeyForm, DecodedCustomersKey, decode_customers_key, waiting_key
from app.ledger.bench.pins import Picked, draw_pins, pick_for_job
from app.ledger.catalog.specs import list_specs
from app.ledger.jobs.queries import get_job
from app.ledger.keysystems.bittings import DecodeAsk, decode_key, spec_of
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.people.login_rules import Proof
from app.ledger.store import Session
from app.ledger.tables import Job, Role
from app.validation import counted, first_of
from app.web.access import proven, roles
from app.web.fields import WholeField
from app.web.forms_base import flash_and_redirect, typed
from app.web.forms_base import text as text_field
from app.web.keying import blueprint
from app.web.keying.forms import InchField, KeyingForm
from app.web.services import current_work, request_session

MOST_SIZES = 400


@blueprint.get("/jobs/<int:number>/pins")
@roles(Role.BENCH)
def pick_list(number: int) -> ResponseReturnValue:
    """What the list of a job's pins is, and the button that shows it."""
    return _pins_page(get_job(request_session(), number))


@blueprint.post("/jobs/<int:number>/pins")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def pins(number: int) -> ResponseReturnValue:
    """The pins of a job by size; drawn from the shelf on the second press."""
    work = current_work()
    job = get_job(work.session, number)
    try:
        picked = pick_for_job(work, job)
        if request.form.get("deed") == "draw":
            left = draw_pins(work, job, picked, request.form.getlist("instead")[:MOST_SIZES])
            said = f"The pins of job {job.number} are drawn from the shelf."
            if left:
                flash(f"{counted(len(left), 'cylinder')} without pins yet: {first_of(left, 12)}.", "caution")
                said = f"What is there for job {job.number} is drawn from the shelf."
            return flash_and_redirect(said, "keying.pick_list", number=number)
    except BitternError as error:
        return _pins_page(job, refusal=error.message)
    return _pins_page(job, picked)


def _pins_page(job: Job, picked: Picked | None = None, refusal: str = "") -> ResponseReturnValue:
    page = render_template("keying/pick_list.html", job=job, picked=picked, refusal=refusal)
    return page, 422 if refusal else 200


_AS_READ = (
    "Roots in inches with spaces, .302 .2875 …; in millimeters, 7.67 7.30 … mm; or depths by a gauge, 2 7 5 0 3 8."
)


def order_field() -> SelectField:
    """From which end a key was read."""
    return SelectField("Read from", choices={one.value: one.value for one in CutOrder}, default=CutOrder.BOW.value)


class DecodePage(KeyingForm):
    """A key under the caliper."""

    boxes: ClassVar[Mapping[str, str]] = {"increment_in": "spec", "depth0_in": "spec"}
    system = SelectField(
        "Key system", default="", description="Of a system's key: the keysets that its cuts allow are named."
    )
    spec = SelectField("Bitting spec", default="", description="Of any other key.")
    cuts = WholeField("Cuts on the key", least=3, most=12, description="Where it has fewer than the spec's chambers.")
    measured = text_field(
        "Measured root depths, or depths",
        200,
        hint=_AS_READ,
        needed="Enter a depth for each chamber.",
    )
    order = order_field()
    tolerance = InchField("Tolerance", [InputRequired("Enter a tolerance.")], description="Inches, such as .002.")
    why = text_field(
        "What for", 80, hint="Goes on record; the cuts do not.", needed="Say what the key is decoded for."
    )

    def offer(self, session: Session) -> None:
        """Fill the systems and specs: depths by a gauge can be read of one whose inches nobody has entered."""
        systems = {
            str(one.id): ", ".join(dict.fromkeys((one.customer.name, one.name))) for one in list_systems(session)
        }
        self.system.choices = {"": "None", **systems}
        self.spec.choices = {"": "Choose …"} | {str(use.row.id): use.row.name for use in list_specs(session)}

    def read(self) -> DecodeAsk:
        """As the use case takes it; a refusal where neither a system nor a spec was chosen."""
        if not typed(self.system) and not typed(self.spec):
            raise Problems([Problem("spec", "Choose the key's system, or a spec.")])
        return self.into(
            DecodeAsk,
            spec_id=int(typed(self.spec) or 0),
            system_id=int(typed(self.system) or 0) or None,
            order=CutOrder(self.order.data),
        )


@blueprint.route("/decode", methods=["GET", "POST"])
@roles(Role.BENCH)
def decode() -> ResponseReturnValue:
    """Measured depths back to depth numbers, worn and in-between cuts told."""
    work, form = current_work(), DecodePage()
    form.offer(work.session)
    if not form.is_submitted():
        form.tolerance.data = Fraction("0.002")
        form.system.data = request.args.get("system", "")
    done = form.run(lambda: decode_key(work, form.read()))
    decoded = done.value if done else None
    page = render_template("keying/decode.html", form=form, decoded=decoded, inches=inches_text)
    return page, 200 if done else form.status


class CustomersKeyPage(KeyingForm):
    """A key that a customer brought, as it was read."""

    cuts = text_field(
        "Cuts of the key",
        200,
        hint=_AS_READ,
        needed="Enter the key's cuts.",
    )
    order = order_field()

    def read(self) -> CustomersKeyForm:
        """As the use case takes it."""
        return self.into(CustomersKeyForm, order=CutOrder(self.order.data))


@blueprint.route("/jobs/<int:number>/customers-keys/<int:keyset_id>", methods=["GET", "POST"])
@roles(Role.BENCH)
def customers_key(number: int, keyset_id: int) -> ResponseReturnValue:
    """Decode the customer's key that a keyset of a job waits for."""
    work, form = current_work(), CustomersKeyPage()
    job, keyset = waiting_key(work, number, keyset_id)
    symbol = keyset.symbol
    if done := form.run(lambda: decode_customers_key(work, number, keyset_id, form.read())):
        decoded: DecodedCustomersKey = done.value
        said = f"The customer's key of {symbol} is decoded."
        if decoded.is_known:
            name = f"{decoded.keyset.symbol} of {decoded.keyset.system.name}"
            said = f"This key is {name}: cylinders and keys of {symbol} are on that now."
        for warning in decoded.warnings:
            flash(warning, "caution")
        return flash_and_redirect(said, "bench.job", number=number)
    page = render_template(
        "keying/customers_key.html", form=form, job=job, keyset=keyset, spec=spec_of(keyset.system)
    )
    return page, form.status
