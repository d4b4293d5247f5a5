"""What a clerk's words at the counter mean, piece by piece, in the words of the house: its makers, keyways, cams and
finishes, its part numbers, and what its price book and catalogs call things.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

from app.errors import BitternError
from app.fitting import (
    TAKEN,
    CatalogItem,
    Listener,
    all_finishes,
    decode_any,
    finish_words,
    finishes_named,
    in_finish_speech,
    names_of_makers,
    number_word,
    show_inches,
)
from app.ledger.catalog.maker_queries import MakerTables
from app.ledger.catalog.price_queries import KEY_CUT, PriceEntry
from app.ledger.tables import LineKind
from app.pricing import KeyingKind, Urgency

_MARKS = str.maketrans("″”“–−’", '"""--\'')
_COUNTS = {number_word(number): number for number in range(1, 11)} | {"eleven": 11, "twelve": 12}
_N = rf"[0-9]{{1,5}}|{'|'.join(_COUNTS)}"
_SYMBOL = r"(?-i:[A-Z]{1,3}[0-9]{0,3}[A-Z]{0,2}|[0-9]{1,3}[A-Z]{2})"
_KEYINGS = (
    (KeyingKind.GGMK, r"GGMK|great[\s-]grand[\s-]master(?:[\s-]?key(?:ed|ing))?(?![\s-]?keys?\b)"),
    (KeyingKind.GMK, r"GMK|grand[\s-]master(?:[\s-]?key(?:ed|ing))?(?![\s-]?keys?\b)"),
    (KeyingKind.MK, r"MK|master[\s-]?key(?:ed|ing)|mastered|master(?![\s-]?keys?\b)"),
    (
        KeyingKind.OWN,
        r"(?:keyed\s+)?to\s+(?:the\s+)?(?:customers|\w+'s|existing|old|own|his|her|their|my)\s+(?:old\s+|own\s+)?key(?!\w)|"
        r"keyed\s+to\s+(?:the|an?)\s+key(?!\w)",
    ),
    (KeyingKind.SKD, r"SKD|single[\s-]keyed|keyed\s+single"),
    (
        KeyingKind.KA,
        r"KA|(?:all\s+)?keyed\s+(?:all\s+)?(?:alike|(?:the\s+)?same)|all\s+(?:alike|the\s+same)|alike|(?:the\s+)?same\s+key",
    ),
    (
        KeyingKind.KD,
        r"KD|(?:all\s+)?keyed\s+(?:all\s+)?different(?:ly)?|all\s+different(?:ly)?|different\s+keys?|different(?:ly)?",
    ),
    (KeyingKind.NONE, r"no\s+pins|without\s+pins|unpinned|un-?combinated|zero[\s-]bitted|not\s+keyed"),
)
_URGENCIES = (
    (
        Urgency.WAITS,
        r"(?:while\s+)?(?:(?:he|she|they|(?:the\s+)?customer)(?:\s+is|\s+will|\s+are|'s|'ll)?\s+)?wait(?:s|ing)?",
    ),
    (Urgency.RUSH, r"(?:as\s+)?(?:a\s+)?rush(?:ed)?(?:\s+(?:work|job))?|urgent(?:ly)?"),
)
_JOINS = frozenset({"and", "plus", "&", "+", "also", ","})
_ENDS = frozenset({";", "\n"})
_FILLER = frozenset(
    {"a", "an", "the", "of", "for", "in", "with", "to", "at", "on", "@", "-", "total", "each", "please"}
    | {"i", "we", "he", "she", "they", "want", "wants", "need", "needs", "own", "his", "her", "their", "customer's"}
    | {"cylinder", "cylinders", "cyl", "cyls", "finish", "keyway", "lock", "locks", "line"}
)
CATEGORIES = {
    "hardware": LineKind.HARDWARE,
    "labor": LineKind.LABOR,
    "labour": LineKind.LABOR,  # in price books of release 0.1
    "trip": LineKind.TRIP,
    "keys": LineKind.KEYS,
}
_BROUGHT = ("keying", "rekey", "rush")  # categories of what other lines bring with them


