"""The owner's first day: at most seven steps to the first printed quote, each with a default for one press."""

from dataclasses import replace
from fractions import Fraction

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, Field, RadioField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired, ValidationError

from app.documents import test_print_pdf
from app.errors import BitternError
from app.ledger.catalog.first_day import end_first_day, first_prices, first_steps, is_first_day, take_default
from app.ledger.catalog.house_settings import HouseForm, set_bench_terms, set_factory_terms, set_house
from app.ledger.catalog.items import fill_prices
from app.ledger.catalog.maker_queries import factory_terms_by_maker
from app.ledger.catalog.price_editing import set_tax_rule
from app.ledger.catalog.price_queries import entered_bench_terms, get_house, tax_table
from app.ledger.quoting.issuing import house_head
from app.ledger.tables import House, TaxRuleRow
from app.pricing import BenchAnswers, TaxRule, answers_of, usual_bench_terms, usual_factory_terms
from app.web.access import owner_only
from app.web.fields import CentsField, PercentField, WholeField
from app.web.files import PDF, send
from app.web.forms_base import PageForm, SavedForm, area, flash_and_redirect, record_id, text, typed
from app.web.query_args import wants_fragment
from app.web.services import current_work, request_session

blueprint = Blueprint("first_day", __name__, url_prefix="/first-day")

_LEVELS = {"1": "none", "2": "master keyed", "3": "grand master keyed", "4": "great grand master keyed"}
_USUAL = "usual"


class HeadForm(SavedForm):
    """What stands at the head of the house's papers."""

    name = text("The house's name", House.name, needed="Enter the house's name.")
    address = area("Address", House.address, rows=2)
    phone = text("Phone", House.phone)
    email = text("E-mail", House.email)
    paper = RadioField("Paper", [InputRequired("Choose a paper.")], choices={"Letter": "Letter", "A4": "A4"})


class TaxForm(PageForm):
    """The house's own sales tax."""

    place = text("Place", TaxRuleRow.place, hint="Whose sales tax holds for walk-ins.", needed="Name the place.")
    rate = PercentField("Rate in percent", [InputRequired("Enter the rate, 0 where there is no sales tax.")])
    goods_taxed = BooleanField("Goods are taxed", default=True)
    labour_taxed = BooleanField("Labor is taxed")


class BenchForm(PageForm):
    """Five questions about the bench."""

    hour_cents = CentsField("What does an hour at the bench cost?", [InputRequired("Enter an amount.")])
    day_minutes = WholeField(
        "How many minutes a day is somebody at it?", [InputRequired("Enter minutes.")], most=1440
    )
    pin_minutes = WholeField(
        "How many minutes does a cylinder take, from the drawer to the check?",
        [InputRequired("Enter minutes.")],
        most=1440,
    )
    key_minutes = WholeField(
        "How many keys are cut in a quarter of an hour?", [InputRequired("Enter keys.")], most=900
    )
    levels = RadioField("What is the largest system that you key here?", choices=_LEVELS)


class FactoryForm(PageForm):
    """A maker's factory: its terms as another's, or out of two figures."""

    maker = SelectField("Maker", validate_choice=False)
    copied = SelectField("Its terms are", validate_choice=False)
    keyed_cents = CentsField("Keying a cylinder different there costs", description="Where no other's are copied.")
    lead_days = WholeField("Working days until it comes", [InputRequired("Enter the days.")], most=5000)

    def validate_keyed_cents(self, field: Field) -> None:
        """Told together with the days, not after them."""
        if self.copied.data == _USUAL and not field.data and not field.errors:
            raise ValidationError("Enter what the maker asks.")


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """The steps, done or not; gone once all are."""
    steps = first_steps(request_session())
    if not steps:
        return redirect(url_for("day.index"))
    return render_template("settings/first_day.html", steps=steps, form=PageForm(formdata=None), pages=PAGES)


@blueprint.post("/<key>/default")
@owner_only
def default(key: str) -> ResponseReturnValue:
    """Take what a step proposes."""
    step = take_default(current_work(), key)
    steps = first_steps(request_session())
    if steps and wants_fragment():
        return render_template("settings/_first_steps.html", steps=steps, pages=PAGES)
    return _onward(f"{step.words}: {step.done}.")


def _onward(said: str) -> ResponseReturnValue:
    """Back to the steps; to the counter, for the first quote, once none is left."""
    if is_first_day(request_session()):
        return flash_and_redirect(said, "first_day.index")
    flash(f"{said} That was the last step: write your first quote here.")
    place = url_for("counter.page")
    return ("", 204, {"HX-Redirect": place}) if wants_fragment() else redirect(place, 303)


@blueprint.post("/end")
@owner_only
def end() -> ResponseReturnValue:
    """Put the page away."""
    end_first_day(current_work())
    return flash_and_redirect(
        "The first day's page is put away. What is left is under Settings and Goods.", "day.index"
    )


@blueprint.route("/paper", methods=["GET", "POST"])
@owner_only
def paper() -> ResponseReturnValue:
    """What stands at the head of the papers."""
    work = current_work()
    house = get_house(work.session)
    form = HeadForm(obj=house)

    def save() -> House:
        changed = replace(
            HouseForm.of(house),
            name=typed(form.name),
            address=typed(form.address),
            phone=typed(form.phone),
            email=typed(form.email),
            paper=typed(form.paper),
        )
        return set_house(work, changed, form.version_read)

    if form.run(save):
        return _onward("The head of your papers is saved. Look at it: print a test page.")
    return render_template("settings/first_step.html", form=form, title="House and paper"), form.status


