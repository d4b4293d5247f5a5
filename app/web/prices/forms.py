"""Forms of the price book."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask_wtf.file import FileField
from wtforms import BooleanField, HiddenField, RadioField, SelectField
from wtforms.validators import InputRequired

from app.ledger.catalog.price_editing import PriceForm, Seen
from app.pricing import PriceKind
from app.web.fields import CentsField, DayField, WholeField
from app.web.forms_base import PageForm, text, typed


class PricePage(PageForm):
    """One price from a day on."""

    code = text("Code", 80, needed="Enter the code that quotes look it up by.", render_kw={"class": "code"})
    description = text("Description", 300, hint="As it stands on the quote.", needed="Enter the description.")
    category = text("Category", 40, needed="Enter the category.", render_kw={"list": "categories"})
    kind = RadioField(
        "Taxed as", [InputRequired("Choose goods or labour.")], choices={"goods": "goods", "labour": "labour"}
    )
    tier = SelectField("For", validate_choice=False)
    quantity_from = WholeField(
        "From quantity",
        [InputRequired("Enter the least quantity.")],
        least=1,
        description="Of one line of a quote; two lines of the same thing are not added up.",
    )
    unit_cents = CentsField("Price each", [InputRequired("Enter the price.")])
    cost_cents = CentsField("Cost each", [InputRequired("Enter the cost, 0 where there is none.")])
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    is_thin_meant = BooleanField("Set it in spite of the thin margin")
    seen = HiddenField()

    def offer(self, tiers: Sequence[str]) -> None:
        """Fill the list of tiers."""
        listed = [*tiers, *([self.tier.data] if self.tier.data and self.tier.data not in tiers else [])]
        self.tier.choices = {"": "everybody", **{name: name for name in listed}}

    def read(self) -> PriceForm:
        """The form as the use case takes it."""
        return PriceForm(
            code=typed(self.code),
            description=typed(self.description),
            category=typed(self.category),
            kind=PriceKind(typed(self.kind)),
            unit_cents=self.unit_cents.data,
            cost_cents=self.cost_cents.data,
            tier=typed(self.tier),
            quantity_from=self.quantity_from.data,
            valid_from=self.valid_from.data,
            is_thin_meant=self.is_thin_meant.data,
        )

    @property
    def seen_read(self) -> Seen:
        """What stood there when the form was loaded; None for nothing, and for nonsense."""
        price, _, cost = typed(self.seen).partition("/")
        if price.isascii() and price.isdecimal() and cost.isascii() and cost.isdecimal() and len(price + cost) < 30:
            return int(price), int(cost)
        return None


class EndPage(PageForm):
    """The last day of a price."""

    last_day = DayField("Last day", [InputRequired("Enter the last day.")])
    seen = HiddenField()


class ImportPage(PageForm):
    """A price file, and the first day of the prices that name none."""

    file = FileField("File", description="CSV or XLSX; the values alone are read, formulas are never run.")
    first_day = DayField("Prices without a day of their own start", [InputRequired("Enter the first day.")])

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.file.render_kw = {"accept": ".csv,.xlsx"}
