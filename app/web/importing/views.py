"""Any table goes in: sent, its columns said where they are not plain, shown, saved at once, undone at once."""

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from typing import Any, NamedTuple

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import SelectField, TextAreaField

from app.errors import BitternError, Problems
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.importing.bitting_lists import note_list
from app.ledger.importing.imports import (
    ImportPlan,
    SentTable,
    ask_questions,
    get_import,
    kind_named,
    kinds_for,
    leaning_on,
    list_imports,
    list_senders,
    open_table,
    plan_import,
    propose_choice,
    save_import,
    undo_import,
    usual_sender,
)
from app.ledger.importing.kinds import CellKind, ImportKind, RowState
from app.ledger.importing.reading import TableChoice, TableQuestions, options_of
from app.ledger.keysystems.system_queries import get_system
from app.ledger.sites.customer_queries import get_customer, get_site
from app.ledger.store.engine import place_of_page
from app.ledger.store.work import Progress, Work
from app.ledger.tables import Customer, KeySystem, Maker, Role, Site
from app.spreadsheets import DAY_FIRST, MONTH_FIRST
from app.validation import counted
from app.web.access import roles
from app.web.background import Run, find_run, known_run, look_anew, show_run, start_run
from app.web.files import send_table
from app.web.forms_base import FilePage, PageForm, flash_and_redirect, record_id, refusals, typed
from app.web.navigation import stand_under
from app.web.query_args import read_id, read_page, read_text, wants_fragment
from app.web.services import current_work
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, note_upload, stage_table

blueprint = Blueprint("imports", __name__, url_prefix="/imports")
PURPOSE, SAVING, UNDOING = "import", "save a table", "undo an import"
_SIZE = 50
_SHOWN = ("problems", RowState.NEW.value, RowState.CHANGED.value, RowState.SAME.value)
_OWN_PAGES = {"price list": "price_lists.show", "bitting list": "bitting_lists.show"}
"""Kinds whose preview is a page of their own."""
_STANDS_UNDER = {
    "customers": "customers.index",
    "contacts": "customers.index",
    "sites": "customers.index",
    "doors": "doors.index",
    "goods": "goods.index",
    "prices": "goods.index",
    "price list": "makers.index",
    "learned maker": "makers.index",
    "stock": "stock.counts",
    "keys": "keys.out",
    "bitting list": "keysystems.index",
}
"""The page of each kind of rows under which its import stands in the menu."""
DAY_ORDERS = (MONTH_FIRST, DAY_FIRST)


class TablePage(FilePage):
    """A table: what its rows are, and it itself, as a file or pasted."""

    kind = SelectField("What the rows are", validate_choice=False)
    pasted = TextAreaField("Or paste it here", render_kw={"rows": 6, "wrap": "off", "spellcheck": "false"})


