"""The reference tables of the top-level `shared` folder: finishes, door preparations, trade facts, with sources."""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

from app.errors import BitternError
from app.fitting.inches import read_inches
from app.validation import quoted


@dataclass(frozen=True, slots=True)
class DoorPreparation:
    """A door preparation or the standard that covers one; measures in inches, None where none is given."""

    number: str
    what: str
    text: str
    cross_bore: Fraction | None
    backset: Fraction | None
    edge_bore: Fraction | None
    edge_mortise: str
    door_least: Fraction | None
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class TradeFact:
    """A value of common practice, with where it is from."""

    name: str
    value: Fraction
    text: str
    source: str


def reference_folder() -> Path:
    """The `shared` folder at the top of the checkout (not the repository's parent)."""
    return Path(__file__).resolve().parents[2] / "shared"


@cache
def reference_rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of `shared/<name>.csv`, as text by column; BitternError when the file is not there.

    >>> reference_rows("finishes")[0]["code"]
    '605'
    """
    path = reference_folder() / f"{name}.csv"
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            return tuple(csv.DictReader(handle))
    except OSError as error:
        raise BitternError(
            "shared", f"The reference table {name}.csv is missing; restore the folder named shared."
        ) from error


def _measure(text: str) -> Fraction | None:
    return read_inches(text, "door_preparations") if text else None


@cache
def door_preparations() -> tuple[DoorPreparation, ...]:
    """All door preparations and standards for which a published source is named."""
    return tuple(
        DoorPreparation(
            number=row["number"],
            what=row["what"],
            text=row["text"],
            cross_bore=_measure(row["cross_bore"]),
            backset=_measure(row["backset"]),
            edge_bore=_measure(row["edge_bore"]),
            edge_mortise=row["edge_mortise"],
            door_least=_measure(row["door_least"]),
            source=row["source"],
            status=row["status"],
        )
        for row in reference_rows("door_preparations")
    )


def door_preparation(number: str) -> DoorPreparation:
    """The preparation or standard of this number; BitternError when the table has none.

    >>> door_preparation("86").door_least
    Fraction(7, 4)
    """
    found = next((each for each in door_preparations() if each.number == number), None)
    if found is None:
        raise BitternError("door_preparations", f"{quoted(number)} is not in the table of door preparations.")
    return found


def trade_fact(name: str) -> TradeFact:
    """A value of common practice by its name in `shared/trade_facts.csv`.

    >>> trade_fact("mortise_threads_per_inch").value
    Fraction(32, 1)
    """
    for row in reference_rows("trade_facts"):
        if row["id"] == name:
            return TradeFact(row["id"], read_inches(row["value"], name), row["text"], row["source"])
    raise BitternError("trade_facts", f"{quoted(name)} is not in the table of trade facts.")


@dataclass(frozen=True, slots=True)
class Finish:
    """One finish. `swatch` is our own approximation ('#b4b9bd'); never show it without `words`."""

    code: str
    us_code: str
    name: str
    base: str
    swatch: str
    source: str

    @property
    def plain_words(self) -> tuple[str, ...]:
        """The words of its name that say something: satin, chromium."""
        return tuple(word for word in self.name.replace(",", "").split() if word not in ("for", "paint"))

    @property
    def words(self) -> str:
        """What the counter says: '626 satin chromium'."""
        return f"{self.code} {self.name}"

    @property
    def label(self) -> str:
        """The text that stands beside a swatch: number, US code, name and base metal."""
        return f"{self.code} ({self.us_code}) {self.name} on {self.base}"


@cache
def all_finishes() -> tuple[Finish, ...]:
    """All finishes of the reference table, by number."""
    rows = sorted(reference_rows("finishes"), key=lambda row: row["code"])
    return tuple(
        Finish(row["code"], row["us_code"], row["finish"], row["base"], row["swatch"], row["source"]) for row in rows
    )


@cache
def _by_code() -> dict[str, Finish]:
    return {each.code: each for each in all_finishes()}


def finish(code: str) -> Finish:
    """The finish with this A156.18 number; BitternError for `finish` when the table has none.

    >>> finish("626").label
    '626 (US26D) satin chromium on brass or bronze'
    """
    found = _by_code().get(code)
    if found is None:
        known = ", ".join(_by_code())
        raise BitternError("finish", f"Finish {quoted(code)} is not in the table. Known numbers: {known}.")
    return found


@cache
def _finish_speech() -> tuple[re.Pattern[str], re.Pattern[str]]:
    """Words of finishes as people say them; numbers and codes that mean nothing else."""
    spoken = {word for each in all_finishes() for word in each.plain_words}
    spoken |= {row["said"] for row in reference_rows("finish_words")}
    said = sorted((re.sub(r"[ -]", lambda _: r"[\s-]+", word) for word in sorted(spoken)), key=len)
    a_word = f"(?:{'|'.join(reversed(said))})"
    words = re.compile(rf"(?<![\w-]){a_word}(?:[\s-]+{a_word})*(?![\w-])", re.IGNORECASE)
    lettered = "|".join(each.us_code[2:] for each in all_finishes() if re.fullmatch("US[0-9]+[A-Z]", each.us_code))
    numbers = "|".join(each.code for each in all_finishes())
    codes = re.compile(rf"(?<![\w.-])(?:US\s?[0-9]{{1,2}}[A-Z]?|USP|{lettered}|{numbers})(?![\w-])", re.IGNORECASE)
    return words, codes


def finish_spoken(text: str) -> tuple[re.Match[str], tuple[Finish, ...]] | None:
    """Where a text names a finish by itself, and which that can be; a bare 3 or 26 in it may be anything else."""
    words, codes = _finish_speech()
    for pattern in (codes, words):
        for found in pattern.finditer(text):
            if meant := finishes_named(found[0]):
                return found, meant
    return None


def finishes_named(said: str) -> tuple[Finish, ...]:
    """Every finish that a text can mean which is nothing but the name of one: its number, its older US code with or
    without the US, or its name as people say it, whole or in part. The base metal often decides between several.

    >>> [each.code for each in finishes_named("us26d")], [each.code for each in finishes_named("3")]
    (['626', '652'], ['605', '632'])
    >>> [each.code for each in finishes_named("brushed chrome")], [each.code for each in finishes_named("oil rubbed")]
    (['626', '652'], ['613'])
    """
    wanted = "".join(said.split()).upper()
    for name in (wanted, f"US{wanted}"):
        if found := tuple(each for each in all_finishes() if name in (each.code, each.us_code)):
            return found
    plain = " ".join(said.split())
    if not _finish_speech()[0].fullmatch(plain):
        return ()
    spoken = set(in_finish_speech(plain).casefold().split())
    return tuple(each for each in all_finishes() if spoken <= set(each.plain_words))


def in_finish_speech(text: str) -> str:
    """A text with each word for a finish as the finish table has it: 'chrome' is chromium.

    >>> in_finish_speech("Brushed chrome ring")
    'satin chromium ring'
    """
    for row in reference_rows("finish_words"):
        said = r"[\s-]+".join(map(re.escape, row["said"].split()))
        text = re.sub(rf"(?<![\w-]){said}(?![\w-])", row["means"], text, flags=re.IGNORECASE)
    return text


def finish_words(code: str) -> str:
    """'626 satin chromium', or the code alone when the table does not know it (a maker's own finish)."""
    found = _by_code().get(code)
    return found.words if found else code


def mismatch(codes: Sequence[str]) -> tuple[str, ...]:
    """Warnings for the finishes that would stand on one door, in the order given; empty when they agree.

    Finishes of one US code look alike on different base metals: said too, since they wear differently.

    >>> mismatch(["626", "626"])
    ()
    >>> mismatch(["626", "605"])
    ('626 satin chromium and 605 bright brass on one door do not match: ask before selling.',)
    >>> mismatch(["626", "652"])
    ('626 satin chromium and 652 satin chromium plated look alike (US26D) but the base metal differs.',)
    """
    warnings = []
    distinct = list(dict.fromkeys(code for code in codes if code))
    for index, first in enumerate(distinct):
        for second in distinct[index + 1 :]:
            one, other = _by_code().get(first), _by_code().get(second)
            pair = f"{finish_words(first)} and {finish_words(second)}"
            if one and other and one.us_code == other.us_code:
                warnings.append(f"{pair} look alike ({one.us_code}) but the base metal differs.")
            else:
                warnings.append(f"{pair} on one door do not match: ask before selling.")
    return tuple(warnings)


def mismatch_among(asked: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """`mismatch` where each finish may be any of several numbers, as an old US code leaves it open.

    Two that can be the same number agree; those that cannot but may look alike are told so.

    >>> mismatch_among([["626"], ["626", "652"]])
    ()
    >>> mismatch_among([["626"], ["605", "632"]])
    ('626 satin chromium and 605 bright brass on one door do not match: ask before selling.',)
    """
    told: dict[str, None] = {}
    for index, first in enumerate(asked):
        for second in asked[index + 1 :]:
            pairs = [mismatch([one, other]) for one in first for other in second]
            # The best that the two can be: nothing to say, else a look-alike, else the first pair.
            best = min(pairs, key=lambda said: (bool(said), "look alike" not in "".join(said)), default=())
            told.update(dict.fromkeys(best))
    return tuple(told)