@dataclass(frozen=True, slots=True)
class HouseWords:
    """What the house sells and says: its makers' tables, the entries of its price book, all items on its shelf."""

    makers: Mapping[str, MakerTables]
    entries: Sequence[PriceEntry]
    items: Sequence[CatalogItem]


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of the text. what: of what it speaks; `word` and `number` are still open."""

    start: int
    text: str
    what: str
    value: Any = None


def _number(text: str) -> int:
    return _COUNTS.get(text.casefold(), 0) or int(text.replace(",", ""))


def _counted(found: re.Match[str]) -> int:
    return _number(found[1])


def _sized(found: re.Match[str]) -> tuple[str, str]:
    """How thick a door, or wide a stile, is said to be, as typed, and what it is made of."""
    size = next(one for one in (found[1], *found.groups()[2:]) if one)
    return " ".join(size.split()), _MADE_OF.get((found[2] or "").casefold(), "")


def _minutes(found: re.Match[str]) -> int:
    return 60 * (1 if found[1].casefold() == "an" else _number(found[1])) + (30 if found[2] or found[3] else 0)


def minutes_sold_by(description: str) -> int:
    """How many minutes one of a labor item is by its words; 0 where they do not say.

    >>> minutes_sold_by("Labor at the site, a quarter of an hour")
    15
    """
    return next((minutes for words, minutes in _LONG if words in description.casefold()), 0)


def _compiled(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w/.-])(?:{pattern})(?![\w/])", re.IGNORECASE)


_SIZE = (
    r"(?:[0-9]+(?:-|\s+)[0-9]+/[0-9]+|[0-9]+/[0-9]+|[0-9]*\.[0-9]+)(?:\s*(?:inch(?:es)?|in\.?|\"|mm)(?!\w))?"
    r"|[0-9]+\s*(?:inch(?:es)?|in\.?|\"|mm)(?!\w)"
)
_MADE_OF = {"aluminum": "aluminum", "aluminium": "aluminum", "wood": "wood", "wooden": "wood", "steel": "steel"}
_MADE = "|".join(_MADE_OF)
_DOOR = _compiled(rf"({_SIZE})[\s-]*(?:thick\s+)?(?:({_MADE})\s+)?doors?|({_SIZE})\s+thick")
_STILE = _compiled(rf"({_SIZE})[\s-]*(?:(?:wide|narrow)\s+)?(?:({_MADE})\s+)?stiles?")
_MATERIAL = _compiled(rf"({_MADE})\s+(?:doors?|stiles?)")
_MASTER = _compiled(
    r"under\s+(?:the\s+)?(?:master\s+)?((?!the\b|(?-i:a)\b|one\b|all\b|each\b)[a-z]{1,3}[0-9]{0,2}[a-z]?(?:\s?\([a-z]{2,10}\))?)"
    rf"|(?:(?<=MK\s)|(?<=master\s)|(?<=master\skeyed\s))((?!K[AD]\b|S?KD\b|G*MK\b){_SYMBOL})"
)
_KEYS_OF = _compiled(rf"(?:of|to|for)\s+(line\s+[0-9]{{1,3}}|{_SYMBOL})")
_SETS = (
    (_compiled(rf"(?:in\s+sets?|sets)\s+of\s+({_N})"), _counted),
    (_compiled(r"in\s+(?:pairs|twos)"), lambda found: 2),
)
_KA_SETS = _compiled(r"KA([0-9]{1,4})")
_EACH = _compiled(
    rf"({_N}|no)\s+keys?\s+(?:each|apiece|ea|(?:per|a|to\s+(?-i:a)|for\s+(?:each|every))(?:\s+(?:cylinder|cyl|lock|one))?)"
)
_EXTRA = _compiled(rf"(?:({_N})\s+)?(?:extra|more|further|spare|additional|(?:great\s+)?(?:grand\s+)?master)\s+keys?")
_COPIES = _compiled(
    rf"(?:({_N})\s+)?(?:cop(?:y|ies)|duplicates?)(?:\s+of)?(?:\s+(?:a|the|his|her|their|my|customer's))?(?:\s+own)?(?:\s+keys?)?"
)
_HOURS = _compiled(rf"({_N}|an)(\s+and\s+a\s+half)?\s+(?:hours?|hrs?)(\s+and\s+a\s+half)?(?:\s+of)?")
_LONG = (("quarter of an hour", 15), ("half an hour", 30), ("an hour", 60))
"""How long what labor is sold by is, as its words say."""
_HALF_DOZEN = _compiled(r"(?:a\s+)?(?:half(?:\s+a)?|1/2|½)\s+(?:a\s+)?doz(?:en)?(?:\s+of)?")
_QUANTITIES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], int]], ...] = (
    (_compiled(rf"(?:qty|quantity)\.?:?\s*({_N})"), _counted),
    (_compiled(rf"[x×*]\s*({_N})"), _counted),
    (_compiled(rf"({_N})\s*[x×*]"), _counted),
    (_compiled(rf"({_N})\s*(?:pcs?|pieces?)(?:\s+of)?"), _counted),
    (_compiled(rf"(?:a\s+)?set\s+of\s+({_N})"), _counted),
    (_compiled(rf"(?:({_N}|a)\s+)?doz(?:en)?(?:\s+of)?"), lambda found: 12 * _multiple(found[1])),
    (_compiled(rf"(?:({_N}|a)\s+)?pairs?(?:\s+of)?"), lambda found: 2 * _multiple(found[1])),
)
_FINISH_NUMBER = _compiled(f"finish\\s+({'|'.join(each.us_code[2:] for each in all_finishes())})")
_REKEY = _compiled(r"re-?key(?:ed|ing|s)?|re-?pin(?:ned|ning)?")
_TOKEN = re.compile(r"[^\s,;\0]+")
_SEVERAL = [re.compile(rf"[^\s,;\0]+(?: [^\s,;\0]+){{{more}}}(?![^\s,;\0])") for more in (2, 1)]
_REST = re.compile(r"[0-9]{1,3}(?:,[0-9]{3})+(?![0-9])|[;\n,]|[^\s,;\0]+")


def _multiple(word: str | None) -> int:
    return 1 if word in (None, "a", "A") else _number(str(word))


def _pieces(typed: str, house: HouseWords) -> list[Piece]:
    """All that a text says, piece by piece, in its order."""
    ear = Listener(typed.translate(_MARKS))
    _hear_numbers(ear, house)
    _hear_names(ear, house)
    for pattern, make in (*_SETS, (_KA_SETS, _counted)):
        _hear_all(ear, "alike in sets" if pattern is _KA_SETS else "set_size", pattern, make)
    _hear_all(ear, "keys_each", _EACH, lambda found: 0 if found[1].casefold() == "no" else _number(found[1]))
    _hear_all(ear, "extra", _EXTRA, lambda found: _number(found[1]) if found[1] else None)
    _hear_all(ear, "copies", _COPIES, lambda found: _number(found[1]) if found[1] else None)
    _hear_all(ear, "keys", _keys_in_all(house), lambda found: 0 if found[1].casefold() == "no" else _number(found[1]))
    if any(each.what in ("keys", "extra") for each in ear.heard):
        _hear_all(ear, "symbol", _KEYS_OF, lambda found: found[1])
    _hear_all(ear, "finish", _FINISH_NUMBER, lambda found: tuple(one.code for one in finishes_named(found[1])))
    _hear_all(ear, "master", _MASTER, lambda found: (found[1] or found[2]).upper())
    for what, door in (("door", _DOOR), ("stile", _STILE)):
        _hear_all(ear, what, door, _sized)
    _hear_all(ear, "material", _MATERIAL, lambda found: _MADE_OF[found[1].casefold()])
    _hear_all(ear, "rekey", _REKEY, lambda found: True)
    for urgency, words in _URGENCIES:
        _hear_all(ear, "urgency", _compiled(words), partial(_always, urgency))
    for kind, words in _KEYINGS:
        _hear_all(ear, "keying", _compiled(words), partial(_always, kind))
    _until_nothing(ear.listen_for_pins)
    _until_nothing(ear.listen_for_type)
    _until_nothing(ear.listen_for_finish)
    _hear_all(ear, "minutes", _HOURS, _minutes)
    _hear_all(ear, "quantity", _HALF_DOZEN, lambda found: 6)
    _until_nothing(ear.listen_for_length)
    for pattern, make in _QUANTITIES:
        _hear_all(ear, "quantity", pattern, make)
    pieces = [Piece(one.start, typed[one.start : one.end].strip(), one.what, one.value) for one in ear.heard]
    for found in _REST.finditer(ear.text):
        text = typed[found.start() : found.end()].strip(".:") or found[0]
        if found[0] in _ENDS or found[0].casefold() in _JOINS:
            pieces.append(Piece(found.start(), found[0], "end" if found[0] in _ENDS else "join"))
        elif re.fullmatch(rf"{_N}|[0-9]{{1,3}}(,[0-9]{{3}})+", text, re.IGNORECASE):
            pieces.append(Piece(found.start(), text, "number", _number(text)))
        else:
            pieces.append(Piece(found.start(), text, "filler" if text.casefold() in _FILLER else "word"))
    return sorted(pieces, key=lambda piece: piece.start)


def _always(value: Any, found: re.Match[str]) -> Any:
    return value


def _until_nothing(listen: Callable[[], Any]) -> None:
    while listen():
        pass


def _hear_all(ear: Listener, what: str, pattern: re.Pattern[str], make: Callable[[re.Match[str]], Any]) -> None:
    while found := pattern.search(ear.text):
        ear.take(what, found, make(found))


def _keys_in_all(house: HouseWords) -> re.Pattern[str]:
    """A number of keys, where nothing in the price book begins so: a key cabinet; a key blank is no key yet."""
    goods = [re.search(r"\bkey (\w{3,})", entry.description, re.IGNORECASE) for entry in house.entries]
    behind = "".join(f"|{found[1].removesuffix('s')}s?" for found in goods if found)
    in_all = r"(?:\s+(?:in\s+all|in\s+total|total|altogether))?"
    # A keyway that stands between was taken out before: three AQ1 keys.
    return _compiled(rf"({_N}|no)[\s{TAKEN}]+keys?(?!-|\s+(?:blanks?{behind})\b){in_all}")


def _hear_numbers(ear: Listener, house: HouseWords) -> None:
    """Part numbers of the catalog, numbers that a maker's pattern reads, worn ones, and codes of the price book."""
    tokens = [found for found in _TOKEN.finditer(ear.text) if len(found[0]) > 2 and _may_be_number(found[0])]
    parted = list(_with_blanks(ear.text))
    wanted = {found[0].casefold() for found in tokens}.union(*(numbers for _, numbers in parted))
    if not wanted:
        return
    codes = {maker.name: code for code, maker in house.makers.items()}
    items = {item.part_number.casefold(): item for item in house.items if item.part_number.casefold() in wanted}
    for place, numbers in parted:
        item = next((items[number] for number in numbers if number in items), None)
        if item is not None and TAKEN not in ear.text[place.start() : place.end()]:
            ear.take("part", place, (codes.get(item.maker, ""), item.part_number))
    entries = {entry.code.casefold(): entry for entry in house.entries if _is_sold(entry)}
    for found in tokens:
        if ear.text[found.start()] == TAKEN:
            continue
        said = found[0].casefold()
        if said in items:
            ear.take("part", found, (codes.get(items[said].maker, ""), items[said].part_number))
        elif said in entries:
            ear.take("entry", found, entries[said])
        elif (number := _legal(found[0], house)) is not None:
            ear.take("part", found, number)
        elif "?" in found[0]:
            ear.take("part", found, ("", found[0]))


