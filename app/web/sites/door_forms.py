"""The forms of a door and of a cylinder found on it."""

from __future__ import annotations

from collections.abc import Sequence

from wtforms import BooleanField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.ledger.sites.door_paste import HANDS
from app.ledger.tables import Cylinder, Door, Lock
from app.web.fields import InchesField
from app.web.forms_base import PageForm, SavedForm, area, text

_HANDS = {
    "": "not known",
    "LH": "LH, left hand",
    "RH": "RH, right hand",
    "LHR": "LHR, left hand reverse",
    "RHR": "RHR, right hand reverse",
}


class DoorEditForm(SavedForm):
    """Everything that one can say about a door and its lock."""

    opening_number = text("Opening number", Door.opening_number, needed="Enter the opening number.")
    location = text("Location", Door.location)
    hand = SelectField("Hand", choices=[SelectChoice(hand, _HANDS[hand]) for hand in HANDS])
    lock = text("Lock", Lock.description)
    function = text("Function", Lock.function, hint="Office, storeroom, classroom, …")
    thickness = InchesField("Thickness, in", description="As in 1-3/4.")
    stile = InchesField("Stile, in", description="As in 4-1/4.")
    is_egress = BooleanField("Exit door", description="On a way out.")
    is_fire_rated = BooleanField("Fire-rated", description="Door or frame has a label.")
    remarks = area("Remarks", Door.remarks)


def _id(value: object) -> int | None:
    return int(str(value)) or None


class CylinderFoundForm(PageForm):
    """A cylinder that stands on a door, as somebody found it there."""

    position = text("Position", Cylinder.position, needed="Say where on the door it is.", hint="outside, inside, …")
    words = text("What it is", Cylinder.words, needed="Say what it is.", hint="As in mortise cylinder 1-1/8, 626.")
    part_number = text("Part number", Cylinder.part_number)
    keyset_id = SelectField("Keyset", coerce=_id, validate_choice=False)
    remarks = text("Remarks", Cylinder.remarks)

    def offer(self, keysets: Sequence[tuple[int, str]]) -> None:
        """The customer's keysets to choose from, as (id, words)."""
        self.keyset_id.choices = [SelectChoice(0, "not known"), *(SelectChoice(*one) for one in keysets)]


class TakeOutForm(SavedForm):
    """A cylinder that came out of its door."""

    why = text("Why", 200)
