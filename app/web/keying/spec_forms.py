"""The form of a bitting spec, as it is typed off a maker's chart."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from flask_wtf.file import FileField, FileRequired
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.keying import BittingSpec, read_inches, write_inches
from app.ledger.catalog.chart_file import even_roots
from app.web.fields import TextField, WholeField
from app.web.forms_base import PageForm, SavedForm, text, typed


class InchField(TextField):
    """Exact inches, held as Fraction."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"inputmode": "decimal", "class": "amount"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> Fraction:
        found = read_inches(text, self.short_name)
        if not 0 < found <= 10:
            raise ValueError("Enter inches above 0 and at most 10, such as 0.0125 or 1/64.")
        return found

    def show(self, value: Fraction) -> str:
        return write_inches(value)


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
        return BittingSpec(
            name=typed(self.name),
            chambers=self.chambers.data,
            depths=self.depths.data,
            first_depth=self.first_depth.data,
            macs=self.macs.data,
            step=int(self.step.data),
            stack_total=self.stack_total.data,
            control_offset=self.control_offset.data,
            min_master_pin=self.min_master_pin.data,
            depth0_in=roots["depth0_in"],
            increment_in=roots["increment_in"],
            first_cut_in=self.first_cut_in.data,
            spacing_in=self.spacing_in.data,
        )


class ChartFilePage(PageForm):
    """A chart that somebody typed into a file."""

    file = FileField(
        "Chart file",
        [FileRequired("Choose a .json, .csv or .xlsx file.")],
        description="A field and its value a row: chambers, depths, macs … Nothing is saved before you press Save.",
    )