def _with_blanks(text: str) -> Iterator[tuple[re.Match[str], tuple[str, ...]]]:
    """Neighbors that may be one number with blanks in it, the most words first, and how a catalog may write it: a
    clerk says DM 118-826D, and DR 903 for DR-903."""
    starts = [found.start() for found in _TOKEN.finditer(text)]
    for pattern in _SEVERAL:
        for found in filter(None, (pattern.match(text, start) for start in starts)):
            parts = found[0].casefold().split()
            if any(map(str.isdigit, found[0])) and not parts[0].isdecimal():
                yield found, tuple(mark.join(parts) for mark in (" ", "-", "", ".", "/"))


def _may_be_number(token: str) -> bool:
    has_digit = any(map(str.isdigit, token))
    return ("-" in token and any(map(str.isalpha, token))) or (
        has_digit and (any(map(str.isalpha, token)) or "." in token)
    )


def _legal(token: str, house: HouseWords) -> tuple[str, str] | None:
    """Whose number a text is that no catalog has, and how that maker writes it."""
    if len(token) < 5 or "?" in token:
        return None
    for code, maker in house.makers.items():
        try:
            return code, decode_any(maker.patterns, token)[0].part_number
        except (BitternError, IndexError):
            continue
    return None


def _is_sold(entry: PriceEntry) -> bool:
    """Whether an entry of the price book is sold by its own name; a key is, by being one."""
    return entry.category not in _BROUGHT and entry.code != KEY_CUT


