"""Pictures of a maker's keyways, cams, key blanks and locks: put beside their names, seen by everybody."""

from flask import Blueprint, Response, render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.errors import BitternError
from app.ledger.catalog.maker_pictures import get_picture, pictures_of, put_picture, remove_picture
from app.ledger.catalog.maker_queries import get_maker, tables_on_record
from app.ledger.tables import PageTopic, Role
from app.web.access import owner_only, roles
from app.web.forms_base import FilePage, flash_and_redirect, typed
from app.web.services import current_work, request_session

blueprint = Blueprint("maker_pictures", __name__, url_prefix="/makers")
_TABLES = {"keyways": "name", "cams": "name", "key_blanks": "number", "locks": "name"}
_TOPICS = dict(zip(_TABLES, (PageTopic.KEYWAY, PageTopic.CAM, PageTopic.BLANK, PageTopic.LOCK), strict=True))


class PictureForm(FilePage):
    """A picture, and what of the maker's it shows."""

    shows = SelectField("It shows", validate_choice=False)


@blueprint.route("/<int:maker_id>/pictures", methods=["GET", "POST"])
@owner_only
def index(maker_id: int) -> ResponseReturnValue:
    """A maker's pictures, and one more."""
    work, form = current_work(), PictureForm()
    maker = get_maker(work.session, maker_id)
    tables = tables_on_record(work.session, maker)
    named = [
        (f"{_TOPICS[table].value} {row[column]}", _TOPICS[table], str(row[column]))
        for table, column in _TABLES.items()
        for row in tables.get(table, [])
    ]
    form.shows.choices = [SelectChoice(words, words) for words, _, _ in named]

    def put() -> str:
        what = next(((topic, name) for words, topic, name in named if words == typed(form.shows)), None)
        if what is None:
            raise BitternError("shows", "Choose what the picture shows.")
        if form.file.data is None or not form.file.data.filename:
            raise BitternError("file", "Choose a picture first.")
        return put_picture(work, maker_id, *what, form.file.data.read()).name

    if done := form.run(put):
        return flash_and_redirect(f"The picture of {done.value} is saved.", "maker_pictures.index", maker_id=maker_id)
    return render_template(
        "catalog/maker_pictures.html",
        form=form,
        maker=maker,
        pictures=pictures_of(work.session, maker_id),
        missing=len(named),
    ), form.status


@blueprint.get("/pictures/<int:picture_id>.jpg")
@roles(Role.COUNTER, Role.BENCH)
def picture(picture_id: int) -> ResponseReturnValue:
    """One picture."""
    return Response(get_picture(request_session(), picture_id).jpeg, mimetype="image/jpeg")


@blueprint.post("/pictures/<int:picture_id>/delete")
@owner_only
def delete(picture_id: int) -> ResponseReturnValue:
    """Delete one."""
    maker_id = remove_picture(current_work(), picture_id)
    return flash_and_redirect("The picture is deleted.", "maker_pictures.index", maker_id=maker_id)
