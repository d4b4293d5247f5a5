"""Makers that nobody has: drawn patterns of part numbers, their price lists, and what each number means."""

import random
import string
from collections.abc import Iterator
from dataclasses import dataclass, field

MEANINGS = {
    "type": ("mortise cylinder", "rim cylinder", "bored-lock cylinder"),
    "length": ("1 in", "1-1/8 in", "1-1/4 in", "1-3/8 in", "1-1/2 in", "1-3/4 in", "2 in"),
    "ring": ("1/8 in", "1/4 in", "1/2 in", "1 in"),
    "finish": (
        "bright brass",
        "satin brass",
        "oil-rubbed bronze",
        "satin nickel",
        "bright chromium",
        "satin chromium",
    ),
    "chambers": ("five pin", "six pin", "seven pin"),
    "keyway": tuple(f"keyway TQ{number}" for number in range(1, 10)),
    "cam": ("standard cam", "long cam", "hooked cam", "clover cam"),
    "hand": ("left hand", "right hand"),
    "pack": ("boxed", "bulk", "carded", "in a bag"),
    "keying": ("keyed different", "keyed alike", "zero-bitted", "construction keyed"),
}
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
ALPHABETS = (LETTERS, string.digits, LETTERS + string.digits)


@dataclass(frozen=True)
class DrawnPiece:
    """A piece with its separator in front; `none` is what the words say where it is left out."""

    separator: str
    codes: dict[str, str]
    optional: bool = False
    none: str = ""
    has_words: bool = True

    @property
    def varies(self) -> bool:
        return self.optional or len(self.codes) > 1

    def core(self, code: str) -> str:
        """A code without what all codes of the piece begin or end with: fixed characters are anybody's."""
        codes = list(self.codes)
        front = 0
        while all(len(each) > front and each[front] == codes[0][front] for each in codes):
            front += 1
            if front == min(map(len, codes)):
                break
        back = 0
        while back < min(map(len, codes)) - front and len({each[len(each) - 1 - back] for each in codes}) == 1:
            back += 1
        return code[front : len(code) - back] if len(codes) > 1 else code


@dataclass(frozen=True)
class DrawnNumber:
    number: str
    words: str
    codes: tuple[str | None, ...]


@dataclass(frozen=True)
class DrawnMaker:
    """A maker's pattern; the words stand in `order`, behind `always` where that is said of each number."""

    prefix: str
    pieces: tuple[DrawnPiece, ...]
    order: tuple[int, ...]
    always: str = ""
    chance: random.Random = field(default_factory=random.Random, compare=False)

    def draw(self) -> DrawnNumber:
        number, codes = self.prefix, []
        for piece in self.pieces:
            code = None if piece.optional and self.chance.random() < 0.5 else self.chance.choice(list(piece.codes))
            codes.append(code)
            number += "" if code is None else piece.separator + code
        return DrawnNumber(number, self.say(codes), tuple(codes))

    def say(self, codes: list[str | None]) -> str:
        said = [self.always] if self.always else []
        for index in self.order:
            piece, code = self.pieces[index], codes[index]
            if piece.has_words:
                said.append(piece.none if code is None else piece.codes[code])
        return ", ".join(phrase for phrase in said if phrase)

    def readings(self, number: str) -> list[tuple[str | None, ...]]:
        """Every way to read a number."""
        return list(self._walk(number[len(self.prefix) :], 0)) if number.startswith(self.prefix) else []

    def _walk(self, rest: str, index: int) -> Iterator[tuple[str | None, ...]]:
        if index == len(self.pieces):
            if not rest:
                yield ()
            return
        piece = self.pieces[index]
        for code in [None, *piece.codes] if piece.optional else piece.codes:
            text = "" if code is None else piece.separator + code
            if rest.startswith(text):
                for further in self._walk(rest[len(text) :], index + 1):
                    yield (code, *further)

    def price_list(self, length: int = 60) -> list[DrawnNumber]:
        """Numbers of the maker, each once."""
        return list(self._numbers(length).values())

    def _numbers(self, length: int) -> dict[str, DrawnNumber]:
        found: dict[str, DrawnNumber] = {}
        for _ in range(length * 20):
            drawn = self.draw()
            found.setdefault(drawn.number, drawn)
            if len(found) == length:
                break
        return found

    def unseen(self, listed: list[DrawnNumber], length: int = 20) -> list[DrawnNumber]:
        """Numbers that are not in a list but whose codes all are, and that can be read in one way only."""
        seen = [{each.codes[index] for each in listed} for index in range(len(self.pieces))]
        numbers = {each.number for each in listed}
        return [
            drawn
            for drawn in self._numbers(length * 2).values()
            if drawn.number not in numbers
            and all(code in codes for code, codes in zip(drawn.codes, seen, strict=True))
            and len(self.readings(drawn.number)) == 1
        ][:length]

    def foreign(self, length: int = 10) -> list[str]:
        """Numbers that are none of the maker's: more or less than one, turned round, with another character."""
        found = []
        while len(found) < length:
            number = self.draw().number
            spoiled = self.chance.choice(
                ["Z9" + number, number + "#9", number[::-1], number[:1] + "*" + number[1:], number[:-1]]
            )
            if not self.readings(spoiled):
                found.append(spoiled)
        return found

    def meant(self, drawn: DrawnNumber) -> list[tuple[str, str]]:
        """The code, without fixed characters, and the words of each piece of a number that varies."""
        return [
            (piece.core(code), piece.codes[code] if piece.has_words else "")
            for piece, code in zip(self.pieces, drawn.codes, strict=True)
            if code is not None and piece.varies
        ]


