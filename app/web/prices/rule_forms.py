"""Forms of price rules and of their last day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from wtforms import BooleanField, HiddenField, RadioField, SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError
from app.ledger.catalog.price_rules import RuleForm, RuleSeen
from app.pricing import PriceBasis, read_percent
from app.web.fields import DayField, TextField
from app.web.forms_base import PageForm, SavedForm, text, typed

_BASES = {
    PriceBasis.COST_TIMES.value: "cost times the figure",
    PriceBasis.MARGIN.value: "the figure is the margin, percent of the price",
    PriceBasis.LIST_LESS.value: "list less the figure, percent",
}


class FigureField(TextField):
    """A multiplier or a percentage of at most four decimals, held as Decimal."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"inputmode": "decimal", "class": "amount"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> Decimal:
        try:
            return read_percent(text, self.short_name)
        except BitternError as error:
            raise ValueError("Enter a number from 0 to 100, at most four decimals, as in 1.85 or 40.") from error


class RulePage(PageForm):
    """One rule from a day on."""

    basis = RadioField("The price is", [InputRequired("Choose how the price comes about.")], choices=_BASES)
    figure = FigureField("Figure", [InputRequired("Enter the multiplier or the percentage.")])
    code = text("Code or part number", 80, hint="Empty: any.", render_kw={"class": "code"})
    category = SelectField("Category", validate_choice=False)
    maker = SelectField("Maker", validate_choice=False)
    tier = SelectField("For", validate_choice=False)
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    is_thin_meant = BooleanField("Set it in spite of the thin margin")
    seen = HiddenField()

    def offer(self, categories: Sequence[str], makers: Mapping[str, str], tiers: Sequence[str]) -> None:
        """Fill the lists."""
        self.category.choices = {"": "any", **{name: name for name in categories}}
        self.maker.choices = {"": "any", **makers}
        self.tier.choices = {"": "everybody", **{name: name for name in tiers}}

    def read(self) -> RuleForm:
        """The form as the use case takes it."""
        return RuleForm(
            basis=PriceBasis(typed(self.basis)),
            figure=self.figure.data,
            code=typed(self.code),
            category=typed(self.category),
            maker=typed(self.maker),
            tier=typed(self.tier),
            valid_from=self.valid_from.data,
            is_thin_meant=self.is_thin_meant.data,
        )

    @property
    def seen_read(self) -> RuleSeen:
        """The version that stood there when the form was loaded; None for none, and for nonsense."""
        sent = typed(self.seen)
        return int(sent) if sent.isascii() and sent.isdecimal() and len(sent) < 10 else None


class EndRulePage(SavedForm):
    """The last day of a rule."""

    last_day = DayField("Last day", [InputRequired("Enter the last day.")])
