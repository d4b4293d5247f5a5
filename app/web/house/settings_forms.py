"""The owner's forms about the house's papers, its sales tax and its customer tiers."""

from __future__ import annotations

from wtforms import BooleanField, HiddenField, RadioField, TextAreaField
from wtforms.validators import InputRequired, Length

from app.ledger.catalog.price_editing import TaxRuleForm, TierForm
from app.ledger.catalog.prices import HouseForm
from app.validation import length_limit
from app.web.fields import DayField, PercentField, WholeField
from app.web.forms_base import PageForm, SavedForm, text, typed


class HousePage(SavedForm):
    """What stands at the head and foot of the house's papers."""

    name = text("The house's name", 120, needed="Enter the house's name.")
    address = TextAreaField("Address", [Length(max=2000, message=length_limit(2000))], render_kw={"rows": 3})
    phone = text("Phone", 40)
    email = text("E-mail", 200)
    tax_place = text("Taxed in", 80, hint="The place whose sales tax holds for walk-ins.")
    paper = RadioField("Paper", [InputRequired("Choose a paper.")], choices={"Letter": "Letter", "A4": "A4"})
    quote_days = WholeField(
        "A quote is valid for (days)", [InputRequired("Enter the number of days.")], least=1, most=365
    )
    second_check = BooleanField(
        "A second person checks", description="Who pinned a cylinder may not check it; each is ticked off."
    )
    least_margin_percent = PercentField(
        "Least margin, percent of the price", description="A price that leaves less asks to be looked at again."
    )
    exclusions = TextAreaField(
        "Not included",
        [Length(max=4000, message=length_limit(4000))],
        description="Printed on every quote.",
        render_kw={"rows": 4},
    )
    terms = TextAreaField(
        "Terms",
        [Length(max=8000, message=length_limit(8000))],
        description="Printed on every quote.",
        render_kw={"rows": 6},
    )

    def read(self) -> HouseForm:
        """The form as the use case takes it."""
        least = self.least_margin_percent.data
        return HouseForm(
            name=typed(self.name),
            address=typed(self.address).strip(),
            phone=typed(self.phone),
            email=typed(self.email),
            tax_place=typed(self.tax_place),
            paper=typed(self.paper),
            quote_days=self.quote_days.data,
            exclusions=typed(self.exclusions).strip(),
            terms=typed(self.terms).strip(),
            second_check=self.second_check.data,
            least_margin_percent=f"{least:f}" if least is not None else "",
        )


class TaxRulePage(PageForm):
    """A place's sales tax from a day on."""

    place = text("Place", 80, hint="As customers and sites name it.", needed="Name the place.")
    rate = PercentField("Rate in percent", [InputRequired("Enter the rate, 0 where there is no sales tax.")])
    goods_taxed = BooleanField("Goods are taxed", default=True)
    labour_taxed = BooleanField("Labour is taxed")
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    seen = HiddenField()

    def read(self) -> TaxRuleForm:
        """The form as the use case takes it."""
        return TaxRuleForm(
            typed(self.place), self.rate.data, self.goods_taxed.data, self.labour_taxed.data, self.valid_from.data
        )


class TierPage(SavedForm):
    """A customer tier."""

    name = text("Name", 40, hint="Such as trade or contract.", needed="Enter the tier's name.")
    percent_off = PercentField(
        "Percent off catalogue list",
        [InputRequired("Enter the percentage, 0 for none.")],
        description="A price of its own in the price book goes before it.",
    )

    def read(self) -> TierForm:
        """The form as the use case takes it."""
        return TierForm(typed(self.name), self.percent_off.data)
