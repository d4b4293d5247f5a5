"""A maker's tables as sheets of text cells, for a page, a CSV or a spreadsheet, and back into the maker's JSON."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from app.errors import BitternError

SEGMENTS = "segments"
Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """A column: its heading, its field in a row's JSON ("": the row is this value alone), how the value shows as text
    and how text is read (a BitternError without a field refuses it). `is_optional`: an empty cell leaves the field
    out."""

    heading: str
    field: str
    show: Callable[[Any], str] = str
    read: Callable[[str], Any] = str
    is_optional: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of a maker: its key in addresses, its title, a hint, its columns, and where it lies in the JSON.

    `lists`: the names of the lists that hold its rows; of two, the second has the rows without their first column.
    They are the maker's own, or those of the pattern and the segment that `place` counts from 0. `unique`: the
    columns that no two rows have in common.
    """

    key: str
    title: str
    hint: str
    cells: tuple[SheetColumn, ...]
    lists: tuple[str, ...]
    unique: tuple[str, ...]
    place: tuple[int, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """The headings of its columns."""
        return tuple(cell.heading for cell in self.cells)

    @property
    def path(self) -> str:
        """What stands before the names of its lists in the path of a problem."""
        return "".join(f"{name}[{at + 1}]." for name, at in zip(("patterns", "segments"), self.place, strict=False))

    def holder(self, tables: Mapping[str, Any]) -> Any:
        """The object in the maker's JSON that has its lists."""
        found: Any = tables
        for name, at in zip(("patterns", "segments"), self.place, strict=False):
            found = found[name][at]
        return found


def _text(heading: str, name: str = "", *, is_optional: bool = False) -> SheetColumn:
    return SheetColumn(heading, name or heading.replace(" ", "_"), is_optional=is_optional)


def _words(text: str) -> list[str]:
    return [each.strip() for each in text.split(",") if each.strip()]


def _listed(heading: str, *, is_optional: bool = False) -> SheetColumn:
    return SheetColumn(heading, heading, lambda each: ", ".join(map(str, each)), _words, is_optional)


def _parted(text: str, form: str, between: str = ";") -> list[tuple[str, str]]:
    """'first: second; first: second' as pairs."""
    found = []
    for part in filter(None, (each.strip() for each in text.split(between))):
        first, mark, second = part.partition(":")
        if not mark or not first.strip() or not second.strip():
            raise BitternError("", f"Write it as '{form}', several parted by '{between}'.")
        found.append((first.strip(), second.strip()))
    return found


def _pairs(heading: str, first: str, second: str, form: str, between: str, glue: str) -> SheetColumn:
    """A column of a list of objects of two fields."""
    return SheetColumn(
        heading,
        heading.replace(" ", "_"),
        lambda rows: glue.join(f"{row[first]}: {row[second]}" for row in rows),
        lambda text: [{first: one, second: other} for one, other in _parted(text, form, between)],
    )


def _sets_text(sets: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {value}" for name, value in sets.items())


def read_sets(text: str) -> dict[str, str]:
    return dict(_parted(text, "keyway: Q1"))


def _conditions_text(conditions: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {', '.join(str(v) or 'none' for v in values)}" for name, values in conditions.items())


def _read_conditions(text: str) -> dict[str, list[str]]:
    said = _parted(text, "type: mortise, rim")
    return {name: ["" if value == "none" else value for value in _words(values)] for name, values in said}


_CODE_COLUMNS = (
    _text("code", is_optional=True),
    _text("means", "words"),
    SheetColumn("sets", "sets", _sets_text, read_sets),
)
_RULE_COLUMNS = (
    _text("kind"),
    SheetColumn("when", "when", _conditions_text, _read_conditions),
    SheetColumn("then", "then", _conditions_text, _read_conditions, is_optional=True),
    _text("reason"),
)
_CODE_HINT = "Sets as 'keyway: Q1; chambers: 6'. A row without a code is what it means when left out."
_RULE_HINT = "Conditions as 'type: mortise; cam: none'. Allow: when that holds, only then exists. Forbid: no then."
_LOCK_TEXTS = ("name", "series", "takes", "case", "cam depth", "bore min", "bore max")
NUMBER_COLUMNS = ("attribute", "digits", "unit", "least", "most")
_SEGMENT_COLUMNS = (
    *("pattern", "segment", "kind", "separator", "text", "means", "sets"),
    *NUMBER_COLUMNS,
    "left out",
)


def _fixed(key: str, title: str, hint: str, cells: tuple[SheetColumn, ...], table: str) -> Sheet:
    """A sheet that every maker has; no two of its rows begin alike."""
    return Sheet(key, title, hint, cells, (table,), (cells[0].heading,))


_FIXED = (
    _fixed(
        "keyways",
        "Keyways",
        "The bitting spec is one on record, by its name.",
        (_text("name"), _text("family"), _text("bitting spec")),
        "keyways",
    ),
    _fixed(
        "blanks",
        "Key blanks",
        "Keyways that the blank enters, parted by commas. Cross references as 'Maker: number; Maker: number'.",
        (
            _text("number"),
            _listed("keyways"),
            _text("chambers"),
            _pairs("cross references", "maker", "number", "Maker: number", ";", "; "),
        ),
        "key_blanks",
    ),
    _fixed(
        "cams",
        "Cams",
        "Locks are series or lock names, parted by commas. Exceptions as 'Lock: reason | Lock: reason'.",
        (
            _text("name"),
            _text("part number"),
            _listed("locks"),
            _pairs("exceptions", "lock", "reason", "Lock: reason", "|", " | "),
        ),
        "cams",
    ),
    _fixed(
        "locks",
        "Locks",
        "Takes a cylinder type: mortise, rim, bored, sfic or lfic. Measures in inches.",
        (*(_text(name, is_optional=True) for name in _LOCK_TEXTS), _listed("backsets", is_optional=True)),
        "locks",
    ),
    _fixed(
        "lengths",
        "Mortise lengths",
        "Lengths to be had, in inches, from the underside of the head to the back of the cam.",
        (SheetColumn("length", ""),),
        "lengths",
    ),
    _fixed(
        "rings",
        "Rings and collars",
        "Thicknesses to be had, in inches.",
        (SheetColumn("thickness", ""),),
        "rings",
    ),
    # Patterns and segments together are one sheet, since their order is what they mean.
    Sheet(
        SEGMENTS,
        "Patterns, segment by segment",
        "A row a segment, in the order of the number; a pattern begins where its name first stands. Kind: text "
        "(always the same), codes (its table is below; a new one begins with the code in 'text'), or number (a "
        "length, chambers or drilled). Separator: what stands before it. Left out: what it means when it is missing, "
        "such as 'standard cam = cam: standard', several parted by '|'; of codes entered before it stands in their "
        "own table.",
        tuple(_text(name) for name in _SEGMENT_COLUMNS),
        ("patterns",),
        ("pattern", "segment"),
    ),
)


def sheets_of(tables: Mapping[str, Any]) -> tuple[Sheet, ...]:
    """The sheets of a maker: keyways, blanks, cams, locks, sizes, segments, then each pattern's codes and rules."""
    found = [*_FIXED]
    for place, pattern in enumerate(tables.get("patterns", [])):
        number, name = place + 1, pattern["name"]
        for index, segment in enumerate(pattern["segments"]):
            if segment["kind"] == "codes":
                key, title = f"codes-{number}-{index + 1}", f"{name}: codes of {segment['name']}"
                lists = ("codes", "missing")
                found.append(Sheet(key, title, _CODE_HINT, _CODE_COLUMNS, lists, ("code",), (place, index)))
        found.append(Sheet(f"rules-{number}", f"{name}: rules", _RULE_HINT, _RULE_COLUMNS, ("rules",), (), (place,)))
    return tuple(found)


def find_sheet(tables: Mapping[str, Any], key: str) -> Sheet:
    """The sheet with this key; BitternError when the maker has none such."""
    for sheet in sheets_of(tables):
        if sheet.key == key:
            return sheet
    raise BitternError("sheet", "This maker has no such table.")


def sheet_rows(tables: Mapping[str, Any], sheet: Sheet) -> list[Row]:
    """The rows of a sheet as text by column."""
    if sheet.key == SEGMENTS:
        return [
            _segment_texts(pattern["name"], segment)
            for pattern in tables.get("patterns", [])
            for segment in pattern["segments"]
        ]
    holder = sheet.holder(tables)
    return [_texts(sheet, row) for name in sheet.lists for row in holder.get(name, [])]


def _texts(sheet: Sheet, row: Any) -> Row:
    values = {cell.heading: row.get(cell.field) if cell.field else row for cell in sheet.cells}
    return {
        cell.heading: "" if values[cell.heading] is None else cell.show(values[cell.heading]) for cell in sheet.cells
    }


def _segment_texts(pattern: str, segment: Mapping[str, Any]) -> Row:
    """A segment as text by column."""
    row = dict.fromkeys(_SEGMENT_COLUMNS, "")
    row |= {"pattern": pattern, "segment": segment["name"], "kind": segment["kind"]}
    row["separator"] = segment.get("separator", "")
    if segment["kind"] == "text":
        row |= {"text": segment["text"], "means": segment.get("words", "")}
        row["sets"] = _sets_text(segment.get("sets") or {})
    if segment["kind"] == "number":
        row |= {name: str(segment.get(name, "")) for name in NUMBER_COLUMNS}
    if segment["kind"] != "codes":
        row["left out"] = " | ".join(_meaning_text(each) for each in segment.get("missing", []))
    return row


def _meaning_text(meaning: Mapping[str, Any]) -> str:
    sets = _sets_text(meaning.get("sets") or {})
    return f"{meaning['words']} = {sets}" if sets else str(meaning["words"])
