"""The pages of bitting specs: the list, one spec with its drawing, entering, loading and changing."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from flask import flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField, FileRequired
from werkzeug.datastructures import MultiDict
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.errors import BitternError
from app.keying import BittingSpec, count_bittings, root_depth, theoretical, usable
from app.ledger.catalog.chart_file import even_roots, read_chart
from app.ledger.catalog.specs import add_spec, change_spec, get_spec, list_specs, read_spec, use_of
from app.ledger.store.events import events_of
from app.ledger.tables import Role
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import WholeField
from app.web.forms_base import PageForm, SavedForm, text, typed
from app.web.keying import blueprint
from app.web.keying.chart import draw_chart, inches_text, millimeters_text
from app.web.keying.fields import InchField, attach_plain, file_problems, read_upload
from app.web.services import current_work, request_session


def _needed(words: str) -> list[Any]:
    return [InputRequired(words)]


class SpecPage(SavedForm):
    """What a chart says. The names are the spec's own."""

    name = text(
        "Name", 80, hint="Maker and keyway family, as the bench says it.", needed="Enter a name for the spec."
    )
    chambers = WholeField("Chambers", _needed("Enter how many chambers."), least=3, most=12, description="3 to 12.")
    depths = WholeField("Depths", _needed("Enter how many depths."), least=2, most=16, description="2 to 16.")
    first_depth = WholeField(
        "First depth",
        _needed("Enter 0 or 1, as the chart has it."),
        least=0,
        most=15,
        description="0 or 1, mostly.",
    )
    macs = WholeField(
        "MACS", _needed("Enter the MACS."), least=0, most=99, description="Most that adjacent cuts may differ."
    )
    step = SelectField(
        "Step of progression",
        choices=[SelectChoice("1", "single step"), SelectChoice("2", "two-step")],
        description="Two-step where the increment is about .015 in, single where .023 in.",
    )
    depth0_in = InchField("Root depth of the shallowest cut", description="Inches from the blade's back to the cut.")
    increment_in = InchField("Increment", description="Inches from depth to depth.")
    first_cut_in = InchField("First cut", description="Inches, shoulder or tip stop to the middle of cut 1.")
    spacing_in = InchField("Spacing", description="Inches from cut to cut.")
    root_depths = text(
        "All root depths",
        400,
        hint="As printed, shallowest first: checked for even steps. May stand in place of the two above.",
    )
    stack_total = WholeField("Stack total", least=0, most=99, description="A balanced stack, in increments.")
    control_offset = WholeField(
        "Control offset", least=0, most=99, description="Between the two shear lines of an IC, in increments."
    )
    min_master_pin = WholeField("Least master pin", least=0, most=15, description="The thinnest, in increments.")

    def fill(self, spec: BittingSpec) -> None:
        """Show a spec that is on record."""
        for field in self:
            if hasattr(spec, field.name):
                field.data = getattr(spec, field.name)
        self.step.data = str(spec.step)

    def read(self) -> BittingSpec:
        """The spec; BitternError names a field of the page, with or without `spec.` before it."""
        roots: dict[str, Fraction | None] = {
            "depth0_in": self.depth0_in.data,
            "increment_in": self.increment_in.data,
        }
        if typed(self.root_depths):
            roots.update(even_roots({**roots, "depths": self.depths.data}, typed(self.root_depths)))
        return self.into(BittingSpec, step=int(self.step.data), **roots)


class ChartFilePage(PageForm):
    """A chart that somebody typed into a file."""

    file = FileField(
        "Chart file",
        [FileRequired("Choose a .json, .csv or .xlsx file.")],
        description="A field and its value a row: chambers, depths, macs … Nothing is saved before you press Save.",
    )


@blueprint.get("/specs")
@roles(Role.BENCH)
def specs() -> ResponseReturnValue:
    """Every bitting spec on record."""
    rows = [(use, use.spec, usable(use.spec)) for use in list_specs(request_session())]
    return render_template("keying/specs.html", rows=rows)


@blueprint.get("/specs/<int:spec_id>")
@roles(Role.BENCH)
def spec(spec_id: int) -> ResponseReturnValue:
    """One spec: its numbers, its drawing, what it holds and what is keyed by it."""
    session = request_session()
    row = get_spec(session, spec_id)
    found = read_spec(row)
    keyways, systems = use_of(session, row)
    return render_template(
        "keying/spec.html",
        row=row,
        keyways=keyways,
        systems=systems,
        events=events_of(session, f"bitting spec {spec_id}"),
        facts=_facts(found),
    )


