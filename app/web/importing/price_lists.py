"""A maker's new price list: what it changes and touches, what is taken and left of it, taken at once."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import date

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import BooleanField
from wtforms.validators import InputRequired, Optional

from app.ledger.importing.imports import SentTable, ask_questions
from app.ledger.importing.price_list_rows import ListState
from app.ledger.importing.price_lists import (
    ListAnswer,
    ListComparison,
    bring_in_prices,
    compare_list,
    day_of_list,
    is_change,
    take_price_list,
    thin_items,
)
from app.ledger.importing.reading import TableChoice
from app.ledger.reports.rises import orders_touched, touched_by_list
from app.ledger.stock.movements import quantities
from app.ledger.store.engine import place_of_page
from app.ledger.store.errors import LedgerBusy
from app.ledger.store.work import Work
from app.web.access import owner_only
from app.web.fields import DayField, PercentField
from app.web.forms_base import PageForm, flash_and_redirect
from app.web.importing.views import PURPOSE, choice_of, open_waiting
from app.web.query_args import read_page, read_text
from app.web.services import current_work, house_work
from app.web.staged_uploads import StagedUpload, drop_upload, note_upload

blueprint = Blueprint("price_lists", __name__, url_prefix="/imports")
_SIZE = 100
_MOST_THIN = 100
_PROBLEMS = "left aside"
_BROUGHT = "prices brought in on"


class ListAnswerPage(PageForm):
    """From which day a list holds, and what is left of it."""

    day = DayField("Holds from", [InputRequired("Enter the day from which the list holds.")])
    costs_follow = BooleanField("Let our costs rise and fall with the list prices: this list has no costs")
    over = PercentField("Percent", [Optional()])
    is_thin_meant = BooleanField("Take them in spite of the thin margins")


def _answer(
    work: Work, waiting: StagedUpload, sent: SentTable, choice: TableChoice
) -> tuple[ListAnswer, ListComparison]:
    """What was said of a list so far, and what it changes; at first, what a part of a range does not name is left."""
    said = waiting.notes.get("answer")
    if isinstance(said, Mapping):
        day = date.fromisoformat(str(said["day"]))
        answer = ListAnswer(day, frozenset(said["left"]), bool(said["costs_follow"]))
        comparison = compare_list(work.session, sent, choice, day, costs_follow=answer.costs_follow)
        return answer, comparison
    answer = ListAnswer(day_of_list(sent.table, work.today))
    comparison = compare_list(work.session, sent, choice, answer.day)
    if comparison.names_part:
        gone = frozenset(one.code for one in comparison.by_state[ListState.GONE])
        answer = replace(answer, left=gone)
    return answer, comparison


@blueprint.before_app_request
def _bring_in() -> None:
    """The first request of a day has the prices hold whose day has come."""
    today = house_work().today
    if current_app.extensions.get(_BROUGHT) != today:
        with suppress(LedgerBusy):
            bring_in_prices(house_work())
            current_app.extensions[_BROUGHT] = today


@blueprint.route("/waiting/<token>/prices", methods=["GET", "POST"])
@owner_only
def show(token: str) -> ResponseReturnValue:
    """What a list changes, item by item; a press ticks, turns the page, or takes it."""
    work, form = current_work(), ListAnswerPage()
    waiting, sent = open_waiting(work, token)
    choice, _, _ = choice_of(work, waiting, sent)
    if ask_questions(work.session, sent, choice).missing:
        return redirect(url_for("imports.columns", token=token), 303)
    answer, comparison = _answer(work, waiting, sent, choice)
    act = request.form.get("act", "")
    if form.validate_on_submit():
        answer, comparison = _said(work, sent, choice, form, answer, comparison)
        kept = {"day": answer.day.isoformat(), "left": sorted(answer.left), "costs_follow": answer.costs_follow}
        note_upload(work, PURPOSE, token, {**waiting.notes, "answer": kept})
        if act != "take":
            shown, page = _where(request.form)
            return redirect(url_for("price_lists.show", token=token, show=shown, page=page), 303)
        thin_meant = bool(form.is_thin_meant.data)
        seal = request.form.get("seal", "")
        done = form.run(lambda: take_price_list(work, sent, choice, answer, seal, is_thin_meant=thin_meant))
        if done is not None:
            drop_upload(token)
            row = done.value
            return flash_and_redirect(
                f"Price list taken: {row.new:,} new, {row.changed:,} changed.",
                "imports.one",
                import_id=row.id,
                about=sent.about_id,
            )
    elif not form.is_submitted():
        form.day.data, form.costs_follow.data = answer.day, answer.costs_follow
    return _page(work, waiting, sent, form, answer, comparison), form.status


def _where(boxes: Mapping[str, str]) -> tuple[str, int]:
    """Which kind and page of rows a press asks for."""
    shown, _, page = boxes.get("go", "").partition(":")
    if shown:
        return shown, int(page) if page.isdecimal() else 1
    return boxes.get("shown", ""), read_page(boxes)


def _said(
    work: Work,
    sent: SentTable,
    choice: TableChoice,
    form: ListAnswerPage,
    answer: ListAnswer,
    comparison: ListComparison,
) -> tuple[ListAnswer, ListComparison]:
    """What the boxes and the press say, on top of what was said before."""
    day, follow = form.day.data or answer.day, bool(form.costs_follow.data)
    if (day, follow) != (answer.day, answer.costs_follow):
        comparison = compare_list(work.session, sent, choice, day, costs_follow=follow)
    here, ticked = set(request.form.getlist("here")), set(request.form.getlist("take"))
    left = (answer.left - here) | (here - ticked)
    match request.form.get("act"):
        case "all":
            left = frozenset()
        case "none":
            shown = _shown(comparison, request.form.get("shown", ""))
            left |= {one.code for one in comparison.by_state.get(shown, ())} if shown else set()
        case "over" if form.over.data is not None:
            left |= {one.code for one in comparison.by_state[ListState.DEARER] if one.rise > form.over.data}
    return ListAnswer(day, frozenset(left), follow), comparison


def _shown(comparison: ListComparison, word: str) -> ListState | None:
    """The kind of rows to show; None: those that are left aside."""
    by_word = {state.value: state for state in ListState}
    if word == _PROBLEMS:
        return None
    if word in by_word:
        return by_word[word]
    order = (ListState.DEARER, ListState.CHEAPER, ListState.NEW, ListState.GONE, ListState.SAME)
    if comparison.is_foreign:
        return None
    return next((state for state in order if comparison.by_state[state]), None)


def _page(
    work: Work,
    waiting: StagedUpload,
    sent: SentTable,
    form: ListAnswerPage,
    answer: ListAnswer,
    comparison: ListComparison,
) -> str:
    asked = request.form if form.is_submitted() else request.args
    shown = _shown(comparison, asked.get("shown", "") or read_text(asked, "show", 12))
    every = comparison.by_state[shown] if shown else comparison.problems
    page, pages = place_of_page(len(every), read_page(asked), _SIZE)
    rows = every[(page - 1) * _SIZE : page * _SIZE]
    items = [one.item_id for one in rows if shown and one.item_id]  # type: ignore[union-attr]  # rows of a kind
    taken = answer.taken(comparison)
    priced = {one.item_id: one.after for one in taken if one.item_id is not None and one.state is not ListState.GONE}
    codes = {one.code for one in taken}
    thin = thin_items(work.session, comparison, taken)
    return render_template(
        "importing/price_list.html",
        waiting=waiting,
        sent=sent,
        form=form,
        answer=answer,
        comparison=comparison,
        states=ListState,
        shown=shown,
        shown_word=shown.value if shown else _PROBLEMS,
        rows=rows,
        page=page,
        pages=pages,
        on_hand=quantities(work.session, items),
        taken=len(taken),
        changes=sum(map(is_change, comparison.changes)),
        is_later=answer.day > work.today,
        thin=thin[:_MOST_THIN],
        thin_count=len(thin),
        quotes=touched_by_list(work.session, work.today, max(answer.day, work.today), priced, codes),
        orders=orders_touched(work.session, comparison.maker.id, priced),
    )
