"""The pages of bitting specs: the list, one spec with its drawing, entering, loading and changing."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

from flask import flash, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField, FileRequired
from werkzeug.datastructures import MultiDict
from wtforms import BooleanField, SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError
from app.keying import (
    USUAL_TOLERANCE,
    BittingRules,
    BittingSpec,
    KeyStop,
    PinKit,
    check_rules,
    count_bittings,
    inches_text,
    millimeters_text,
    read_kit_sizes,
    root_depth,
    rule_costs,
    theoretical,
    usable,
    write_kit_sizes,
)
from app.ledger.catalog.maker_papers import noted_pages
from app.ledger.catalog.specs import (
    MOST_WHY,
    USUAL_BOUNDS,
    USUAL_RULES,
    add_spec,
    even_roots,
    get_spec,
    list_specs,
    read_chart,
    read_spec,
    standing_on,
    use_of,
)
from app.ledger.keysystems.bittings import change_spec
from app.ledger.store.events import events_of
from app.ledger.tables import PageTopic, Role
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import TextField, WholeField
from app.web.files import read_upload
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, text, typed
from app.web.keying import blueprint
from app.web.keying.forms import InchField, KeyingForm, file_problems
from app.web.services import current_work, request_session


def _needed(words: str) -> list[Any]:
    return [InputRequired(words)]


_KIT_HINT = "Inches: 0.150 to 0.300 by 0.005, 0.320. Empty: not compared."


class KitField(TextField):
    """The sizes of a kit, exact inches."""

    def read(self, text: str) -> Any:
        return read_kit_sizes(text)

    def show(self, value: Any) -> str:
        return write_kit_sizes(value)


class SpecPage(KeyingForm, SavedForm):
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
        choices={"1": "single step", "2": "two-step"},
        description="Two-step where the increment is about .015 in, single where .023 in.",
    )
    stop = SelectField(
        "The key stops at",
        choices={"shoulder": "the shoulder", "tip": "the tip"},
        description="Small-format keys at the tip, most others at the shoulder. Cuts are counted from there.",
    )
    depth0_in = InchField("Root depth of the shallowest cut", description="Inches from the blade's back to the cut.")
    increment_in = InchField("Increment", description="Inches from depth to depth.")
    first_cut_in = InchField("First cut", description="Inches, from where the key stops to the middle of cut 1.")
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
    ball = WholeField(
        "Construction ball",
        least=1,
        most=15,
        description="The one size that the maker has, in increments. Empty: any.",
    )
    most_master_pins = WholeField(
        "Master pins in a chamber, at most",
        least=1,
        most=15,
        description="Above it is warned. 2 as a rule. Empty: off.",
    )
    share_one_in = WholeField(
        "At most one in … of all bittings",
        least=2,
        most=10**9,
        description="May turn a cylinder; above that share it is warned. 200 is proposed. Empty: off.",
    )
    bottom0_in = InchField("Shallowest bottom pin", description="Inches, of the shallowest cut's bottom pin.")
    bottoms_in = KitField("Kit: bottom pins", description=_KIT_HINT)
    masters_in = KitField("Kit: master pins and build-ups", description=_KIT_HINT)
    tops_in = KitField("Kit: top pins", description=_KIT_HINT)
    tolerance_in = InchField("Off by, at most", description="Inches; beyond it is warned. Empty: 0.002.")
    least_depths = WholeField("Different depths, at least", least=1, most=16, description="3 as a rule. Empty: off.")
    most_equal_neighbors = WholeField(
        "Equal cuts side by side, at most", least=1, most=12, description="2 as a rule. Empty: off."
    )
    least_span = WholeField(
        "Deepest less shallowest, at least", least=0, most=15, description="3 as a rule, in increments. Empty: off."
    )
    no_stairs = BooleanField("No plain stairs", description="Down, or up, by one and the same step.")
    no_uncut = BooleanField("No key all but uncut", description="A cut is deeper than the first depth and one.")
    least_apart = WholeField(
        "Chambers apart, at least",
        least=1,
        most=12,
        description="A key from every master, a control key from every key, where the array allows. 2 as a rule.",
    )

    why = text("Why they change", MOST_WHY, hint="Such as: the chart was typed wrong, no key was cut by it.")

    def box(self, field: str) -> str:
        """A rule's box is named as the rule, a kit's as the kit's field."""
        return super().box(field.removeprefix("rules.").removeprefix("kit."))

    def fill(self, spec: BittingSpec) -> None:
        """Show a spec that is on record."""
        for field in self:
            if hasattr(spec, field.name):
                field.data = getattr(spec, field.name)
        self.step.data = str(spec.step)
        for part in (spec.rules, spec.kit):
            for name in part.__dataclass_fields__:
                self[name].data = getattr(part, name)

    def propose_usual(self) -> None:
        """Show the trade's usual rules and bounds."""
        for name in BittingRules.__dataclass_fields__:
            self[name].data = getattr(USUAL_RULES, name)
        for name, usual in USUAL_BOUNDS.items():
            self[name].data = usual

    def look(self) -> int:
        """Check what was typed without saving it; the status of the page."""
        return 200 if self.run(lambda: check_rules(self.read())) else 422

    def read(self) -> BittingSpec:
        """The spec; BitternError names a field of the page, with or without `spec.` before it."""
        roots: dict[str, Fraction | None] = {
            "depth0_in": self.depth0_in.data,
            "increment_in": self.increment_in.data,
        }
        if typed(self.root_depths):
            roots.update(even_roots({**roots, "depths": self.depths.data}, typed(self.root_depths)))
        if self.step.data not in ("1", "2"):
            raise BitternError("step", "Choose single step or two-step.")
        kit = self.into(
            PinKit,
            **{name: self[name].data or () for name in ("bottoms_in", "masters_in", "tops_in")},
            tolerance_in=self.tolerance_in.data or USUAL_TOLERANCE,
        )
        return self.into(
            BittingSpec,
            step=int(self.step.data),
            rules=self.into(BittingRules),
            kit=kit,
            **roots,
        )


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
        told_at=noted_pages(session, None, [PageTopic.SPEC]).get((PageTopic.SPEC, row.name), ()),
    )


