"""`bittern part`: a maker's part number to attributes and back, with the tables in a makers' folder."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from app.commands.jsonio import json_command, refuse
from app.errors import BitternError
from app.fitting import (
    LearnedSegment,
    ListedNumber,
    MakerFile,
    NumberReading,
    combinations,
    complete,
    compose_any,
    decode_any,
    find_maker,
    from_json,
    learn_pattern,
    load_makers,
    to_json,
    words,
)
from app.validation import Reader, read_text

DEMO_MAKERS = Path(__file__).resolve().parents[2] / "demo_data" / "makers"

group = click.Group("part", help="Makers' part numbers: decode, compose, complete a worn one, learn a pattern.")


_MAKERS = click.Option(
    ["--makers"],
    type=click.Path(),
    default=str(DEMO_MAKERS),
    help="Folder of makers' tables (*.json); the demo's makers unless told otherwise.",
)


def _maker(name: str, folder: str) -> MakerFile:
    return find_maker(load_makers(Path(folder)), name)


def _reading_json(reading: NumberReading) -> dict[str, Any]:
    return {
        "part_number": reading.part_number,
        "attributes": to_json(reading.attributes),
        "words": words(reading.attributes),
        "pieces": [
            {"segment": piece.segment, "text": piece.text, "means": piece.words, "sets": dict(piece.sets)}
            for piece in reading.pieces
        ],
        "warnings": list(reading.warnings),
    }


def example_of(words: str) -> Callable[[Any], Any]:
    """An option that prints a command that works."""

    def show(ctx: click.Context, param: click.Parameter, value: bool) -> None:
        if value:
            click.echo(words)
            ctx.exit(0)

    told = "Print a command that works."
    return click.option("--example", is_flag=True, is_eager=True, expose_value=False, callback=show, help=told)


@group.command("decode")
@click.argument("maker")
@click.argument("number")
@example_of('bittern part decode ARD "A18M-Q1-66.SC"')
def decode(maker: str, number: str, makers: str) -> None:
    """Every legal reading of NUMBER, best first, piece by piece. MAKER is a code or a name."""
    try:
        readings = decode_any(_maker(maker, makers).patterns, number)
    except BitternError as error:
        refuse(error)
    listed = [_reading_json(reading) for reading in readings]
    best = listed[0]
    warnings = list(best["warnings"])
    if len(listed) > 1:
        warnings.append(f"This number can be read in {len(listed)} ways; the first is the likeliest.")
    click.echo(json.dumps({**best, "warnings": warnings, "readings": listed}, ensure_ascii=False))


decode.params.append(_MAKERS)


@group.command("complete")
@click.argument("maker")
@click.argument("number")
@example_of('bittern part complete ARD "18M-Q?-66"')
def complete_worn(maker: str, number: str, makers: str) -> None:
    """Every number of MAKER that a worn NUMBER is a part of; ? stands for one character that cannot be read."""
    try:
        table = _maker(maker, makers)
        found = complete(table.patterns, table.items, number)
    except BitternError as error:
        refuse(error)
    candidates = [
        {
            "part_number": one.part_number,
            "in_catalog": one.item is not None,
            "attributes": to_json(one.attributes) if one.attributes else {},
        }
        for one in found
    ]
    click.echo(json.dumps({"candidates": candidates}, ensure_ascii=False))


complete_worn.params.append(_MAKERS)


def _example(makers: str, maker: str | None) -> dict[str, Any]:
    """Attributes that make a number: of the maker's first cylinder, else of the first number that its pattern has."""
    table = _maker(maker, makers) if maker else load_makers(Path(makers))[0]
    found = next((item.attributes for item in table.items if item.attributes), None)
    if found is None and table.patterns:
        found = next(combinations(table.patterns[0]))[1]
    if found is None:
        raise BitternError("maker", f"{table.name} has no part-number pattern yet.")
    return {"attributes": {name: said for name, said in to_json(found).items() if said and name != "maker"}}


@json_command(group, "compose", _example, click.Argument(["maker"], required=False, metavar="MAKER"), _MAKERS)
def compose(read: Reader, maker: str, makers: str) -> dict[str, Any]:
    """The part number of MAKER (code or name) for attributes; what `decode` printed may be given back."""
    table = _maker(maker, makers)
    asked = from_json(read.given.get("attributes", read.given))
    number = compose_any(table.patterns, asked)
    made = decode_any(table.patterns, number)[0].attributes
    said, filled = to_json(asked), to_json(made)
    warnings = [
        f"Nothing was said of {name}: this number means {filled[name]}."
        for name in said
        if name != "maker" and said[name] in (None, "") and filled[name] not in (None, "")
    ]
    return {"part_number": number, "attributes": filled, "words": words(made), "warnings": warnings}


MOST_LISTED = 100_000
LONGEST_WORDS = 1_000
_LEARNED = (
    ("TX-M1-26", "mortise cylinder, 1 in, satin chromium"),
    ("TX-M2-26", "mortise cylinder, 1-1/8 in, satin chromium"),
    ("TX-M2-05", "mortise cylinder, 1-1/8 in, bright brass"),
    ("TX-M3-13K", "mortise cylinder, 1-1/4 in, oil-rubbed bronze, keyed alike"),
    ("TX-R1-26", "rim cylinder, 1 in, satin chromium"),
    ("TX-R2-05K", "rim cylinder, 1-1/8 in, bright brass, keyed alike"),
    ("TX-R2-13", "rim cylinder, 1-1/8 in, oil-rubbed bronze"),
    ("TX-R3-05", "rim cylinder, 1-1/4 in, bright brass"),
    ("TX-R3-26K", "rim cylinder, 1-1/4 in, satin chromium, keyed alike"),
    ("TX-M1-05K", "mortise cylinder, 1 in, bright brass, keyed alike"),
)


@json_command(
    group,
    "learn",
    {
        "rows": [{"number": number, "words": words} for number, words in _LEARNED],
        "read": ["TX-R1-13K", "TX-R9-13", "QQ-R1-13K"],
    },
)
def learn(read: Reader) -> dict[str, Any]:
    """How a maker's numbers are put together, learned from its price list; "read": further numbers by what was
    learned."""
    rows = read.rows("rows", _listed, MOST_LISTED)
    if len({row.number.strip().upper() for row in rows if row}) < 2:
        read.refuse("rows", "Give at least two different numbers: what never varies cannot be learned.")
    numbers = read.many("read", lambda given: read_text(given, 200), MOST_LISTED)
    is_asked = read.has("read")
    read.done()
    lesson = learn_pattern(rows)
    answer: dict[str, Any] = {
        "pattern": lesson.pattern.as_maker_file(),
        "segments": [_segment_json(segment) for segment in lesson.pattern.segments],
        "unread": list(lesson.unread),
    }
    if is_asked:
        answer["readings"] = {number: lesson.pattern.read(number) for number in numbers}
    return answer


def _listed(row: Reader) -> ListedNumber:
    number = row.text("number")
    words = row.raw("words")
    return ListedNumber(number, row.text("words", LONGEST_WORDS) if words not in (None, "") else "")


def _segment_json(segment: LearnedSegment) -> dict[str, Any]:
    return {
        "name": segment.name,
        "attribute": segment.attribute,
        "codes": dict(segment.codes),
        "optional": segment.optional,
        "missing": segment.missing,
        "sure": segment.sure,
        "doubts": list(segment.doubts),
    }
