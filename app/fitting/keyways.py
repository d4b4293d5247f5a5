"""Keyways, their families and key blanks: which blank enters which keyway, and whose number is whose."""

from collections.abc import Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting.cylinder import CylinderAttributes, number_word
from app.validation import quoted


@dataclass(frozen=True, slots=True)
class MakerKeyway:
    """A maker's keyway, the family that it belongs to and the name of its bitting spec."""

    maker: str
    name: str
    family: str
    bitting_spec: str


@dataclass(frozen=True, slots=True)
class KeyBlank:
    """A key blank: the keyways that it enters, how many chambers it is long enough for, and the same blank's
    number with other makers, as (maker, number)."""

    maker: str
    number: str
    keyways: tuple[str, ...]
    chambers: int
    cross_references: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class KeyAnswer:
    """Can the cylinder take the customer's key: yes or no, and why."""

    takes: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KeywayFamily:
    """A keyway, the others of its family, and the blanks that enter it, its own maker's first. `of_all`: those of
    them that enter every keyway of the family."""

    keyway: MakerKeyway
    others: tuple[str, ...]
    blanks: tuple[KeyBlank, ...]
    of_all: tuple[KeyBlank, ...]


def squeezed(number: str) -> str:
    """A number or keyway as it is compared: letters and digits alone, small."""
    return "".join(character for character in number.casefold() if character.isalnum())


def find_blanks(blanks: Sequence[KeyBlank], number: str) -> tuple[KeyBlank, ...]:
    """The blanks with this number, their own or as a cross-reference, own first; separators are not needed."""
    wanted = squeezed(number)
    if not wanted:
        return ()
    own = [blank for blank in blanks if squeezed(blank.number) == wanted]
    crossed = [
        blank
        for blank in blanks
        if blank not in own and any(squeezed(each) == wanted for _, each in blank.cross_references)
    ]
    return (*own, *crossed)


def find_keyways(keyways: Sequence[MakerKeyway], blanks: Sequence[KeyBlank], name: str) -> tuple[KeywayFamily, ...]:
    """The keyways of this name, of every maker that has one, with what enters them; separators are not needed."""
    wanted = squeezed(name)
    found = []
    for keyway in keyways:
        if not wanted or squeezed(keyway.name) != wanted:
            continue
        family = [each.name for each in keyways if (each.maker, each.family) == (keyway.maker, keyway.family)]
        entering = [blank for blank in blanks if keyway.name in blank.keyways]
        entering = [
            *(each for each in entering if each.maker == keyway.maker),
            *(each for each in entering if each.maker != keyway.maker),
        ]
        of_all = [blank for blank in entering if len(family) > 1 and set(family) <= set(blank.keyways)]
        others = tuple(each for each in family if each != keyway.name)
        found.append(KeywayFamily(keyway, others, tuple(entering), tuple(of_all)))
    return tuple(found)


def why_not_enter(key: str, keyway: str, blanks: Sequence[KeyBlank]) -> str:
    """Why a customer's key does not enter a cylinder's keyway, and what helps; "" where it does.

    key: its keyway, which enters its own alone, or the number on its bow, which enters what the makers' tables say.

    >>> wide = KeyBlank("Ardent Brass", "PK-91", ("AQ1", "AQ2"), 6)
    >>> why_not_enter("pk91", "AQ2", [wide]), why_not_enter("AQ1", "AQ1", [])
    ('', '')
    >>> why_not_enter("AQ1", "AQ2", [wide])
    'A key on AQ1 does not enter keyway AQ2: choose a cylinder on AQ1. If its bow says PK-91, enter that.'
    """
    found = find_blanks(blanks, key)
    entered = list(dict.fromkeys(each for blank in found for each in blank.keyways))
    if squeezed(key) == squeezed(keyway) or keyway in entered:
        return ""
    if found:
        return (
            f"The blank {quoted(key)} enters {', '.join(entered)}, not keyway {keyway}: choose a cylinder on one of "
            "those, or key it otherwise."
        )
    wanted = {squeezed(key), squeezed(keyway)}
    both = [each.number for each in blanks if wanted <= set(map(squeezed, each.keyways))]
    more = f" If its bow says {' or '.join(both[:3])}, enter that." if both else ""
    return f"A key on {key} does not enter keyway {keyway}: choose a cylinder on {key}.{more}"


def can_take_key(
    cylinder: CylinderAttributes, blank_number: str, chambers_cut: int, blanks: Sequence[KeyBlank]
) -> KeyAnswer:
    """Can this cylinder be keyed to the customer's existing key: the keyway decides, then the chambers.

    `blank_number` is what is stamped on the key's bow, of any maker; `chambers_cut` how many cuts the key
    has. That the depths agree is for the bitting specs to say, and is not answered here. BitternError when
    the blank is unknown or too short for the cuts, or the cylinder's keyway is not said.
    """
    if not cylinder.keyway:
        raise BitternError("keyway", "Say the cylinder's keyway first.")
    found = find_blanks(blanks, blank_number)
    if not found:
        raise BitternError("blank", f"No maker's table has the key blank {quoted(blank_number)}.")
    room = max(blank.chambers for blank in found)
    if chambers_cut > room:
        raise BitternError(
            "cuts", f"The blank {found[0].number} has room for {number_word(room)} cuts: count the key's once more."
        )
    listed = [blank for blank in found if cylinder.keyway in blank.keyways]
    entering = [blank for blank in listed if not cylinder.maker or blank.maker == cylinder.maker]
    if not listed:
        keyways = ", ".join(dict.fromkeys(keyway for blank in found for keyway in blank.keyways))
        return KeyAnswer(False, (f"This key enters {keyways}, not keyway {cylinder.keyway}.",))
    if entering:
        reasons = [f"The key's blank ({entering[0].maker} {entering[0].number}) enters keyway {cylinder.keyway}."]
    else:
        # Two makers may call different keyways the same, and this maker's own table says nothing of the blank.
        reasons = [
            f"By {listed[0].maker}'s table the key's blank {listed[0].number} enters a keyway {cylinder.keyway}: try "
            f"it in one of {cylinder.maker} first."
        ]
    takes = True
    if cylinder.chambers is not None and chambers_cut < cylinder.chambers:
        takes = False
        reasons.append(
            f"The key has {number_word(chambers_cut)} cuts and the cylinder {number_word(cylinder.chambers)} "
            "chambers: pin it to the key's number of chambers."
        )
    elif cylinder.chambers is not None and chambers_cut > cylinder.chambers:
        reasons.append(
            f"The key has {number_word(chambers_cut)} cuts; the cylinder uses the first "
            f"{number_word(cylinder.chambers)}."
        )
    reasons.append("Check that both bitting specs agree before promising it.")
    return KeyAnswer(takes, tuple(reasons))