@blueprint.route("/specs/new", methods=["GET", "POST"])
@owner_only
def new_spec() -> ResponseReturnValue:
    """Enter a spec off a chart."""
    form = SpecPage()
    if not form.is_submitted():
        form.step.data, form.first_depth.data = "2", 0
        form.propose_usual()
    if asks_for_counts():
        return _form_page(form, ChartFilePage(formdata=None), form.look())
    if done := form.run(lambda: add_spec(current_work(), form.read())):
        said = f"{done.value.name} is saved. Compare the drawing with the paper."
        return flash_and_redirect(said, "keying.spec", spec_id=done.value.id)
    return _form_page(form, ChartFilePage(), form.status)


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
            usual = {name: str(value) for name, value in {**USUAL_RULES.to_json(), **USUAL_BOUNDS}.items()}
            start = {"first_depth": "0", "step": "1", "stop": KeyStop.SHOULDER}
            form = SpecPage(formdata=MultiDict({**start, **usual, **given}))
            form.validate()
            flash(f"Read from the file: {len(given)} fields. Nothing is saved yet: compare, then save.")
            return _form_page(form, ChartFilePage(formdata=None), 200)
    form = SpecPage(formdata=None)
    form.step.data = "2"
    form.propose_usual()
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
    if asks_for_counts():
        return _form_page(form, None, form.look(), row.name, spec_id)
    if done := form.run(
        lambda: change_spec(current_work(), spec_id, form.version_read, form.read(), typed(form.why))
    ):
        return flash_and_redirect(f"{done.value.name} is saved.", "keying.spec", spec_id=spec_id)
    return _form_page(form, None, form.status, row.name, spec_id)


def asks_for_counts() -> bool:
    """Whether a form was sent only to see what its spec comes to."""
    return request.form.get("deed") == "update"


def _form_page(
    form: SpecPage, upload: ChartFilePage | None, status: int, name: str = "", spec_id: int | None = None
) -> ResponseReturnValue:
    try:
        facts = _facts(form.read())
    except (BitternError, TypeError, ValueError):  # not yet a whole spec: nothing to draw
        facts = None
    standing = standing_on(request_session(), spec_id) if spec_id else None
    shown = {"form": form, "upload": upload, "facts": facts, "name": name, "spec_id": spec_id, "standing": standing}
    return render_template("keying/edit_spec.html", **shown), status


