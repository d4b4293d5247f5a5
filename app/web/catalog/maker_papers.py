"""The makers' papers: the owner adds PDFs, everybody finds a word or a number in them and opens that page."""

from typing import Any

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.errors import BitternError
from app.ledger.care.place import files_folder
from app.ledger.catalog.maker_papers import (
    PaperForm,
    add_paper,
    change_paper,
    delete_paper,
    find_pages,
    get_page,
    get_paper,
    note_page,
    notes_at,
    page_picture,
    papers_of,
    remove_note,
)
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.store.kept_files import read_kept
from app.ledger.store.work import Progress
from app.ledger.tables import MakerPaper, PageNote, PageTopic, Role
from app.web.access import owner_only, roles
from app.web.background import find_run, show_run, start_run
from app.web.fields import DayField
from app.web.files import PDF, send
from app.web.forms_base import FilePage, PageForm, SavedForm, flash_and_redirect, record_id, text
from app.web.query_args import read_text
from app.web.services import current_work, request_session, the_config
from app.web.staged_uploads import drop_upload, stage_upload

blueprint = Blueprint("maker_papers", __name__, url_prefix="/makers")
PNG = "image/png"
TOPICS = [SelectChoice(one.value, f"a {one.value}") for one in PageTopic]


class NewPaperForm(FilePage):
    """A PDF, with what it is called."""

    title = text(
        "Title", MakerPaper.title, hint="“Catalog”, “Cylinder manual”, “Key blanks”.", needed="Enter a title."
    )
    edition = text("Edition", MakerPaper.edition, hint="As the maker calls it, where it has one.")
    dated = DayField("Holds from", description="The newest stands first.")


class ChangedPaperForm(SavedForm):
    """What a paper is called."""

    title = text("Title", MakerPaper.title, needed="Enter a title.")
    edition = text("Edition", MakerPaper.edition)
    dated = DayField("Holds from")


class PageNoteForm(PageForm):
    """What a page tells about."""

    topic = SelectField("This page is where we know", choices=TOPICS)
    name = text("Its name or number", PageNote.name, needed="Enter its name, as the maker's page here has it.")


def _folder() -> Any:
    return files_folder(the_config())


@blueprint.get("/papers")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The papers of a maker or of all, or the pages that hold what was typed."""
    session, asked = request_session(), read_text(request.args)
    maker_id = record_id(request.args.get("maker")) or None
    return render_template(
        "catalog/maker_papers.html",
        text=asked,
        maker=get_maker(session, maker_id) if maker_id else None,
        found=find_pages(session, asked, maker_id),
        papers=papers_of(session, maker_id),
    )


@blueprint.route("/<int:maker_id>/papers/new", methods=["GET", "POST"])
@owner_only
def new(maker_id: int) -> ResponseReturnValue:
    """Take a PDF and begin to read it."""
    work, form = current_work(), NewPaperForm()
    maker = get_maker(work.session, maker_id)

    def begin() -> str:
        waiting = stage_upload(work, _purpose(maker_id), form.file.data)
        if not waiting.content.startswith(b"%PDF-"):
            drop_upload(waiting.token)
            raise BitternError("file", "This is no PDF. Save the paper as one and send that.")
        paper, folder = form.into(PaperForm), _folder()
        start_run(
            waiting.token,
            _purpose(maker_id),
            waiting.name,
            work,
            lambda own, tell: _add(own, folder, maker_id, waiting.token, waiting.name, waiting.content, paper, tell),
        )
        return waiting.token

    if done := form.run(begin):
        return redirect(url_for("maker_papers.progress", maker_id=maker_id, token=done.value), 303)
    return render_template("catalog/new_maker_paper.html", form=form, maker=maker), form.status


def _add(
    own: Any, folder: Any, maker_id: int, token: str, name: str, content: bytes, paper: PaperForm, tell: Progress
) -> tuple[int, int, int]:
    """The paper's id, its pages, and how many of them have text."""
    made = add_paper(own, folder, maker_id, name, content, paper, tell)
    return made.id, made.pages, made.text_pages


def _purpose(maker_id: int) -> str:
    return f"paper of maker {maker_id}"


