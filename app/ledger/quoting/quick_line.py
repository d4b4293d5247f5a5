"""The counter's quick line: '2 mortise 1-1/8 626 KA 4 keys and a trip' becomes lines, in whatever order it is said.

Every word is told as what it was taken for, or as not understood, with what it could be. What the catalog completes,
because it has one such thing alone, is told as well.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Any

from app.errors import BitternError
from app.fitting import (
    CYLINDER_TYPES,
    DOOR_MATERIALS,
    CatalogItem,
    CylinderAttributes,
    compose_any,
    decode_any,
    finish_words,
    finishes_named,
    show_inches,
    write_inches,
)
from app.ledger.catalog.maker_queries import maker_tables, shelf
from app.ledger.catalog.price_queries import price_entries
from app.ledger.quoting.key_lines import OWN
from app.ledger.quoting.quick_words import (
    KEYS,
    Goods,
    HouseWords,
    Piece,
    hear_lines,
    is_said_of,
    minutes_sold_by,
    plain_word,
)
from app.ledger.quoting.request import KeyingInstruction, LineRequest, split_selective
from app.ledger.store.work import Work
from app.ledger.tables import LineKind
from app.pricing import KeyingKind, Urgency
from app.validation import counted

LONGEST_QUICK_LINE = 500
_TOLD = ("length", "chambers", "keyway", "finish")  # what a customer could have said
_ATTRIBUTES = ("type", "length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish")


@dataclass(frozen=True, slots=True)
class QuickWord:
    """A piece of a quick line as typed. means: what it was taken for, "" where it was not understood; hint: what it
    could be, or what is missing."""

    text: str
    means: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True)
class QuickLine:
    """One line as said; None and "" are not said. maker: its code. could_be: the numbers of the catalog, or codes of
    the price book, that are all meant; completed: the one number that is; filled: what is taken of it unsaid. door,
    stile: how thick and how wide, as typed; material: of DOOR_MATERIALS.
    """

    kind: LineKind
    quantity: int = 1
    type: str = ""
    length: Fraction | None = None
    chambers: int | None = None
    drilled: int | None = None
    keyway: str = ""
    cam: str = ""
    tailpiece: str = ""
    finish: str = ""
    maker: str = ""
    keying: KeyingKind | None = None
    set_size: int | None = None
    master: str = ""
    keys_each: int | None = None
    keys_in_all: int | None = None
    part_number: str = ""
    price_code: str = ""
    symbol: str = ""
    could_be: tuple[str, ...] = ()
    completed: str = ""
    filled: tuple[str, ...] = ()
    door: str = ""
    stile: str = ""
    material: str = ""

    def request(self) -> LineRequest:
        """What the line asks for, with the usual where nothing is said."""
        is_worn = "?" in self.part_number  # what is said beside it is of the old cylinder and its key
        said: dict[str, Any] = {name: None if is_worn else getattr(self, name) or None for name in _ATTRIBUTES}
        said["type"] = self.type
        usual = KeyingKind.KD if self.kind is LineKind.CYLINDER else KeyingKind.NONE
        key_keyway = self.keyway if is_worn else ""
        master, selective = split_selective(self.master)
        return LineRequest(
            self.kind,
            self.quantity,
            self.maker,
            self.part_number,
            CylinderAttributes(**said),
            KeyingInstruction(
                self.keying or usual, self.set_size, master, key_keyway=key_keyway, selective=selective
            ),
            2 if self.keys_each is None else self.keys_each,
            self.price_code,
            self.symbol,
            replaces_finish=self.finish if is_worn else "",
            keys_in_all=self.keys_in_all,
        )

    def to_json(self) -> dict[str, Any]:
        """What is said, as plain values by name."""
        said = {each.name: getattr(self, each.name) for each in fields(self)}
        plain = {name: value for name, value in said.items() if value not in (None, "", ())}
        plain["kind"] = "labor" if self.kind is LineKind.LABOR else self.kind.value
        if self.length is not None:
            plain["length"] = write_inches(self.length)
        return {name: list(value) if isinstance(value, tuple) else value for name, value in plain.items()}


@dataclass(frozen=True, slots=True)
class QuickReading:
    """A quick line read: its lines, each of its words in the order typed, and when the bench is to take all of it up
    (None: not said).
    """

    lines: tuple[QuickLine, ...] = ()
    words: tuple[QuickWord, ...] = ()
    urgency: Urgency | None = None

    @property
    def not_understood(self) -> tuple[QuickWord, ...]:
        """The words that were not understood."""
        return tuple(word for word in self.words if not word.means)


def read_quick_line(work: Work, typed: str) -> QuickReading:
    """What a clerk's words ask for, in the words of this house; BitternError on `quick` where they are too many."""
    if len(typed) > LONGEST_QUICK_LINE:
        raise BitternError("quick", f"At most {LONGEST_QUICK_LINE} characters are read at once; split them.")
    house = HouseWords(maker_tables(work.session), price_entries(work.session, work.today), shelf(work.session))
    return read_quick_words(typed, house)