def draw_maker(seed: int, sort: str, *, unlike_anywhere: bool = False, without_words: bool = False) -> DrawnMaker:
    """A maker of 3 to 8 pieces. `sort`: 'run together' has no separators, 'unlike' has codes of unlike length before
    a separator and at the end, 'optional' a piece that may be left out.

    unlike_anywhere: codes of unlike length in other places too, none the beginning of another; without_words: no
    words for one piece.
    """
    chance = random.Random(f"{sort} {seed}")
    kinds = chance.sample(sorted(MEANINGS), chance.randint(3, 8))
    left_out = chance.choice(kinds) if sort == "optional" else ""
    wordless = chance.choice([kind for kind in kinds if kind != left_out]) if without_words else ""
    marks = [
        "" if place == 0 or sort == "run together" or chance.random() < 0.3 else chance.choice("-./")
        for place in range(len(kinds))
    ]
    pieces = []
    for place, kind in enumerate(kinds):
        ends = place + 1 == len(kinds) or bool(marks[place + 1])
        number = chance.randint(2, len(MEANINGS[kind]))
        codes = _codes(chance, number, (sort == "unlike" and ends, unlike_anywhere and not ends))
        if kind == left_out and chance.random() < 0.5:
            codes = codes[:1]
        none = f"no {kind}" if kind == left_out and chance.random() < 0.5 else ""
        said = chance.sample(MEANINGS[kind], number)
        pieces.append(
            DrawnPiece(marks[place], dict(zip(codes, said, strict=False)), kind == left_out, none, kind != wordless)
        )
    prefix = "".join(chance.choice(LETTERS) for _ in range(chance.choice([0, 0, 1, 2, 3])))
    order = tuple(chance.sample(range(len(kinds)), len(kinds)))
    return DrawnMaker(prefix, tuple(pieces), order, chance.choice(["", "invented goods"]), chance)


def _codes(chance: random.Random, number: int, unlike: tuple[bool, bool]) -> list[str]:
    alphabet, length = chance.choice(ALPHABETS), chance.randint(1, 3)
    before_a_mark, anywhere = unlike
    while True:
        lengths = [chance.randint(1, 4) if before_a_mark or anywhere else length for _ in range(number)]
        codes = ["".join(chance.choice(alphabet) for _ in range(each)) for each in lengths]
        begun = any(one != other and other.startswith(one) for one in codes for other in codes)
        if len(set(codes)) == number and not (anywhere and begun):
            return codes
