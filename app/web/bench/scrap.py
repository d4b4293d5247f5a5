"""The page on which the bench scraps a job's keys that were cut wrong."""

from flask import render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectField

from app.ledger.keys.keys import scrap_copies
from app.ledger.keysystems.copy_numbers import read_copies, say_copies
from app.ledger.tables import Role
from app.web.access import roles
from app.web.bench.page import at_bench
from app.web.bench.views import blueprint
from app.web.forms_base import PageForm, flash_and_redirect, text, typed
from app.web.services import current_work


class ScrapForm(PageForm):
    """Keys of the job that were cut wrong: their keyset, by id, and what is stamped on them."""

    keyset = SelectField("Key", coerce=int)
    copies = text("Copies", 200, needed="Enter the copy numbers of the keys that were cut wrong.", hint="3, or 1-2.")
    note = text("What is wrong", 500)


@blueprint.route("/bench/jobs/<int:number>/scrap", methods=["GET", "POST"])
@roles(Role.BENCH)
def scrap(number: int) -> ResponseReturnValue:
    """A key was cut wrong: its piece is scrap, and another copy is on the list of keys to cut."""
    keys = at_bench(current_work(), number).keys
    found = {one.keyset.id: one.keyset for one in keys}
    form = ScrapForm()
    form.keyset.choices = [(one.keyset.id, f"{one.keyset.symbol}, {one.copies()}") for one in keys]

    def save() -> str:
        keyset, copies = found[form.keyset.data], read_copies(typed(form.copies))
        system, symbol = keyset.system_id, keyset.symbol
        made = scrap_copies(current_work(), system, symbol, copies, typed(form.note), number)
        return f"{symbol} {say_copies(copies)} scrapped; {say_copies(made)} to cut instead."

    if done := form.run(save):
        return flash_and_redirect(done.value, "bench.job", number=number)
    return render_template("bench/scrap.html", number=number, form=form, has_keys=bool(keys)), form.status