@blueprint.route("/tax", methods=["GET", "POST"])
@owner_only
def tax() -> ResponseReturnValue:
    """The house's own sales tax, from today on."""
    work = current_work()
    place = get_house(work.session).tax_place
    on_record = [rule for rule in tax_table(work.session).rules if rule.place == place]
    known = max(on_record, key=lambda rule: rule.valid_from, default=None)
    form = TaxForm(
        data={
            "place": place,
            "rate": known and known.rate,
            "goods_taxed": known is None or known.goods_taxed,
            "labour_taxed": known is not None and known.labour_taxed,
        }
    )

    def save() -> None:
        rule = TaxRule(typed(form.place), form.rate.data, form.goods_taxed.data, form.labour_taxed.data, work.today)
        set_tax_rule(work, rule)
        house = get_house(work.session)
        set_house(work, replace(HouseForm.of(house), tax_place=typed(form.place)), house.version)

    if form.run(save):
        return _onward(f"Sales tax of {typed(form.place)} is saved.")
    return render_template("settings/first_step.html", form=form, title="Sales tax"), form.status


@blueprint.route("/bench", methods=["GET", "POST"])
@owner_only
def bench() -> ResponseReturnValue:
    """Five questions, out of which the bench's other figures follow; all of them, once one of those was changed."""
    work = current_work()
    terms = entered_bench_terms(work.session, work.today)
    given = answers_of(terms) if terms else BenchAnswers()
    if given is None:
        return redirect(url_for("terms.change_bench"))
    form = BenchForm(
        data={
            "hour_cents": given.hour_cents,
            "day_minutes": int(given.day_minutes),
            "pin_minutes": int(given.pin_minutes),
            "key_minutes": round(15 / given.key_minutes),
            "levels": str(given.levels),
        }
    )

    def save() -> object:
        answers = BenchAnswers(
            form.hour_cents.data,
            Fraction(form.day_minutes.data),
            Fraction(form.pin_minutes.data),
            Fraction(round(Fraction(1500, form.key_minutes.data or 1)), 100),
            int(typed(form.levels) or 0),
        )
        return set_bench_terms(work, work.today, usual_bench_terms(answers).to_json())

    if form.run(save):
        said = "The bench is on record. The other figures follow from your answers; change them under Bench terms."
        return _onward(said)
    return render_template("settings/first_step.html", form=form, title="Bench: five questions"), form.status


@blueprint.route("/prices", methods=["GET", "POST"])
@owner_only
def prices() -> ResponseReturnValue:
    """A price for each thing that the house itself does, as proposed or typed; empty: none."""
    work = current_work()
    proposed = {f"price-{item.id}": (item, cents) for item, cents in first_prices(work.session, work.today)}
    boxes = {name: CentsField(item.words) for name, (item, _) in proposed.items()}
    form: PageForm = type("PricesForm", (PageForm,), boxes)(
        data={name: cents for name, (_, cents) in proposed.items()}
    )

    def fill() -> int:
        given = {item.id: form[name].data for name, (item, _) in proposed.items()}
        return fill_prices(work, {number: cents for number, cents in given.items() if cents is not None})

    if form.run(fill):
        return _onward("The prices hold from today on; change them under Goods.")
    return render_template("settings/first_prices.html", form=form, proposed=list(proposed.values())), form.status


@blueprint.route("/factories", methods=["GET", "POST"])
@owner_only
def factories() -> ResponseReturnValue:
    """A maker's factory terms, copied or out of two figures."""
    work = current_work()
    by_maker = factory_terms_by_maker(work.session, work.today)
    held = {maker: dated[0][0].terms for maker, dated in by_maker.items() if dated}
    form = FactoryForm()
    form.maker.choices = [SelectChoice(str(maker.id), maker.name) for maker in by_maker if maker not in held]
    form.copied.choices = [
        SelectChoice(_USUAL, "worked out from the figures below"),
        *(SelectChoice(str(maker.id), f"as {maker.name}'s") for maker in held),
    ]

    def save() -> object:
        maker = next((one for one in by_maker if one.id == record_id(form.maker.data)), None)
        if maker is None:
            raise BitternError("maker", "Choose the maker.")
        source = next((terms for one, terms in held.items() if one.id == record_id(form.copied.data)), None)
        if source is None:
            terms = usual_factory_terms(maker.name, form.keyed_cents.data or 0, form.lead_days.data).to_json()
        else:
            terms = {**source, "maker": maker.name, "lead_working_days": form.lead_days.data}
        return set_factory_terms(work, maker.code, work.today, terms)

    if form.run(save):
        said = "The factory's terms are saved; look them through under Factory terms before you rely on them."
        return _onward(said)
    return render_template(
        "settings/first_step.html", form=form, title="Factories", nothing="" if form.maker.choices else _NO_MAKER
    ), form.status


_NO_MAKER = "Every maker on record has factory terms, or there is no maker yet: add makers first."


@blueprint.get("/test-print.pdf")
@owner_only
def test_print() -> ResponseReturnValue:
    """A page with the house's head, to see how the printer takes it."""
    house = get_house(request_session())
    return send(test_print_pdf(house_head(house), current_work().today), "test-print.pdf", PDF)


PAGES = {
    "paper": "first_day.paper",
    "tax": "first_day.tax",
    "makers": "maker_learning.index",
    "bench": "first_day.bench",
    "goods": "first_day.prices",
    "factories": "first_day.factories",
    "people": "house.new_user",
}
