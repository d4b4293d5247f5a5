"""What is asked on the Fit pages. Everything stands in the address, so an answer can be bookmarked and sent on."""

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any, ClassVar

from wtforms import Field, Form, SelectField, StringField
from wtforms.validators import InputRequired, Length

from app.fitting import (
    CYLINDER_TYPES,
    DOOR_MATERIALS,
    CylinderAttributes,
    LockModel,
    all_finishes,
    from_json,
    read_inches,
    show_inches,
    trade_fact,
)
from app.ledger.catalog.maker_queries import MakerTables
from app.validation import length_limit
from app.web.fields import InchesField, WholeField
from app.web.forms_base import one_line

TYPES = {"": "any", **CYLINDER_TYPES}
MATERIALS = {"": "not said", **DOOR_MATERIALS}
FINISHES = {"": "any", **{each.code: f"{each.code} {each.name}" for each in all_finishes()}}


class MeasuresField(InchesField):
    """Several lengths parted by commas, held as a tuple."""

    def read(self, text: str) -> tuple[Fraction, ...]:  # type: ignore[override]  # several of what it is one of
        return tuple(read_inches(each, self.short_name) for each in text.split(",") if each.strip())

    def show(self, value: Iterable[Fraction]) -> str:  # type: ignore[override]
        return ", ".join(show_inches(each) for each in value)


def _text(label: str, hint: str = "", most: int = 200, **render: Any) -> StringField:
    checks = [Length(max=most, message=length_limit(most))]
    return StringField(
        label, checks, filters=[one_line], description=hint, render_kw={"autocomplete": "off", **render}
    )


class QuestionForm(Form):
    """A question asked by address alone: it changes nothing, so it carries no token.

    `FIRST` names the fields that stand before the others, whichever class they come from.
    """

    FIRST: ClassVar[tuple[str, ...]] = ()

    def is_about(self, lock: LockModel) -> bool:
        """Whether the question can be asked of a lock; it is not offered else."""
        return True

    @property
    def boxes(self) -> list[Field]:
        """The fields in the order of the page."""
        first = [self._fields[name] for name in self.FIRST]
        return [*first, *(field for field in self if field not in first)]

    @property
    def converted(self) -> tuple[str, ...]:
        """What each length became that was typed in millimeters."""
        measures = [field for field in self if isinstance(field, InchesField) and isinstance(field.data, Fraction)]
        return tuple(
            f"{field.label.text}: {field.typed} is {show_inches(field.data)} in."
            for field in measures
            if "m" in (field.typed or "").lower()
        )

    def offer(self, makers: Mapping[str, MakerTables]) -> None:
        """Fill the lists to choose from."""
        names = {maker.code: maker.name for maker in makers.values()}
        locks = {
            lock.name: f"{lock.name} ({maker.name})"
            for maker in makers.values()
            for lock in maker.locks
            if self.is_about(lock)
        }
        for name, choices in (("maker", {"": "any maker", **names}), ("lock", {"": "choose a lock", **locks})):
            field = self._fields.get(name)
            if field is not None:
                field.choices = choices  # type: ignore[attr-defined]  # both are lists


class NumberForm(QuestionForm):
    """A part number, what a customer says, or what is stamped on a key blank."""

    q = _text(
        "Part number, words, or a key blank's number",
        "As on the box, ? for what cannot be read; 1-1/4 rim satin chrome, six pin; as stamped on the bow.",
        type="search",
        autofocus=True,
    )


class _Attributes(QuestionForm):
    type = SelectField("Type", choices=TYPES, validate_choice=False)
    length = InchesField("Length, in")
    chambers = WholeField("Chambers", least=1, most=12)
    drilled = WholeField("Drilled for", least=1, most=12)
    keyway = _text("Keyway", most=60)
    cam = _text("Cam", "Mortise: standard, long …", most=60)
    tailpiece = _text("Tailpiece", "Rim, bored: flat …", most=60)
    finish = SelectField("Finish", choices=FINISHES, validate_choice=False)

    def attributes(self, maker: str = "") -> CylinderAttributes:
        """What was said; BitternError names the attribute at fault."""
        names = ("type", "length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish", "keying")
        said = {name: self._fields[name].data for name in names if name in self._fields}
        return from_json({**{name: value for name, value in said.items() if value not in (None, "")}, "maker": maker})


class ComposeForm(_Attributes):
    """Attributes that make a part number."""

    FIRST = ("lock",)
    lock = SelectField("Lock", validate_choice=False, description="Gives the cam that works it.")
    keying = _text("Keying", "Zero-bitted, construction keyed …", most=60)
    maker = SelectField("Maker", validate_choice=False)


class SwapForm(_Attributes):
    """The old cylinder, by number or by attributes."""

    FIRST = ("number", "maker")
    number = _text("Old cylinder's number", "If it is known; else say what it is.", most=60, autofocus=True)
    maker = SelectField("Old maker", validate_choice=False)


