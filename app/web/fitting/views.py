"""The Fit pages: one view, one question each; answers come as one types, or on a press of the button."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.fitting import all_finishes, door_preparations, trade_fact, words
from app.ledger.catalog.maker_pictures import pictures
from app.ledger.catalog.maker_queries import maker_tables
from app.ledger.quoting.issuing import lying_draft
from app.ledger.tables import Role
from app.web.access import roles
from app.web.fitting import answers, forms, part_numbers
from app.web.fitting.drawings import draw_bore, draw_length, draw_tailpiece
from app.web.fitting.for_quote import for_line, for_part
from app.web.forms_base import attach
from app.web.query_args import wants_fragment
from app.web.services import current_work, request_session

blueprint = Blueprint("fitting", __name__, url_prefix="/fit")


@dataclass(frozen=True, slots=True)
class Question:
    """One kind of question: its word on the page, what it is for, its form, its answer, its drawing."""

    word: str
    lead: str
    form: type[forms.QuestionForm]
    answer: Callable[..., Any]
    draw: Callable[[Any], Any] | None = None


QUESTIONS = {
    "number": Question(
        "Find",
        "What is this number, what does the customer mean, what takes this key?",
        forms.NumberForm,
        part_numbers.answer_number,
    ),
    "compose": Question(
        "Part number",
        "From what it should be to each maker's number.",
        forms.ComposeForm,
        part_numbers.answer_compose,
    ),
    "same": Question(
        "Same fit", "What does an old cylinder's work, from any maker.", forms.SwapForm, part_numbers.answer_swap
    ),
    "length": Question(
        "Length",
        "Mortise cylinder and ring, outside and inside.",
        forms.LengthForm,
        answers.answer_length,
        draw_length,
    ),
    "tailpiece": Question(
        "Tailpiece",
        "Where a rim cylinder's tailpiece is cut.",
        forms.TailpieceForm,
        answers.answer_tailpiece,
        draw_tailpiece,
    ),
    "bore": Question(
        "Deadbolt", "Backset and hole against the stile.", forms.BoreForm, answers.answer_bore, draw_bore
    ),
    "thread": Question("Thread", "Does this body go into that lock's hole?", forms.ThreadForm, answers.answer_thread),
    "cam": Question("Cam", "The cam belongs to the lock, not to the cylinder.", forms.CamForm, answers.answer_cam),
    "key": Question("Key", "Can this cylinder take the customer's key?", forms.KeyForm, answers.answer_key),
    "finishes": Question(
        "Finishes", "BHMA numbers, US codes, and what matches.", forms.FinishForm, answers.answer_finishes
    ),
}


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The first question: a number, words, or a key blank."""
    return _ask("number")


@blueprint.get("/<slug>")
@roles(Role.COUNTER, Role.BENCH)
def ask(slug: str) -> ResponseReturnValue:
    """One kind of question."""
    if slug not in QUESTIONS:
        abort(404, "There is no such question here.")
    return _ask(slug)


def _ask(slug: str) -> ResponseReturnValue:
    question, session = QUESTIONS[slug], request_session()
    makers = maker_tables(session)
    codes = {maker.name: maker.code for maker in makers.values()}
    is_asked = any(request.args.values())
    form = question.form(request.args if is_asked else None, data=_start(slug))
    form.offer(makers)
    answer = refusal = None
    if (is_asked and form.validate()) or (slug == "finishes" and not is_asked):
        try:
            answer = question.answer(session, makers, form)
        except BitternError as error:
            attach(form, error)
    if form.errors or form.form_errors:
        refusal = [(field.label.text, field.errors[0]) for field in form if field.errors]
        refusal += [("", message) for message in form.form_errors]
    return render_template(
        f"fitting/_{slug}.html" if wants_fragment() else "fitting/question.html",
        slug=slug,
        question=question,
        questions=QUESTIONS,
        form=form,
        answer=answer,
        refusal=refusal,
        drawing=question.draw(answer) if question.draw and answer else None,
        finishes=all_finishes(),
        preparations=door_preparations() if slug == "bore" else (),
        looked_up={each.code: each for each in all_finishes()},
        cylinder_words=words,
        converted=form.converted if answer else (),
        lying=lying_draft(session, current_work().actor.user_id),
        for_part=lambda maker, number, **more: for_part(codes.get(maker, ""), number, **more),
        for_line=for_line,
        pictures=pictures(session),
    )


def _start(slug: str) -> dict[str, Any]:
    """What stands in the boxes at first: common practice, which the counter overtypes."""
    if slug == "thread":
        diameter, threads = trade_fact("mortise_diameter").value, int(trade_fact("mortise_threads_per_inch").value)
        return {"lock_diameter": diameter, "lock_threads": threads}
    return forms.usual_bore() if slug == "bore" else {}