@blueprint.route("", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Send a table; and which ones came in."""
    work, form = current_work(), TablePage()
    kinds = kinds_for(work.actor.role)
    about, named = read_id(request.args, "about"), read_text(request.args, "kind", 24)
    kinds = tuple(
        kind for kind in kinds if kind.columns and (kind.name != "price list" or (kind.name == named and about))
    )
    form.kind.choices = [(kind.name, kind.words) for kind in kinds]
    if not form.is_submitted() and named:
        form.kind.data = named
    if named in _STANDS_UNDER:
        stand_under(_STANDS_UNDER[named])

    def stage() -> StagedUpload:
        kind = kind_named(work, typed(form.kind))
        notes = {"kind": kind.name, "about": about if kind.about else None}
        waiting = stage_table(work, PURPOSE, form.file.data, typed(form.pasted), notes, is_secret=kind.is_secret)
        try:
            sent = open_table(waiting.name, waiting.content, kind, about)
            if kind.is_secret:
                note_list(work, sent)
        except BitternError:
            drop_upload(waiting.token)
            raise
        return waiting

    if done := form.run(stage):
        return redirect(url_for("imports.show", token=done.value.token), 303)
    return render_template(
        "importing/imports.html",
        form=form,
        kinds=kinds,
        about=_about(work, typed(form.kind), about),
        found=list_imports(work.session, work.actor.role, read_page(request.args)),
    ), form.status


def _about(work: Work, kind_name: str, about_id: int | None) -> Customer | Site | KeySystem | Maker | None:
    """The record that a table is all about."""
    if about_id is None or not kind_name:
        return None
    noun = kind_named(work, kind_name).about
    if noun == "site":
        return get_site(work.session, about_id)
    if noun == "key system":
        return get_system(work.session, about_id)
    if noun == "maker":
        return get_maker(work.session, about_id)
    return get_customer(work.session, about_id) if noun == "customer" else None


def _kind(work: Work, name: str) -> ImportKind:
    """A kind of rows, under whose page the import stands."""
    if name in _STANDS_UNDER:
        stand_under(_STANDS_UNDER[name])
    return kind_named(work, name)


def find_waiting(work: Work, token: str) -> StagedUpload:
    """The file of a table that waits."""
    waiting = find_upload(work, PURPOSE, token)
    _kind(work, str(waiting.notes.get("kind", "")))
    return waiting


def open_waiting(work: Work, token: str) -> tuple[StagedUpload, SentTable]:
    """A table that waits."""
    waiting = find_waiting(work, token)
    return waiting, opened(work, waiting)


def opened(work: Work, waiting: StagedUpload) -> SentTable:
    """The table of a file that waits."""
    kind = kind_named(work, str(waiting.notes.get("kind", "")))
    about, head = waiting.notes.get("about"), waiting.notes.get("head")
    first_day = _day(waiting.notes.get("first_day")) or work.today
    return open_table(waiting.name, waiting.content, kind, about, first_day, head)


def _day(said: str | None) -> date | None:
    try:
        return date.fromisoformat(said) if said else None
    except ValueError:
        return None


def choice_of(work: Work, waiting: StagedUpload, sent: SentTable) -> tuple[TableChoice, str, bool]:
    """How the table is read: as somebody said, else as proposed; its sender; whether anything is a guess."""
    if "choice" in waiting.notes:
        return TableChoice.from_json(waiting.notes["choice"]), str(waiting.notes.get("sender", "")), True
    proposed = propose_choice(work.session, sent)
    about = _about(work, sent.kind.name, sent.about_id)
    sender = proposed.sender or (about.name if about else usual_sender(sent))
    return proposed.choice, sender, proposed.is_sure


@blueprint.get("/waiting/<token>")
@roles(Role.COUNTER, Role.BENCH)
def show(token: str) -> ResponseReturnValue:
    """What a table would change; what is not plain about it is asked first."""
    work = current_work()
    waiting, sent = open_waiting(work, token)
    choice, sender, is_sure = choice_of(work, waiting, sent)
    questions = ask_questions(work.session, sent, choice)
    if (
        questions.missing
        or questions.asks_day_order
        or ((not is_sure or questions.words) and not waiting.notes.get("choice"))
    ):
        return redirect(url_for("imports.columns", token=token), 303)
    if own := _OWN_PAGES.get(sent.kind.name):
        return redirect(url_for(own, token=token), 303)
    return _preview(work, waiting, sent, choice, sender)


def _preview(
    work: Work, waiting: StagedUpload, sent: SentTable, choice: TableChoice, sender: str, refused: str = ""
) -> ResponseReturnValue:
    plan = plan_import(work.session, sent, choice)
    counts = {state: plan.count(state) for state in RowState}
    shown = read_text(request.args, "show", 12)
    if shown not in _SHOWN:
        order = [*(["problems"] if plan.problems else []), *(state.value for state in RowState if counts[state])]
        shown = order[0] if order else "problems"
    rows = plan.problems if shown == "problems" else [one for one in plan.plans if one.state.value == shown]
    page, pages = place_of_page(len(rows), read_page(request.args), _SIZE)
    return render_template(
        "importing/preview.html",
        waiting=waiting,
        sent=sent,
        plan=plan,
        counts=counts,
        shown=shown,
        rows=rows[(page - 1) * _SIZE : page * _SIZE],
        page=page,
        pages=pages,
        sender=sender,
        senders=list_senders(work.session),
        refused=refused,
        form=PageForm(formdata=None),
    ), 422 if refused else 200


@blueprint.route("/waiting/<token>/columns", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def columns(token: str) -> ResponseReturnValue:
    """Which column is which, what the sender's words mean, whether days name the month first."""
    work, form = current_work(), PageForm()
    waiting, sent = open_waiting(work, token)
    choice, sender, _ = choice_of(work, waiting, sent)
    errors: Mapping[str, str] = {}
    if form.is_submitted():
        said_head = request.form.get("head", "").strip()
        if said_head.isascii() and said_head.isdecimal() and len(said_head) < 6 and int(said_head) != sent.table.head:
            # Another head makes other columns: what was chosen for the ones before says nothing of them.
            kept = {name: waiting.notes.get(name) for name in ("kind", "about")}
            note_upload(work, PURPOSE, token, {**kept, "head": int(said_head)})
            return redirect(url_for("imports.columns", token=token), 303)
        try:
            choice, sender = _said(sent, request.form), read_text(request.form, "sender")
            questions = ask_questions(work.session, sent, choice)
            asked = request.form.get("asked", "") == _mark(questions)
            if questions.missing:
                raise BitternError("columns", f"Say which column has: {', '.join(questions.missing)}.")
            first_day = request.form.get("first_day", "")
            if first_day and _day(first_day) is None:
                raise BitternError("first_day", "Write the first day as 2026-01-31.")
            notes = {**waiting.notes, "choice": choice.to_json(), "sender": sender, "first_day": first_day}
            if not questions.asks_day_order and (asked or not questions.words):
                note_upload(work, PURPOSE, token, notes)
                return redirect(url_for("imports.show", token=token), 303)
        except BitternError as error:
            errors = refusals(error)
    wanted = sent.kind.columns_for(sent.about_id)
    questions = ask_questions(work.session, sent, choice)
    chosen = {place: name for name, place in choice.columns.items()}
    return render_template(
        "importing/columns.html",
        form=form,
        waiting=waiting,
        sent=sent,
        wanted={one.name: f"{one.words} (needed)" if one.is_needed else one.words for one in wanted},
        chosen=chosen,
        choice=choice,
        questions=questions,
        mark=_mark(questions),
        options={
            column.name: options_of(work.session, column) for column in wanted if column.name in questions.words
        },
        labels={column.name: column.words for column in wanted},
        sender=sender,
        senders=list_senders(work.session),
        errors=errors,
    ), 422 if errors else 200


def _mark(questions: TableQuestions) -> str:
    """What words the page asked about, so that those that were left alone are known to have been seen."""
    return ",".join(sorted(questions.words))


def _said(sent: SentTable, boxes: Mapping[str, str]) -> TableChoice:
    """What the boxes of the page of columns say. BitternError on `columns` where two are the same."""
    wanted = {column.name: column for column in sent.kind.columns_for(sent.about_id)}
    found: dict[str, int] = {}
    for column in sent.table.columns:
        name = boxes.get(f"column-{column.place}", "")
        if name in found:
            raise BitternError("columns", f"{wanted[name].words} is chosen for two columns: leave one of them out.")
        if name in wanted:
            found[name] = column.place
    words: dict[str, dict[str, str]] = {}
    for name, place in found.items():
        if wanted[name].cell in (CellKind.CHOICE, CellKind.YES_NO):
            cells = dict.fromkeys(filter(None, sent.table.cells(place)))
            said = {cell: boxes[box] for cell in cells if (box := f"word-{name}-{cell}") in boxes}
            words[name] = {cell: "" if ours == "-" else ours for cell, ours in said.items() if ours}
    order = boxes.get("day_order", "")
    return TableChoice(
        found, {name: said for name, said in words.items() if said}, order if order in DAY_ORDERS else ""
    )


@blueprint.post("/waiting/<token>/save")
@roles(Role.COUNTER, Role.BENCH)
def save(token: str) -> ResponseReturnValue:
    """Save what was shown."""
    work, form = current_work(), PageForm()
    waiting, sent = open_waiting(work, token)
    choice, sender, _ = choice_of(work, waiting, sent)
    if not form.validate_on_submit():
        return _preview(work, waiting, sent, choice, sender, "This page is too old; look again.")
    sender = read_text(request.form, "sender") or sender
    seal, leaves_aside = request.form.get("seal", ""), request.form.get("aside") == "yes"

    def deed(own: Work, tell: Progress) -> Saved:
        row = save_import(own, sent, choice, seal, sender, leaves_problems_aside=leaves_aside, progress=tell)
        said = f"{sent.kind.words} saved: {row.new:,} new, {row.changed:,} changed."
        return Saved(row.id, sent.about_id, said)

    run = begin_saving(work, waiting, deed)
    if not run.awaited():
        return redirect(url_for("imports.saving", token=token), 303)
    try:
        return saved(token, run)
    except Problems as error:
        return _preview(
            work, waiting, sent, choice, sender, f"{counted(len(error.problems), 'problem')} stand in it."
        )


class Saved(NamedTuple):
    """What came of a table: its import, what that is all about, and the words that tell of it."""

    import_id: int
    about_id: int | None
    words: str


def begin_saving(work: Work, waiting: StagedUpload, deed: Callable[[Work, Progress], Saved]) -> Run:
    """Begin to save a table, once: a second press finds what the first one does, or has done."""
    token = f"save {waiting.token}"
    before = known_run(token)
    if before is not None and before.state == "finished" and before.user_id == work.actor.user_id:
        return before
    return start_run(token, SAVING, waiting.name, work, deed, waiting.notes.get("kind", ""))


def saved(token: str, run: Run) -> ResponseReturnValue:
    """On to what a run has saved; raises what it was refused with."""
    done: Saved = run.result()
    drop_upload(token)
    return flash_and_redirect(done.words, "imports.one", import_id=done.import_id, about=done.about_id)


@blueprint.get("/waiting/<token>/saving")
@roles(Role.COUNTER, Role.BENCH)
def saving(token: str) -> ResponseReturnValue:
    """How far the saving of a large table is, or what came of it."""
    work = current_work()
    run = find_run(f"save {token}", [SAVING], work)
    _kind(work, str(run.mark))
    if run.state == "finished":
        return look_anew() if wants_fragment() else saved(token, run)
    again, back = url_for("imports.saving", token=token), url_for("imports.show", token=token)
    return show_run(run, "_run.html", again, back, run.name, mend="Look at it again")


@blueprint.get("/waiting/<token>/aside.<any(csv, xlsx):kind>")
@roles(Role.COUNTER, Role.BENCH)
def aside(token: str, kind: str) -> ResponseReturnValue:
    """The rows with problems as they were sent, each with what is wrong, to be corrected and sent again."""
    work = current_work()
    waiting, sent = open_waiting(work, token)
    plan = plan_import(work.session, sent, choice_of(work, waiting, sent)[0])
    return send_table(kind, "rows-to-correct", "To correct", _aside_rows(sent, plan))


def _aside_rows(sent: SentTable, plan: ImportPlan) -> Iterator[list[str]]:
    yield [*(column.heading or column.letter for column in sent.table.columns), "what to fix"]
    wrong: dict[int, list[str]] = {}
    for problem in plan.problems:
        wrong.setdefault(problem.row, []).append(f"{problem.place}: {problem.message}")
    for number, cells in sent.table.rows:
        if number in wrong:
            yield [*(cells[column.place] for column in sent.table.columns), "; ".join(wrong[number])]


@blueprint.get("/<int:import_id>")
@roles(Role.COUNTER, Role.BENCH)
def one(import_id: int) -> ResponseReturnValue:
    """A table that came in, and whether it can be undone."""
    return _one(import_id)


def _one(import_id: int, refused: Any = None) -> ResponseReturnValue:
    work = current_work()
    row = get_import(work, import_id)
    return render_template(
        "importing/import.html",
        row=row,
        about=_about(work, row.kind, read_id(request.args, "about")),
        kind=_kind(work, row.kind),
        leans=leaning_on(work.session, row),
    ), 422 if refused else 200


@blueprint.post("/<int:import_id>/undo")
@roles(Role.COUNTER, Role.BENCH)
def undo(import_id: int) -> ResponseReturnValue:
    """Take an import back."""
    work, form = current_work(), PageForm()
    row, version = get_import(work, import_id), record_id(request.form.get("version"))

    def deed(own: Work, tell: Progress) -> Any:
        return undo_import(own, import_id, version, progress=tell)

    begun = form.run(lambda: start_run(f"undo {import_id}", UNDOING, row.file_name, work, deed, row.kind))
    if begun is not None and not begun.value.awaited():
        return redirect(url_for("imports.undoing", import_id=import_id), 303)
    if begun is None or form.run(begun.value.result) is None:
        return _one(import_id, refused=True)
    return _undone(import_id)


@blueprint.get("/<int:import_id>/undoing")
@roles(Role.COUNTER, Role.BENCH)
def undoing(import_id: int) -> ResponseReturnValue:
    """How far the undoing of a large table is, or what came of it."""
    work = current_work()
    run = find_run(f"undo {import_id}", [UNDOING], work)
    _kind(work, str(run.mark))
    if run.state == "finished":
        return look_anew() if wants_fragment() else _undone(import_id)
    again, back = url_for("imports.undoing", import_id=import_id), url_for("imports.one", import_id=import_id)
    return show_run(run, "_run.html", again, back, run.name, mend="Look at it again", place="in undoing it")


def _undone(import_id: int) -> ResponseReturnValue:
    return flash_and_redirect(
        "The import is undone: everything stands as before.", "imports.one", import_id=import_id
    )