@blueprint.get("/<int:maker_id>/papers/new/<token>")
@owner_only
def progress(maker_id: int, token: str) -> ResponseReturnValue:
    """How far the paper is, or what is wrong with it."""
    run = find_run(token, [_purpose(maker_id)], current_work())
    if run.state == "finished":
        drop_upload(token)
    maker = get_maker(request_session(), maker_id)
    again = url_for("maker_papers.progress", maker_id=maker_id, token=token)
    back, title = url_for("maker_papers.new", maker_id=maker_id), f"{maker.name}: {run.name}"
    return show_run(run, "catalog/_maker_paper_run.html", again, back, title, mend="Send another", maker=maker)


@blueprint.get("/papers/<int:paper_id>/pages/<int:page_number>")
@roles(Role.COUNTER, Role.BENCH)
def page(paper_id: int, page_number: int) -> ResponseReturnValue:
    """One page: its picture, its text, what was noted at it, and the pages beside it."""
    return _page(paper_id, page_number, PageNoteForm(formdata=None))


def _page(paper_id: int, page_number: int, form: PageNoteForm) -> ResponseReturnValue:
    session = request_session()
    shown = get_page(session, paper_id, page_number)
    return render_template(
        "catalog/maker_paper_page.html",
        page=shown,
        paper=shown.paper,
        text=read_text(request.args),
        notes=notes_at(session, shown.id),
        form=form,
    ), form.status


@blueprint.get("/papers/<int:paper_id>/pages/<int:page_number>/picture.png")
@roles(Role.COUNTER, Role.BENCH)
def picture(paper_id: int, page_number: int) -> ResponseReturnValue:
    """A page as a picture, with what was searched marked."""
    shown = get_page(request_session(), paper_id, page_number)
    return send(page_picture(_folder(), shown, read_text(request.args)), f"page-{page_number}.png", PNG)


@blueprint.get("/papers/<int:paper_id>/paper.pdf")
@roles(Role.COUNTER, Role.BENCH)
def pdf(paper_id: int) -> ResponseReturnValue:
    """The whole paper."""
    return send(read_kept(_folder(), get_paper(request_session(), paper_id)), f"paper-{paper_id}.pdf", PDF)


@blueprint.post("/papers/<int:paper_id>/pages/<int:page_number>/notes")
@owner_only
def note(paper_id: int, page_number: int) -> ResponseReturnValue:
    """Note that this page is where something is known from."""
    form, work = PageNoteForm(), current_work()
    if form.run(lambda: note_page(work, paper_id, page_number, PageTopic(form.topic.data), str(form.name.data))):
        return flash_and_redirect("Noted.", "maker_papers.page", paper_id=paper_id, page_number=page_number)
    return _page(paper_id, page_number, form)


@blueprint.post("/papers/notes/<int:note_id>/remove")
@owner_only
def remove(note_id: int) -> ResponseReturnValue:
    """Take back what was noted at a page."""
    gone = remove_note(current_work(), note_id)
    at = gone.page
    return flash_and_redirect("Removed.", "maker_papers.page", paper_id=at.paper_id, page_number=at.number)


@blueprint.route("/papers/<int:paper_id>/change", methods=["GET", "POST"])
@owner_only
def change(paper_id: int) -> ResponseReturnValue:
    """Give a paper another title, edition or day."""
    work = current_work()
    paper = get_paper(work.session, paper_id)
    form = ChangedPaperForm(obj=paper)
    if form.run(lambda: change_paper(work, paper_id, form.version_read, form.into(PaperForm))):
        return flash_and_redirect("Saved.", "maker_papers.index", maker=paper.maker_id)
    return render_template("catalog/change_maker_paper.html", form=form, paper=paper), form.status


@blueprint.post("/papers/<int:paper_id>/delete")
@owner_only
def delete(paper_id: int) -> ResponseReturnValue:
    """Delete a paper."""
    work = current_work()
    maker_id = delete_paper(work, _folder(), paper_id, record_id(request.form.get("version")))
    return flash_and_redirect("The paper is deleted.", "maker_papers.index", maker=maker_id)
