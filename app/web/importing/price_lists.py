"""A maker's new price list: what it changes and touches, what is taken and left of it, taken at once."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import NamedTuple

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import BooleanField
from wtforms.validators import InputRequired, Optional

from app.ledger.importing.imports import ask_questions
from app.ledger.importing.price_list_rows import ListState
from app.ledger.importing.price_lists import (
    ListAnswer,
    ListComparison,
    ThinItem,
    bring_in_prices,
    compare_list,
    day_of_list,
    is_change,
    refuse_thin_items,
    take_price_list,
    thin_items,
)
from app.ledger.reports.rises import listed_anew, orders_touched, touched_by_list
from app.ledger.stock.movements import quantities
from app.ledger.store.engine import place_of_page
from app.ledger.store.errors import LedgerBusy
from app.ledger.store.work import Progress, Work
from app.validation import counted
from app.web.access import owner_only
from app.web.background import Run, forget_run, known_run, look_anew, show_run, start_run
from app.web.fields import DayField, PercentField
from app.web.forms_base import PageForm
from app.web.importing.views import PURPOSE, Saved, begin_saving, choice_of, find_waiting, opened, saved
from app.web.query_args import read_page, read_text, wants_fragment
from app.web.services import current_work, house_work
from app.web.staged_uploads import StagedUpload, note_upload

blueprint = Blueprint("price_lists", __name__, url_prefix="/imports")
_SIZE = 100
_MOST_THIN = 100
_PROBLEMS = "left aside"
_BROUGHT = "prices brought in on"
_COMPARING = "compare a price list"
_MOST_COMPARED = 2  # each holds a whole list


class ListAnswerPage(PageForm):
    """From which day a list holds, and what is left of it."""

    day = DayField("Holds from", [InputRequired("Enter the day from which the list holds.")])
    costs_follow = BooleanField("Let our costs rise and fall with the list prices: this list has no costs")
    over = PercentField("Percent", [Optional()])
    is_thin_meant = BooleanField("Take them in spite of the thin margins")


class _ListShown(NamedTuple):
    """What a list changes from a day on, which items would be thin by it, and what stands around its table."""

    comparison: ListComparison
    thin: Sequence[ThinItem]
    title: str
    notes: Sequence[str]


def _compared(work: Work, waiting: StagedUpload) -> Run:
    """The run that compares the list as it is read now: kept, so that no press compares it anew."""
    said = waiting.notes.get("answer") or {}
    rest = {name: note for name, note in waiting.notes.items() if name != "answer"}
    asked = date.fromisoformat(str(said["day"])) if said else None
    follow = bool(said.get("costs_follow"))

    def deed(own: Work, tell: Progress) -> _ListShown | None:
        tell("reading the list", 0, 0)
        sent = opened(own, waiting)
        choice, _, _ = choice_of(own, waiting, sent)
        if ask_questions(own.session, sent, choice).missing:
            return None
        tell(f"comparing {counted(len(sent.table.numbers), 'row')}", 0, 0)
        day = asked or day_of_list(sent.table, own.today)
        comparison = compare_list(own.session, sent, choice, day, costs_follow=follow)
        thin = thin_items(own.session, comparison, filter(is_change, comparison.changes))
        titles = sent.table.titles
        return _ListShown(comparison, thin, titles[0] if titles else "", sent.table.notes[:6])

    run = known_run(_token(waiting))
    if run is not None and run.user_id == work.actor.user_id and run.mark == (rest, follow):
        listed: _ListShown | None = run.outcome
        if run.state == "running" or (listed and asked in (None, listed.comparison.day)):
            return run
    return start_run(_token(waiting), _COMPARING, waiting.name, work, deed, (rest, follow), _MOST_COMPARED)


def _token(waiting: StagedUpload) -> str:
    return f"compare {waiting.token}"


def _answer(waiting: StagedUpload, comparison: ListComparison) -> ListAnswer:
    """What was said of a list so far; at first, what a part of a range does not name is left."""
    said = waiting.notes.get("answer")
    if isinstance(said, Mapping):
        return ListAnswer(comparison.day, frozenset(said["left"]), bool(said["costs_follow"]))
    gone = comparison.by_state[ListState.GONE] if comparison.names_part else ()
    return ListAnswer(comparison.day, frozenset(one.code for one in gone))


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
    waiting = find_waiting(work, token)
    run = _compared(work, waiting)
    if not run.awaited(however_long=form.is_submitted()):
        again, back = url_for("price_lists.show", token=token), url_for("imports.columns", token=token)
        return show_run(run, "_run.html", again, back, waiting.name)
    if wants_fragment():
        return look_anew()
    listed: _ListShown | None = run.result()
    if listed is None:
        return redirect(url_for("imports.columns", token=token), 303)
    answer = _answer(waiting, listed.comparison)
    if form.validate_on_submit():
        answer = _said(form, answer, listed.comparison)
        kept = {"day": answer.day.isoformat(), "left": sorted(answer.left), "costs_follow": answer.costs_follow}
        waiting = note_upload(work, PURPOSE, token, {**waiting.notes, "answer": kept})
        if request.form.get("act") != "take":
            shown, page = _where(request.form)
            return redirect(url_for("price_lists.show", token=token, show=shown, page=page), 303)
        if done := form.run(lambda: _take(work, waiting, form, answer, listed)):
            return done.value
    elif not form.is_submitted():
        form.day.data, form.costs_follow.data = answer.day, answer.costs_follow
    return _page(work, waiting, form, answer, listed), form.status


def _take(
    work: Work, waiting: StagedUpload, form: ListAnswerPage, answer: ListAnswer, listed: _ListShown
) -> ResponseReturnValue:
    """Begin to take a list, and on to what came of it, or to how far it is."""
    meant, seal = bool(form.is_thin_meant.data), request.form.get("seal", "")
    refuse_thin_items([one for one in listed.thin if one.change.code not in answer.left], is_thin_meant=meant)

    def deed(own: Work, tell: Progress) -> Saved:
        tell("reading the list", 0, 0)
        sent = opened(own, waiting)
        choice, _, _ = choice_of(own, waiting, sent)
        row = take_price_list(own, sent, choice, answer, seal, is_thin_meant=meant, progress=tell)
        said = f"Price list taken: {row.new:,} new, {row.changed:,} changed."
        return Saved(row.id, sent.about_id, said)

    run = begin_saving(work, waiting, deed)
    forget_run(_token(waiting))  # whatever comes of it, what is on record is looked at anew
    if not run.awaited():
        return redirect(url_for("imports.saving", token=waiting.token), 303)
    return saved(waiting.token, run)


def _where(boxes: Mapping[str, str]) -> tuple[str, int]:
    """Which kind and page of rows a press asks for."""
    shown, _, page = boxes.get("go", "").partition(":")
    if shown:
        return shown, int(page) if page.isdecimal() else 1
    return boxes.get("shown", ""), read_page(boxes)


def _said(form: ListAnswerPage, answer: ListAnswer, comparison: ListComparison) -> ListAnswer:
    """What the boxes and the press say, on top of what was said before."""
    day, follow = form.day.data or answer.day, bool(form.costs_follow.data)
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
    return ListAnswer(day, frozenset(left), follow)


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


def _page(work: Work, waiting: StagedUpload, form: ListAnswerPage, answer: ListAnswer, listed: _ListShown) -> str:
    comparison = listed.comparison
    asked = request.form if form.is_submitted() else request.args
    shown = _shown(comparison, asked.get("shown", "") or read_text(asked, "show", 12))
    every = comparison.by_state[shown] if shown else comparison.problems
    page, pages = place_of_page(len(every), read_page(asked), _SIZE)
    rows = every[(page - 1) * _SIZE : page * _SIZE]
    items = [one.item_id for one in rows if shown and one.item_id]  # type: ignore[union-attr]  # rows of a kind
    taken = answer.taken(comparison)
    codes = {one.code for one in taken}
    thin = [one for one in listed.thin if one.change.code in codes]
    return render_template(
        "importing/price_list.html",
        waiting=waiting,
        listed=listed,
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
        is_later=answer.day > work.today,
        thin=thin[:_MOST_THIN],
        thin_count=len(thin),
        quotes=touched_by_list(work.session, work.today, max(answer.day, work.today), comparison.maker.code, taken),
        orders=orders_touched(work.session, comparison.maker.id, listed_anew(taken)),
    )
