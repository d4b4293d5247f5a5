"""The owner's page about quotes: the deposit, the e-mail's text, and the questions about missing lines."""

from decimal import Decimal

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField
from wtforms.validators import InputRequired

from app.ledger.catalog.quote_rules import MAIL_WORDS, QuoteRulesForm, line_rules, quote_rules, set_quote_rules
from app.ledger.tables import QuoteRules
from app.pricing import DepositRule
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import CentsField, PercentField
from app.web.forms_base import SavedForm, area, flash_and_redirect, text, typed
from app.web.services import current_work

blueprint = Blueprint("quote_rules", __name__, url_prefix="/house/quotes")


class QuoteRulesPage(SavedForm):
    """What the house asks and says with its quotes."""

    deposit_percent = PercentField(
        "Deposit in percent",
        [InputRequired("Enter the percentage, 0 for none.")],
        description="Of the total with tax.",
    )
    deposit_cents = CentsField("or as an amount", [InputRequired("Enter the amount, 0 for none.")])
    deposit_above_cents = CentsField(
        "Asked of quotes above", [InputRequired("Enter the total, 0 for every quote.")], description="Total with tax."
    )
    most_off_percent = PercentField(
        "Ask about prices under the book by more than, in percent",
        [InputRequired("Enter the percentage, 0 to ask about every lower price.")],
        description="Own prices and discounts; those below cost are always asked about.",
    )
    mail_subject = text("Subject", QuoteRules.mail_subject, needed="Write a subject.")
    mail_text = area("Text", QuoteRules.mail_text, rows=11)
    asked = SelectMultipleField("Questions asked")

    def fill(self, rules: QuoteRules) -> None:
        """What a fresh form starts from."""
        self.deposit_percent.data = Decimal(rules.deposit_percent)
        self.deposit_cents.data, self.deposit_above_cents.data = rules.deposit_cents, rules.deposit_above_cents
        self.most_off_percent.data = Decimal(rules.most_off_percent)
        self.mail_subject.data, self.mail_text.data = rules.mail_subject, rules.mail_text
        self.asked.data = [rule.code for rule in line_rules() if rule.code not in rules.questions_off]
        self.version.data = str(rules.version) if rules.id else ""

    def read(self) -> QuoteRulesForm:
        """The form as the use case takes it; BitternError on a deposit that cannot be."""
        return self.into(
            QuoteRulesForm,
            deposit=DepositRule(self.deposit_percent.data, self.deposit_cents.data, self.deposit_above_cents.data),
            mail_text=typed(self.mail_text).replace("\r\n", "\n"),
            questions_off=tuple(rule.code for rule in line_rules() if rule.code not in (self.asked.data or ())),
        )


@blueprint.route("", methods=["GET", "POST"])
@owner_only
def index() -> ResponseReturnValue:
    """The rules for quotes, and every question's text with when it is asked."""
    work = current_work()
    rules = quote_rules(work.session)
    form = QuoteRulesPage()
    form.asked.choices = [(rule.code, rule.question) for rule in line_rules()]
    about("house", form)
    if form.run(lambda: set_quote_rules(work, form.read(), form.version_read if rules.id else None)):
        return flash_and_redirect(
            "The rules for quotes are saved; quotes that were issued stay as they were.", "quote_rules.index"
        )
    if not form.is_submitted():
        form.fill(rules)
    return render_template(
        "settings/quote_rules.html", form=form, rules=line_rules(), mail_words=MAIL_WORDS
    ), form.status
