"""What to ask of a door before a lock or a cylinder is sold for it: its thickness, what its stile is made of, its
glass stop. Questions, not refusals: the answer stands on the door.
"""

from collections.abc import Mapping
from fractions import Fraction

from app.fitting.fits import tolerance
from app.fitting.inches import show_inches
from app.fitting.reference import door_preparation

ALUMINUM = "aluminum"
DOOR_MATERIALS: Mapping[str, str] = {"wood": "wood", "steel": "steel", ALUMINUM: "aluminum, hollow stile"}
BACKSET_IS_MEASURED = (
    "Backset is measured from the door's edge to the center of the hole; on a beveled edge, at the center line of "
    "the door's thickness."
)


def ask_about_mortise_door(door: Fraction, material: str, glass_stop: Fraction | None) -> tuple[str, ...]:
    """What to ask of a door that a mortise lock sits in, or is to. `material`: of DOOR_MATERIALS, "" where not said.

    >>> ask_about_mortise_door(Fraction(7, 4), "wood", None)
    ()
    >>> ask_about_mortise_door(Fraction(3, 2), "wood", None)[0][:68]
    'This door is 1-1/2 in thick, and a case of the mortise preparation 8'
    """
    preparation = door_preparation("86")
    least = preparation.door_least
    asks = []
    if least is not None and least - door >= tolerance():
        asks.append(
            f"This door is {show_inches(door)} in thick, and a case of the mortise preparation {preparation.number} "
            f"wants {show_inches(least)} in at least: is this lock made for a thinner door?"
        )
    return (*asks, *ask_about_stile(material, glass_stop))


def ask_about_stile(material: str, glass_stop: Fraction | None) -> tuple[str, ...]:
    """What to ask of the stile. `material`: of DOOR_MATERIALS, "" where not said. Common practice, no source.

    >>> ask_about_stile("wood", None)
    ()
    >>> [ask[:31] for ask in ask_about_stile("aluminum", None)]
    ['An aluminum stile is hollow: is', 'Is there a glass stop on the st']
    """
    asks = []
    if not material:
        asks.append("Is the stile wood, steel or aluminum, and is there a glass stop on it?")
    if material == ALUMINUM:
        asks.append(
            "An aluminum stile is hollow: is it deep enough behind the edge for the lock's case or bolt, and is the "
            "lock made for a hollow stile?"
        )
        if glass_stop is None:
            asks.append(
                "Is there a glass stop on the stile? Enter how much of the stile it covers, 0 for none: hole, rose "
                "and collar have to clear it."
            )
    return tuple(asks)