def _hear_names(ear: Listener, house: HouseWords) -> None:
    """Makers, their keyways, cams and tailpieces, and their own codes for finishes."""
    codes = {maker.name: code for code, maker in house.makers.items()}
    by_name = {said: codes[name] for said, name in names_of_makers(codes).items()}
    _until_nothing(lambda: ear.listen_for("maker", by_name))
    _hear_all(
        ear,
        "maker",
        re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, house.makers)) or '(?!)'})(?![\w-])"),
        lambda found: found[0],
    )
    keyways = {keyway.name: keyway.name for maker in house.makers.values() for keyway in maker.keyways}
    _until_nothing(lambda: ear.listen_for("keyway", keyways))
    segments = [
        segment for maker in house.makers.values() for pattern in maker.patterns for segment in pattern.segments
    ]
    sets = [(code.code, dict(code.sets)) for segment in segments for code in segment.codes]
    for name in ("cam", "tailpiece"):
        named = {said[name] for _, said in sets if name in said}
        spoken = {
            f"{tail} {word}": tail
            for tail in sorted(named)
            for word in (name, "tail" if name == "tailpiece" else name)
        }
        _until_nothing(partial(ear.listen_for, name, spoken))
    finishes = {
        code: said["finish"] for code, said in sets if set(said) == {"finish"} and code.isalpha() and len(code) > 1
    }
    own = re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, finishes)) or '(?!)'})(?![\w-])")
    _hear_all(ear, "finish", own, lambda found: (finishes[found[0]],))


