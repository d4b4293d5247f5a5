"""The forms of a door and of a cylinder found on it."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from wtforms import BooleanField, SelectField, TextAreaField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import Length

from app.errors import BitternError, Problem, Problems
from app.fitting import read_inches, write_inches
from app.ledger.sites.cylinders import CylinderForm
from app.ledger.sites.door_paste import HANDS
from app.ledger.sites.doors import DoorForm
from app.ledger.tables import Door
from app.validation import length_limit
from app.web.forms_base import PageForm, SavedForm, text, typed

_HANDS = {
    "": "not known",
    "LH": "LH, left hand",
    "RH": "RH, right hand",
    "LHR": "LHR, left hand reverse",
    "RHR": "RHR, right hand reverse",
}


class DoorEditForm(SavedForm):
    """Everything that one can say about a door and its lock."""

    opening_number = text("Opening number", 40, needed="Enter the opening number.")
    location = text("Location", 200)
    hand = SelectField("Hand", choices=[SelectChoice(hand, _HANDS[hand]) for hand in HANDS])
    lock = text("Lock", 200)
    function = text("Function", 120, hint="Office, storeroom, classroom, …")
    thickness = text("Thickness, in", 40, hint="As in 1-3/4.")
    stile = text("Stile, in", 40, hint="As in 4-1/4.")
    is_egress = BooleanField("Exit door", description="On a way out.")
    is_fire_rated = BooleanField("Fire-rated", description="Door or frame has a label.")
    remarks = TextAreaField("Remarks", [Length(max=2000, message=length_limit(2000))])

    @classmethod
    def filled_from(cls, door: Door) -> DoorEditForm:
        """The form with what is on record; what was sent, where it was sent."""
        lock = door.lock
        return cls(
            version=door.version,
            opening_number=door.opening_number,
            location=door.location,
            hand=door.hand,
            lock=lock.description if lock else "",
            function=lock.function if lock else "",
            thickness=write_inches(door.thickness) if door.thickness else "",
            stile=write_inches(door.stile) if door.stile else "",
            is_egress=door.is_egress,
            is_fire_rated=door.is_fire_rated,
            remarks=door.remarks,
        )

    def asked(self) -> DoorForm:
        """What the use case takes; Problems name the measures that are not inches."""
        problems: list[Problem] = []
        measures: dict[str, Fraction | None] = {}
        for name in ("thickness", "stile"):
            measures[name] = None
            if typed := self[name].data:
                try:
                    measures[name] = read_inches(typed, name)
                except BitternError as error:
                    problems.append(Problem(name, error.message))
        if problems:
            raise Problems(problems)
        return DoorForm(
            opening_number=self.opening_number.data or "",
            location=self.location.data or "",
            hand=self.hand.data,
            lock=self.lock.data or "",
            function=self.function.data or "",
            thickness=measures["thickness"],
            stile=measures["stile"],
            is_egress=self.is_egress.data,
            is_fire_rated=self.is_fire_rated.data,
            remarks=(self.remarks.data or "").strip(),
        )


class CylinderFoundForm(PageForm):
    """A cylinder that stands on a door, as somebody found it there."""

    position = text("Position", 40, needed="Say where on the door it is.", hint="outside, inside, …")
    words = text("What it is", 300, needed="Say what it is.", hint="As in mortise cylinder 1-1/8, 626.")
    part_number = text("Part number", 80)
    keyset_id = SelectField("Keyset", coerce=int, validate_choice=False)
    remarks = text("Remarks", 2000)

    def offer(self, keysets: Sequence[tuple[int, str]]) -> None:
        """The customer's keysets to choose from, as (id, words)."""
        self.keyset_id.choices = [SelectChoice(0, "not known"), *(SelectChoice(*one) for one in keysets)]

    def asked(self) -> CylinderForm:
        """What the use case takes."""
        return CylinderForm(
            typed(self.position),
            typed(self.words),
            typed(self.part_number),
            self.keyset_id.data or None,
            typed(self.remarks),
        )


class TakeOutForm(SavedForm):
    """A cylinder that came out of its door."""

    why = text("Why", 200)
