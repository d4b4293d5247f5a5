"""The owner's pages about what keying takes on the bench and costs at a maker's factory."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from app.ledger.catalog.house_settings import set_bench_terms, set_factory_terms
from app.ledger.catalog.maker_queries import factory_terms_by_maker, get_maker
from app.ledger.catalog.price_book import next_monday
from app.ledger.catalog.price_queries import dated_bench_terms, terms_mark
from app.ledger.quoting.promises import bench_today
from app.pricing import CylinderType, KeyingKind
from app.web.access import owner_only
from app.web.catalog.terms_forms import STEPS, BenchTermsPage, FactoryTermsPage
from app.web.errors import about
from app.web.forms_base import flash_and_redirect, typed
from app.web.services import current_work

blueprint = Blueprint("terms", __name__, url_prefix="/prices")
_WORDS = {"kinds": tuple(KeyingKind), "types": tuple(CylinderType), "steps": range(1, STEPS + 1)}


def _latest(dated: Sequence[tuple[Any, str]]) -> dict[str, Any]:
    """The terms of now, else those of the latest day."""
    return next((row.terms for row, state in dated if state == "now"), dated[0][0].terms if dated else {})


def _start(dated: Sequence[tuple[Any, str]], today: date) -> dict[str, Any]:
    """The first day and the mark of what is on record, as they stand in the form at first."""
    # The first terms hold at once, since nothing is weighed without them; later ones start with a week.
    return {"valid_from": next_monday(today) if dated else today, "seen": terms_mark(row for row, _ in dated)}


@blueprint.get("/bench-terms")
@owner_only
def bench() -> ResponseReturnValue:
    """What the bench costs and can do, now and as it was."""
    work = current_work()
    dated = dated_bench_terms(work.session, work.today)
    shelf = None
    if any(state == "now" for _, state in dated):
        free = bench_today(work.session, work.today).uncombinated_on_hand
        there = bench_today(work.session, work.today, promised=False).uncombinated_on_hand
        shelf = {sort: (count, free[sort]) for sort, count in there.items()}
    return render_template("catalog/bench_terms.html", dated=dated, shelf=shelf, **_WORDS)


@blueprint.route("/bench-terms/change", methods=["GET", "POST"])
@owner_only
def change_bench() -> ResponseReturnValue:
    """The bench's terms from a day on."""
    work = current_work()
    about("price book")
    dated = dated_bench_terms(work.session, work.today)
    latest = _latest(dated)
    if any(state == "now" for _, state in dated):
        # The page's figure is what lies there today: whoever leaves it as it stands has it counted right.
        there = bench_today(work.session, work.today, promised=False).uncombinated_on_hand
        latest = {**latest, "uncombinated_on_hand": there}
    form = BenchTermsPage(data={**BenchTermsPage.start(latest), **_start(dated, work.today)})
    if form.run(lambda: set_bench_terms(work, form.valid_from.data, form.to_json(), typed(form.seen))):
        return flash_and_redirect("The bench's terms are saved.", "terms.bench")
    return render_template("catalog/change_bench_terms.html", form=form, **_WORDS), form.status


@blueprint.get("/factory-terms")
@owner_only
def factory() -> ResponseReturnValue:
    """Every maker's terms, side by side."""
    work = current_work()
    return render_template(
        "catalog/factory_terms.html", makers=factory_terms_by_maker(work.session, work.today), **_WORDS
    )


@blueprint.route("/factory-terms/<int:maker_id>", methods=["GET", "POST"])
@owner_only
def change_factory(maker_id: int) -> ResponseReturnValue:
    """One maker's terms from a day on."""
    work = current_work()
    about(f"maker {maker_id}")
    maker = get_maker(work.session, maker_id)
    named, code = maker.name, maker.code
    dated = factory_terms_by_maker(work.session, work.today).get(maker, [])
    form = FactoryTermsPage(data={**FactoryTermsPage.start(_latest(dated)), **_start(dated, work.today)})
    if form.run(lambda: set_factory_terms(work, code, form.valid_from.data, form.to_json(named), typed(form.seen))):
        return flash_and_redirect(f"{named}'s terms are saved.", "terms.factory")
    return render_template("catalog/change_factory_terms.html", form=form, maker=maker, **_WORDS), form.status