_NOUNS = frozenset({"type", "part", "entry", "rekey", "core", "goods"})
KEYS = frozenset({"keys", "extra", "copies"})


def hear_lines(typed: str, house: HouseWords) -> list[list[Piece]]:
    """The pieces of each line: a line ends where it is said to, or where something else than it is named."""
    groups: list[list[Piece]] = []
    for stretch in _parted(_pieces(typed, house), "end"):
        start = len(groups)
        for part in _parted(stretch, "join"):
            for chunk in _one_noun_each(_with_goods(part, house)):
                before = groups[-1] if len(groups) > start else None
                is_own = _names_something(chunk) or _sells_keys(chunk)
                if before is None or (is_own and (_names_something(before) or _sells_keys(before))):
                    groups.append(chunk)
                else:
                    before += chunk
        if next((piece.what for piece in stretch if piece.what != "filler"), "") == "rekey":
            for group in groups[start + 1 :]:  # rekey two of these and three of those
                if any(piece.what == "type" for piece in group) and _NOUNS & {piece.what for piece in group} == {
                    "type"
                }:
                    group.append(Piece(-1, "", "rekey", value=True))
    return [group for group in groups if any(piece.what not in ("join", "end", "filler") for piece in group)]


def _parted(pieces: list[Piece], by: str) -> list[list[Piece]]:
    parts: list[list[Piece]] = [[]]
    for piece in pieces:
        if piece.what == by:
            parts.append([])
        else:
            parts[-1].append(piece)
    return [part for part in parts if part]


def _names_something(pieces: Iterable[Piece]) -> bool:
    return any(piece.what in _NOUNS for piece in pieces)


def _sells_keys(pieces: Iterable[Piece]) -> bool:
    """Whether pieces are about keys by themselves; mere keys come with the cylinders beside them."""
    return any(piece.what in ("extra", "copies", "symbol") for piece in pieces)


def _one_noun_each(pieces: list[Piece]) -> list[list[Piece]]:
    """Pieces that name several things without a word between them, parted before the number of each further one."""
    chunks: list[list[Piece]] = [[]]
    for place, piece in enumerate(pieces):
        is_count = piece.what in ("number", "quantity")
        rest = pieces[place + 1 :]
        following = next((each.what for each in rest if each.what in (*_NOUNS, "number", "quantity")), "")
        if is_count and following in _NOUNS - {"rekey"} and any(p.what in _NOUNS - {"rekey"} for p in chunks[-1]):
            chunks.append([])
        chunks[-1].append(piece)
    return chunks