@blueprint.route("/specs/new", methods=["GET", "POST"])
@owner_only
def new_spec() -> ResponseReturnValue:
    """Enter a spec off a chart."""
    form = SpecPage()
    if not form.is_submitted():
        form.step.data, form.first_depth.data = "2", 0
    if form.validate_on_submit():
        try:
            row = add_spec(current_work(), form.read())
        except BitternError as error:
            attach_plain(form, error)
        else:
            flash(f"{row.name} is saved. Compare the drawing with the paper.")
            return redirect(url_for("keying.spec", spec_id=row.id), 303)
    return _form_page(form, ChartFilePage(), 422 if form.is_submitted() else 200)


@blueprint.route("/specs/load", methods=["POST"])
@owner_only
def load_chart() -> ResponseReturnValue:
    """Fill the form from a file; nothing is saved until the form is."""
    upload = ChartFilePage()
    if upload.validate_on_submit():
        try:
            given = read_chart(*read_upload(upload.file))
        except BitternError as error:
            upload.file.errors = [f"{p.field}: {p.message}" for p in file_problems(error)]
        else:
            form = SpecPage(formdata=MultiDict({"first_depth": "0", "step": "1", **given}))
            form.validate()
            flash(f"Read from the file: {len(given)} fields. Nothing is saved yet: compare, then save.")
            return _form_page(form, ChartFilePage(formdata=None), 200)
    form = SpecPage(formdata=None)
    form.step.data = "2"
    return _form_page(form, upload, 422)


@blueprint.route("/specs/<int:spec_id>/change", methods=["GET", "POST"])
@owner_only
def edit_spec(spec_id: int) -> ResponseReturnValue:
    """Change a spec."""
    row = get_spec(request_session(), spec_id)
    form = SpecPage(data={"version": row.version})
    about(f"bitting spec {spec_id}", form)
    if not form.is_submitted():
        form.fill(read_spec(row))
    if form.validate_on_submit():
        try:
            saved = change_spec(current_work(), spec_id, form.version_read, form.read())
        except BitternError as error:
            attach_plain(form, error)
        else:
            flash(f"{saved.name} is saved.")
            return redirect(url_for("keying.spec", spec_id=spec_id), 303)
    return _form_page(form, None, 422 if form.is_submitted() else 200, row.name, spec_id)


def _form_page(
    form: SpecPage, upload: ChartFilePage | None, status: int, name: str = "", spec_id: int | None = None
) -> ResponseReturnValue:
    drawing = None
    try:
        drawing = _facts(form.read())
    except (BitternError, TypeError, ValueError):  # not yet a whole spec: nothing to draw
        drawing = None
    page = render_template(
        "keying/edit_spec.html", form=form, upload=upload, facts=drawing, name=name, spec_id=spec_id
    )
    return page, status


def _facts(spec: BittingSpec) -> dict[str, object]:
    """What the page tells of a spec besides what was entered."""
    has_roots = spec.depth0_in is not None and spec.increment_in is not None
    return {
        "spec": spec,
        "chart": draw_chart(spec),
        "theoretical": theoretical(spec),
        "usable": usable(spec),
        "shorter": [
            (chambers, spec.depths**chambers, count_bittings(chambers, spec.depths, spec.macs))
            for chambers in range(max(3, spec.chambers - 2), spec.chambers)
        ],
        "increment": f"{inches_text(spec.increment_in)} in" if spec.increment_in is not None else "",
        "roots": [(f"{d:X}", *_both(root_depth(spec, d))) for d in spec.all_depths] if has_roots else [],
        "places": _places(spec),
        "cautions": _cautions(spec),
    }


def _both(inches: Fraction) -> tuple[str, str]:
    return inches_text(inches), millimeters_text(inches)


def _places(spec: BittingSpec) -> list[tuple[int, str, str]]:
    if spec.first_cut_in is None or spec.spacing_in is None:
        return []
    return [(n + 1, *_both(spec.first_cut_in + n * spec.spacing_in)) for n in range(spec.chambers)]


def _cautions(spec: BittingSpec) -> list[str]:
    found = []
    increment = spec.increment_in
    # ALOA Keynotes, July 2017: two-step at about .015 in, single step at about .023 in and more.
    if increment is not None and spec.step == 1 and increment * 1000 < 19:
        found.append("The increment is small for single steps: neighboring depths may interchange when worn.")
    if increment is not None and spec.step == 2 and increment * 1000 > 19:
        found.append("The increment is large enough for single steps: two-step progression gives many bittings away.")
    if spec.min_master_pin is not None and spec.min_master_pin > spec.step:
        found.append("The least master pin is thicker than a step: some changes could not be pinned under a master.")
    if spec.macs >= spec.depths - 1:
        found.append("This MACS binds nothing: every pair of neighboring cuts obeys it.")
    return found