def read_quick_words(typed: str, house: HouseWords) -> QuickReading:
    """The same, for the words of a house."""
    lines: list[QuickLine] = []
    words: list[tuple[int, QuickWord]] = []
    groups = hear_lines(typed, house)
    for group in groups:
        line, said = _SpokenLine(group, house).read()
        lines += [line] if line else []
        words += said
    urgency = next((piece.value for group in groups for piece in group if piece.what == "urgency"), None)
    return QuickReading(tuple(lines), tuple(word for _, word in sorted(words, key=lambda each: each[0])), urgency)


class _SpokenLine:
    """The pieces of one line, read into it."""

    def __init__(self, pieces: list[Piece], house: HouseWords) -> None:
        self._pieces = pieces
        self._house = house
        self._said: dict[str, Piece] = {}
        self._means: dict[int, tuple[str, str]] = {}  # start → what it was taken for; a hint
        for piece in pieces:
            if piece.what == "keying" and self._is_alike_in_system(piece):
                continue
            if piece.what in self._said:
                self._means[piece.start] = ("", f"beside {self._said[piece.what].text}: say which")
            elif piece.what not in ("word", "number", "filler", "in the name"):
                self._said[piece.what] = piece

    def _is_alike_in_system(self, piece: Piece) -> bool:
        """Whether alike is said beside a master-keyed kind: both hold."""
        first = self._said.get("keying")
        if first is None or KeyingKind.KA not in (first.value, piece.value) or first.value is piece.value:
            return False
        if not (first.value.is_master_keyed or piece.value.is_master_keyed):
            return False
        alike, kind = (first, piece) if first.value is KeyingKind.KA else (piece, first)
        self._said |= {"keying": kind, "alike": alike}
        return True

    def read(self) -> tuple[QuickLine | None, list[tuple[int, QuickWord]]]:
        """The line, None where nothing is named, and its words with their places."""
        self._take("urgency")
        line = self._line()
        if line and line.kind in (LineKind.CYLINDER, LineKind.PART, LineKind.HARDWARE):
            line = self._on_door(line)
        words = []
        for piece in self._pieces:
            means, hint = self._means.get(piece.start, ("", ""))
            if piece.what == "filler":
                means = "said along"
            elif not means and not hint and line is None:
                hint = "of what? Say mortise, rim, a part number, keys, trip …"
            elif not means and not hint and piece.what != "word":
                hint = f"{_meaning(piece.what, piece.value)}: not for this line"
            if piece.text:
                words.append((piece.start, QuickWord(piece.text, means, hint)))
        return line, words

    def _line(self) -> QuickLine | None:
        said = self._said
        if "rekey" in said:
            return self._rekey()
        if "part" in said:
            return self._part()
        if "entry" in said or "goods" in said:
            return self._goods()
        if "type" in said or "core" in said:
            return self._cylinder()
        if KEYS & said.keys():
            return self._keys()
        return None

    def _on_door(self, line: QuickLine) -> QuickLine:
        door, of_door = self._take("door") or ("", "")
        stile, of_stile = self._take("stile") or ("", "")
        return replace(line, door=door, stile=stile, material=self._take("material") or of_stile or of_door)

    def _take(self, what: str, means: str | None = None) -> Any:
        """What is said of something, None where nothing is; means: what its word was taken for."""
        piece = self._said.get(what)
        if piece is None:
            return None
        self._means[piece.start] = (means if means is not None else _meaning(what, piece.value), "")
        return piece.value

    def _hint(self, what: str, hint: str) -> None:
        self._means[self._said[what].start] = ("", hint)

    def _quantity(self) -> int:
        count = self._take("quantity")
        numbers = [piece for piece in self._pieces if piece.what == "number" and piece.start not in self._means]
        if count is None and numbers:
            count = numbers[0].value
            self._means[numbers[0].start] = (f"quantity {count}", "")
            numbers = numbers[1:]
        for piece in numbers:
            finishes = [each.words for each in finishes_named(piece.text)]
            could = [counted(piece.value, "key"), *(f"finish {' or '.join(finishes)}" for _ in finishes[:1])]
            self._means[piece.start] = ("", f"could be {', or '.join(could)}")
        return int(count or 1)

    def _keyed(self, quantity: int) -> dict[str, Any]:
        """How the line is keyed and the keys that come with it; alike under a master is one set of them all."""
        keying, size, master = self._take("keying"), self._take("set_size"), self._take("master")
        if (in_sets := self._take("alike in sets")) is not None:
            keying, size = keying or KeyingKind.KA, size or in_sets
        is_alike = bool(self._take("alike", KeyingKind.KA.words)) or keying is KeyingKind.KA
        if master and keying in (None, KeyingKind.KA):
            keying = KeyingKind.MK
        elif keying is None and size:
            keying = KeyingKind.KA
        if keying is not None and keying.is_master_keyed and is_alike and quantity > 1:
            size = size or quantity
        if size is not None and keying in (KeyingKind.KD, KeyingKind.OWN, KeyingKind.NONE):
            self._hint("set_size", f"{keying.words} has no sets")
            size = None
        return {
            "keying": keying,
            "set_size": size,
            "master": master or "",
            "keys_each": self._take("keys_each"),
            "keys_in_all": self._take("keys") if "keys_each" not in self._said else None,
        }

    def _maker(self) -> str:
        return str(self._take("maker", _maker_name(self._house, self._said.get("maker"))) or "")

    def _rekey(self) -> QuickLine:
        self._take("rekey")
        for what in ("length", "finish", "cam", "tailpiece", "maker", "part", "entry", "goods"):
            if what in self._said:
                self._hint(what, "what is rekeyed stays as it is")
        quantity = self._quantity()
        return QuickLine(
            LineKind.REKEY,
            quantity,
            type=self._take("type") or "",
            chambers=self._take("chambers"),
            drilled=self._take("drilled"),
            keyway=self._take("keyway") or "",
            **self._keyed(quantity),
        )

    def _part(self) -> QuickLine:
        maker, number = self._take("part")
        if "?" in number:
            return self._worn(number)
        item = next((one for one in self._house.items if one.part_number == number), None)
        own = item.attributes if item else self._decoded(maker, number)
        for what in _ATTRIBUTES:
            if what in self._said:
                meant, has = self._said[what].value, getattr(own, what, None)
                if has is not None and has in (meant if isinstance(meant, tuple) else (meant,)):
                    self._take(what)
                else:
                    self._hint(what, f"{number} is not that")
        for piece in self._pieces:
            if piece.what == "word" and item and plain_word(piece.text) in Goods.of(item).words:
                self._means[piece.start] = ("in the catalog's words", "")
        if maker and "maker" in self._said and self._said["maker"].value != maker:
            self._hint("maker", f"{number} is not that")
        else:
            maker = self._maker() or maker
        quantity = self._quantity()
        keyed = self._keyed(quantity) if own or not item else {}
        return QuickLine(LineKind.PART, quantity, maker=maker, part_number=number, **keyed)

    def _worn(self, number: str) -> QuickLine:
        """A number that can be several: the finish is of what is there, the keyway of the key that goes on."""
        finish = self._finish(self._said["finish"].value if "finish" in self._said else (), ())
        quantity = self._quantity()
        keyed = self._keyed(quantity)
        keyway = ""
        if keyed["keying"] is KeyingKind.OWN and "keyway" in self._said:
            keyway = self._take("keyway", f"the key's keyway {self._said['keyway'].value}")
        for what in _ATTRIBUTES:
            if what in self._said and self._said[what].start not in self._means:
                self._hint(what, f"choose the one among those that {number} can be")
        worn = QuickLine(LineKind.PART, quantity, part_number=number, finish=finish, keyway=keyway)
        return replace(worn, maker=self._maker(), **keyed)

    def _decoded(self, maker: str, number: str) -> CylinderAttributes | None:
        try:
            return decode_any(self._house.makers[maker].patterns, number)[0].attributes if maker else None
        except BitternError:
            return None

    def _goods(self) -> QuickLine:
        entry = self._said.get("entry")
        found = (Goods.of(entry.value),) if entry else self._said["goods"].value
        one = found[0]
        means = one.description if len(found) == 1 else ""
        self._take("entry" if entry else "goods", means)
        for piece in self._pieces:
            if piece.what == "in the name":
                self._means[piece.start] = (means or "in the name", "")
            elif piece.what in ("finish", "length", "maker") and all(is_said_of(each, piece) for each in found):
                self._means[piece.start] = (_meaning(piece.what, piece.value), "")
        could_be = tuple(each.code for each in found) if len(found) > 1 else ()
        if could_be:
            self._hint("goods", f"could be {'; '.join(f'{each.code} {each.description}' for each in found[:6])}")
        line = QuickLine(one.kind, self._of_labor(one) or self._quantity(), could_be=could_be)
        if could_be:
            named = self._said["goods"].text if any(each.maker for each in found) else ""
            return replace(line, kind=LineKind.PART if named else one.kind, part_number=named)
        if one.maker:
            code = next((code for code, maker in self._house.makers.items() if maker.name == one.maker), "")
            return replace(line, part_number=one.code, maker=code)
        return replace(line, price_code=one.code)

    def _of_labor(self, one: Goods) -> int:
        """How many of a labor item the hours said are; 0 where none are, or it does not say how long one is."""
        each = minutes_sold_by(one.description) if one.kind is LineKind.LABOR else 0
        said = self._said.get("minutes")
        if not each or said is None:
            return 0
        quantity = -(-said.value // each)
        self._take("minutes", f"{quantity} of {one.description}")
        return int(quantity)

    def _keys(self) -> QuickLine:
        what = next(each for each in ("copies", "extra", "keys") if each in self._said)
        count = self._take(
            what, {"copies": "copies of the customer's key", "extra": "further keys"}.get(what, "keys")
        )
        quantity = count if count is not None else self._quantity()
        self._quantity() if count is not None else None
        symbol = OWN if what == "copies" else (self._take("symbol") or "")
        return QuickLine(LineKind.KEYS, quantity, keyway=self._take("keyway") or "", symbol=symbol)

    def _cylinder(self) -> QuickLine:
        said: dict[str, Any] = {"type": ""}
        if "type" in self._said:
            said["type"] = self._take("type")
        for what in ("length", "chambers", "drilled", "keyway", "cam", "tailpiece"):
            if what in self._said:
                said[what] = self._take(what)
        maker = self._maker()
        finishes = self._said["finish"].value if "finish" in self._said else ()
        near = self._on_shelf(said, maker)
        types = {one.attributes.type for one in near if one.attributes}
        if "core" in self._said and len(types) == 1:
            said["type"] = types.pop()
            self._take("core", CYLINDER_TYPES[said["type"]])
        elif "core" in self._said:
            self._hint("core", "could be a small-format core or a large-format core")
        finish = self._finish(finishes, near)
        near = [
            one for one in near if not finishes or (one.attributes and one.attributes.finish in (finish or finishes))
        ]
        near = self._narrowed(near)
        quantity = self._quantity()
        line = QuickLine(
            LineKind.CYLINDER,
            quantity,
            finish=finish,
            maker=maker,
            **{**said, "keyway": said.get("keyway", "")},
            **self._keyed(quantity),
        )
        if (one := self._only(line, near)) and (own := one.attributes):
            filled = tuple(what for what in _TOLD if getattr(own, what) and not getattr(line, what))
            known = {what: getattr(line, what) or getattr(own, what) or getattr(line, what) for what in _ATTRIBUTES}
            code = next((code for code, each in self._house.makers.items() if each.name == one.maker), "")
            return replace(line, **known, maker=code, completed=one.part_number, filled=filled)
        return replace(line, could_be=tuple(one.part_number for one in near[:12]))

    def _only(self, line: QuickLine, near: Sequence[CatalogItem]) -> CatalogItem | None:
        """The one item that the line means: the only one, or the one whose number its maker makes of what is said."""
        makers = [each for each in self._house.makers.values() if each.name in {one.maker for one in near}]
        if len(near) < 2 or len(makers) > 1:
            return near[0] if len(near) == 1 else None
        said: dict[str, Any] = {what: getattr(line, what) or None for what in _ATTRIBUTES} | {"type": line.type}
        try:
            number = compose_any(makers[0].patterns, CylinderAttributes(**said, maker=makers[0].name))
        except BitternError:
            return None
        return next((one for one in near if one.part_number == number), None)

    def _finish(self, codes: tuple[str, ...], near: Sequence[CatalogItem]) -> str:
        """The one finish that is meant, as far as the house has it; "" where it can be several."""
        has = {one.attributes.finish for one in near if one.attributes}
        has = has or {one.attributes.finish for one in self._house.items if one.attributes}
        meant = [code for code in codes if code in has] or list(codes)
        if len(meant) == 1:
            self._take("finish", finish_words(meant[0]))
            return meant[0]
        if meant:
            self._hint("finish", f"could be {' or '.join(map(finish_words, meant))}")
        return ""

    def _on_shelf(self, said: Mapping[str, Any], maker: str) -> list[CatalogItem]:
        """What the catalog has of all that is said, the stocked first; nothing that comes keyed in its own way."""
        name = self._house.makers[maker].name if maker in self._house.makers else ""
        wanted = [(what, value) for what, value in said.items() if value not in (None, "")]
        found = [
            one
            for one in self._house.items
            if one.attributes
            and not one.attributes.keying
            and (not name or one.maker == name)
            and (said["type"] or one.attributes.type in ("sfic", "lfic"))
            and all(getattr(one.attributes, what) == value for what, value in wanted)
        ]
        return sorted(found, key=lambda one: not one.stocked)

    def _narrowed(self, near: list[CatalogItem]) -> list[CatalogItem]:
        """Those that are described in the words which are still open."""
        for place, piece in enumerate(self._pieces):
            if piece.what == "type" and piece.value == "lockset":  # who says knob wants no lever
                wanted = [word for word in ("knob", "lever") if word in piece.text.casefold()]
                near = [one for one in near if all(word in one.description.casefold() for word in wanted)]
                continue
            if piece.what == "word":
                has = [one for one in near if plain_word(piece.text) in Goods.of(one).words]
            elif piece.what == "number" and place:
                name = f"{self._pieces[place - 1].text} {piece.text}".casefold()
                has = [one for one in near if name in one.description.casefold()]
            else:
                continue
            if has:
                near = has
                self._means[piece.start] = ("in the catalog's words", "")
        return near


def _maker_name(house: HouseWords, piece: Piece | None) -> str | None:
    return house.makers[piece.value].name if piece and piece.value in house.makers else None


def _meaning(what: str, value: Any) -> str:
    """What a word was taken for."""
    match what:
        case "type":
            return CYLINDER_TYPES[value]
        case "length":
            return f"length {show_inches(value)} in"
        case "finish":
            return " or ".join(map(finish_words, value))
        case "keying":
            return str(value.words)
        case "alike in sets":
            return f"keyed alike in sets of {value}"
        case "set_size":
            return f"in sets of {value}"
        case "master":
            return f"master keyed under {value}"
        case "keys":
            return f"{counted(value, 'key')} in all"
        case "keys_each":
            return f"{counted(value, 'key')} each"
        case "chambers":
            return f"{value} pins"
        case "drilled":
            return f"drilled {value}"
        case "cam" | "tailpiece":
            return f"{value} {what}"
        case "part":
            return f"part number {value[1]}"
        case "quantity" | "keyway":
            return f"{what} {value}"
        case "door" | "stile":
            return " ".join(filter(None, (DOOR_MATERIALS.get(value[1], ""), what, value[0])))
        case "material":
            return f"door of {DOOR_MATERIALS[value]}"
        case "minutes":
            return f"{value} minutes"
        case "urgency":
            return f"at the bench: {value.words}"
        case "rekey":
            return "rekey customer's own"
        case "symbol":
            return f"keys of {value}"
        case _:
            return what