def _with_goods(pieces: list[Piece], house: HouseWords) -> list[Piece]:
    """The pieces, their words that name hardware, labor or a trip taken for it where nothing else is named."""
    types = [piece for piece in pieces if piece.what == "type"]
    open_words = [piece for piece in pieces if piece.what in ("word", *(() if types else ("cam", "tailpiece")))]
    if not open_words or any(piece.what in _NOUNS - {"type"} for piece in pieces):
        return pieces
    if all(plain_word(piece.text) == "core" for piece in open_words) and not types:
        return [replace(piece, what="core") if piece in open_words else piece for piece in pieces]
    wanted = [plain_word(word) for piece in open_words for word in in_finish_speech(piece.text).split()]
    if types:
        # 'Budget deadbolt' is hardware where no lock that is keyed is called so.
        wanted += [plain_word(word) for piece in types for word in piece.text.split()]
        if any(
            item.attributes and all(word in item.description.casefold() for word in wanted) for item in house.items
        ):
            return pieces
        open_words += types
    sold = [Goods.of(entry) for entry in house.entries if _is_sold(entry)]
    sold += [Goods.of(item) for item in house.items if not item.attributes and _may_name(item, wanted)]
    counts = [sum(word in one.words for word in wanted) for one in sold]
    most = max(counts, default=0)
    if not most or (types and most < len(wanted)):
        return pieces
    found = [one for one, count in zip(sold, counts, strict=True) if count == most]
    matched = {word for word in wanted if any(word in one.words for one in found)}
    found = _nearest(found, [word for word in wanted if word in matched], pieces)
    if "hour" in matched and "quarter" not in matched and all("quarter" in one.words for one in found):
        matched.discard("hour")  # two hours are not two quarters of one
    named = [piece for piece in pieces if piece in open_words and matched & set(map(plain_word, piece.text.split()))]
    if not named:
        return pieces
    goods = Piece(named[0].start, " ".join(piece.text for piece in named), "goods", tuple(found))
    rest = [_part_of_name(piece, pieces, found) for piece in pieces if piece not in named]
    return sorted([*rest, goods], key=lambda piece: piece.start)


def _may_name(item: CatalogItem, wanted: Iterable[str]) -> bool:
    described = item.description.casefold()
    return any(word in described for word in wanted)


def _part_of_name(piece: Piece, pieces: list[Piece], found: Sequence["Goods"]) -> Piece:
    """A number that stands behind a word as it does in the name of the goods belongs to the name, and so does a word
    of a finish that they have in their name alone: 'flat strike'.
    """
    if piece.what == "finish" and all(_is_called(one, piece) and not is_said_of(one, piece) for one in found):
        return replace(piece, what="in the name")
    place = pieces.index(piece)
    before = pieces[place - 1].text.casefold() if place else ""
    is_named = (
        piece.what == "number"
        and before
        and all(f"{before} {piece.text}" in one.description.casefold() for one in found)
    )
    return replace(piece, what="in the name") if is_named else piece


def plain_word(word: str) -> str:
    """A word without its capitals, quotes and plural s."""
    word = word.translate(_MARKS).casefold().strip("'\"()")
    return word.removesuffix("s") if len(word) > 3 else word


@dataclass(frozen=True, slots=True)
class Goods:
    """Something that is sold by its words: `code` of the price book, or number of a maker's catalog."""

    code: str
    description: str
    kind: LineKind
    maker: str  # its name; "" for the price book's
    words: frozenset[str]

    @classmethod
    def of(cls, sold: PriceEntry | CatalogItem) -> "Goods":
        words = _words_of(sold.description)
        if isinstance(sold, CatalogItem):
            return cls(sold.part_number, sold.description, LineKind.PART, sold.maker, words)
        usual = LineKind.HARDWARE if sold.kind == "goods" else LineKind.LABOR
        codes = frozenset(map(plain_word, sold.code.split("-")))
        return cls(sold.code, sold.description, CATEGORIES.get(sold.category, usual), "", words | codes)


@lru_cache(20_000)
def _words_of(description: str) -> frozenset[str]:
    return frozenset(map(plain_word, re.findall(r"[^\s,;]+", in_finish_speech(description))))


def _nearest(found: list[Goods], wanted: list[str], pieces: Iterable[Piece]) -> list[Goods]:
    """Of goods that the words name equally well those that are called just so, or that have what else is said."""

    def head(one: Goods) -> list[str]:
        return [plain_word(word) for word in one.description.partition(",")[0].split()]

    tests: list[Callable[[Goods], bool]] = [
        lambda one: [plain_word(part) for part in one.code.split("-")] == wanted,
        lambda one: set(wanted) <= set(head(one)),
        *(lambda one, piece=piece: is_said_of(one, piece) or _is_called(one, piece) for piece in pieces),
        lambda one: head(one) == wanted,
    ]
    for test in tests:
        found = [one for one in found if test(one)] or found
    return found


def _is_called(one: Goods, piece: Piece) -> bool:
    """Whether the words of a finish stand in the name of the goods."""
    return piece.what == "finish" and {*map(plain_word, piece.text.split())} <= one.words


def is_said_of(one: Goods, piece: Piece) -> bool:
    """Whether the goods are what a piece says of a finish, a length or a maker."""
    if piece.what == "finish":
        return any(finish_words(code).partition(" ")[2] in in_finish_speech(one.description) for code in piece.value)
    if piece.what == "length":
        return f"{show_inches(piece.value)} in" in one.description
    return piece.what == "maker" and bool(one.maker)
