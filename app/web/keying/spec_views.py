"""The pages of bitting specs: the list, one spec with its drawing, entering, loading and changing."""

from __future__ import annotations

from fractions import Fraction

from flask import flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import MultiDict

from app.errors import BitternError
from app.keying import BittingSpec, count_bittings, root_depth, theoretical, usable
from app.ledger.catalog.chart_file import read_chart
from app.ledger.catalog.specs import add_spec, change_spec, get_spec, list_specs, read_spec, use_of
from app.ledger.store.event_queries import events_of
from app.ledger.tables import Role
from app.web.access import roles
from app.web.errors import about
from app.web.keying.blueprint import blueprint
from app.web.keying.chart import draw_chart
from app.web.keying.decimals import inches_text, millimetres_text
from app.web.keying.refusals import attach_plain, file_problems
from app.web.keying.spec_forms import ChartFilePage, SpecPage
from app.web.keying.uploads import read_upload
from app.web.services import current_work, request_session


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
@roles()
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
            flash(f"{row.name} is on record. Compare the drawing with the paper.")
            return redirect(url_for("keying.spec", spec_id=row.id), 303)
    return _form_page(form, ChartFilePage(), 422 if form.is_submitted() else 200)


@blueprint.route("/specs/load", methods=["POST"])
@roles()
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
@roles()
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
    return inches_text(inches), millimetres_text(inches)


def _places(spec: BittingSpec) -> list[tuple[int, str, str]]:
    if spec.first_cut_in is None or spec.spacing_in is None:
        return []
    return [(n + 1, *_both(spec.first_cut_in + n * spec.spacing_in)) for n in range(spec.chambers)]


def _cautions(spec: BittingSpec) -> list[str]:
    found = []
    increment = spec.increment_in
    # ALOA Keynotes, July 2017: two-step at about .015 in, single step at about .023 in and more.
    if increment is not None and spec.step == 1 and increment * 1000 < 19:
        found.append("The increment is small for single steps: neighbouring depths may interchange when worn.")
    if increment is not None and spec.step == 2 and increment * 1000 > 19:
        found.append("The increment is large enough for single steps: two-step progression gives many bittings away.")
    if spec.min_master_pin is not None and spec.min_master_pin > spec.step:
        found.append("The least master pin is thicker than a step: some changes could not be pinned under a master.")
    if spec.macs >= spec.depths - 1:
        found.append("This MACS binds nothing: every pair of neighbouring cuts obeys it.")
    return found