class _DoorForm(QuestionForm):
    """A door: what its stile is made of, and what covers it."""

    material = SelectField("Material", choices=MATERIALS, validate_choice=False, description="Of the stile.")
    glass_stop = InchesField("Glass stop covers", description="Of the stile; 0: none.")


class LengthForm(_DoorForm):
    """A door and a mortise lock in it; and the cylinder, as far as it is known."""

    FIRST = ("lock", "lock_maker", "door", "material", "glass_stop", "maker", "keyway", "chambers", "finish")
    lock = SelectField("Lock", validate_choice=False, description="Gives case, cam depth and cam.")
    lock_maker = _text("Or its maker", "Of a lock that is not in the list.", most=60)
    maker = SelectField("Cylinders of", validate_choice=False, description="Gives lengths and rings.")
    door = InchesField(
        "Door thickness", [InputRequired("Enter the door's thickness.")], description="1-3/4, or 45 mm"
    )
    keyway = _text("Keyway", "For the part number.", most=60)
    chambers = WholeField("Pins", least=1, most=12)
    finish = SelectField("Finish", choices=FINISHES, validate_choice=False)
    cam = _text("Cam", "Empty: the lock's own.", most=60)
    case = InchesField("Case thickness")
    cam_depth = InchesField("Case face to back of cam")
    outside_trim = InchesField("Trim outside")
    inside_trim = InchesField("Trim inside")
    lengths = MeasuresField("Lengths to be had", description="Parted by commas.")
    rings = MeasuresField("Rings to be had", description="Parted by commas.")

    def is_about(self, lock: LockModel) -> bool:
        return lock.takes == "mortise"


class TailpieceForm(QuestionForm):
    """A rim cylinder in its door."""

    door = InchesField("Door thickness", [InputRequired("Enter the door's thickness.")])
    length = InchesField("Cylinder length", [InputRequired("Enter the cylinder's length.")])
    trim = InchesField("Trim under the head")
    reach_least = InchesField("Must reach past the door, least", [InputRequired("Enter the least reach.")])
    reach_most = InchesField("Must reach past the door, most", [InputRequired("Enter the most reach.")])
    supplied = InchesField("Tailpiece as supplied", [InputRequired("Enter the tailpiece's length.")])
    notch = InchesField("Between break-off notches", description="Empty: cut anywhere.")


class BoreForm(_DoorForm):
    """A stile and a bored deadbolt."""

    FIRST = ("lock", "stile", "bore", "material", "glass_stop")
    lock = SelectField("Deadbolt", validate_choice=False, description="Gives backsets and the hole it needs.")
    stile = InchesField("Stile width", [InputRequired("Enter the stile's width.")])
    bore = InchesField("Hole in the door", [InputRequired("Enter the hole's diameter.")])
    backsets = MeasuresField("Backsets to be had", description="Parted by commas.")
    bore_min = InchesField("Least hole the lock needs")
    bore_max = InchesField("Largest hole it covers")

    def is_about(self, lock: LockModel) -> bool:
        return bool(lock.backsets)


def usual_backsets() -> tuple[Fraction, ...]:
    """The backsets of common practice."""
    names = ("deadbolt_backset_narrow", "deadbolt_backset_short", "deadbolt_backset_long")
    return tuple(trade_fact(name).value for name in names)


def usual_bore() -> dict[str, Any]:
    """The backsets and the hole of common practice, as the boxes of `BoreForm` hold them."""
    return {
        "backsets": list(usual_backsets()),
        "bore": trade_fact("deadbolt_bore_most").value,
    }


class ThreadForm(QuestionForm):
    """A mortise cylinder's body and the hole in the lock."""

    cylinder_diameter = InchesField("Cylinder's diameter", [InputRequired("Enter the diameter.")])
    cylinder_threads = WholeField("Cylinder's threads per inch", [InputRequired("Enter the threads.")], most=200)
    lock_diameter = InchesField("Lock's hole", [InputRequired("Enter the hole's diameter.")])
    lock_threads = WholeField("Lock's threads per inch", [InputRequired("Enter the threads.")], most=200)


class CamForm(QuestionForm):
    """A lock whose cam is looked for."""

    lock = SelectField("Lock", [InputRequired("Choose a lock.")], validate_choice=False)


class KeyForm(QuestionForm):
    """A customer's key and the cylinder that should take it."""

    blank = _text("Number on the key's bow", "Of any maker: PK-91", most=60, autofocus=True)
    cuts = WholeField(
        "Cuts on the key",
        [InputRequired("Count the cuts.")],
        least=1,
        most=12,
        description="How many, not how deep.",
        render_kw={"maxlength": "2", "inputmode": "numeric"},  # the address holds what is typed: no bitting
    )
    number = _text("Cylinder's part number", "If it is known; else say keyway and chambers.", most=60)
    keyway = _text("Cylinder's keyway", most=60)
    chambers = WholeField("Cylinder's chambers", least=1, most=12)
    maker = SelectField("Cylinder's maker", validate_choice=False)


class FinishForm(QuestionForm):
    """Finishes that would stand on one door."""

    codes = _text("Finishes on one door", "BHMA numbers or US codes, parted by commas: 626, US3")