def _facts(spec: BittingSpec) -> dict[str, object]:
    """What the page tells of a spec besides what was entered."""
    has_roots = spec.depth0_in is not None and spec.increment_in is not None
    return {
        "spec": spec,
        "chart": _chart(spec),
        "theoretical": theoretical(spec),
        "within": count_bittings(spec.chambers, spec.depths, spec.macs),
        "usable": usable(spec),
        "costs": rule_costs(spec) if spec.rules.names and usable(spec) else None,
        "shorter": [
            (chambers, spec.depths**chambers, usable(replace(spec, chambers=chambers)))
            for chambers in range(max(3, spec.chambers - 2), spec.chambers)
        ],
        "kit": _kit(spec.kit),
        "increment": f"{inches_text(spec.increment_in)} in" if spec.increment_in is not None else "",
        "roots": [(f"{d:X}", *_both(root_depth(spec, d))) for d in spec.all_depths] if has_roots else [],
        "places": [(number, *_both(place)) for number, place in enumerate(sorted(_cut_places(spec)), start=1)],
        "cautions": _cautions(spec),
    }


def _kit(kit: PinKit) -> list[tuple[str, str]]:
    named = {"bottoms": kit.bottoms_in, "masters and build-ups": kit.masters_in, "tops": kit.tops_in}
    found = [(name, f"{write_kit_sizes(sizes)} in") for name, sizes in named.items() if sizes]
    if kit.bottom0_in is not None:
        found.insert(0, ("shallowest bottom pin", f"{inches_text(kit.bottom0_in)} in"))
    return [*found, ("off by at most", f"{inches_text(kit.tolerance_in)} in")] if found else []


def _both(inches: Fraction) -> tuple[str, str]:
    return inches_text(inches), millimeters_text(inches)


def _chart(spec: BittingSpec) -> dict[str, object]:
    """Where the lines of the chart's drawing stand (`keying/_chart.html`).

    Widths are to the chart's inches where it gives them; heights are drawn larger, so that depths can be told
    apart. No key is shown: the stepped edge is the steepest that the MACS allows.
    """
    left, room, top = 84.0, 380.0, 44.0
    if spec.first_cut_in is None or spec.spacing_in is None:
        pitch = room / (spec.chambers + 1.4)
        middles = [left + pitch * (number + 1.3) for number in range(spec.chambers)]
    else:
        scale = room / float(spec.first_cut_in + spec.spacing_in * spec.chambers)
        middles = [left + float(place) * scale for place in _cut_places(spec)]
        if spec.stop is KeyStop.TIP:
            middles = [2 * left + room - middle for middle in middles]
        pitch = middles[1] - middles[0]
    lines = [top + 12 + number * 17 for number in range(spec.depths)]
    back, tip = lines[-1] + 40, middles[-1] + pitch * 0.9
    if spec.stop is KeyStop.TIP and _cut_places(spec):
        tip = left + room
    steep = min(spec.macs, spec.depths - 1)
    points = [(left, top), (middles[0] - pitch * 0.5, top)]
    for number, x in enumerate(middles):
        y = lines[steep if number % 2 else 0]
        points += [(x - pitch * 0.2, y), (x + pitch * 0.2, y)]
    points += [(tip - 6, lines[0]), (tip, back - 14), (tip - 10, back), (left, back)]
    has_roots = spec.depth0_in is not None and spec.increment_in is not None
    roots = [inches_text(root_depth(spec, depth)) if has_roots else "" for depth in spec.all_depths]
    places = [inches_text(place) for place in _cut_places(spec)] or [""] * spec.chambers
    return {
        "blade": " ".join(f"{x:.1f},{y:.1f}" for x, y in points),
        "back": back,
        "half": (back - top) / 2,
        "tip": round(tip, 1),
        "depths": [(f"{depth:X}", y, root) for depth, y, root in zip(spec.all_depths, lines, roots, strict=True)],
        "cuts": [
            (round(x, 1), number, place)
            for x, number, place in zip(middles, spec.chamber_numbers, places, strict=True)
        ],
        "stop": (round(tip, 1) if spec.stop is KeyStop.TIP else left, spec.stop.value),
    }


def _cut_places(spec: BittingSpec) -> list[Fraction]:
    """Where the middle of each cut is, from where the key stops, bow to tip; empty where the spec does not say."""
    if spec.first_cut_in is None or spec.spacing_in is None:
        return []
    return [spec.first_cut_in + (number - 1) * spec.spacing_in for number in spec.chamber_numbers]


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
