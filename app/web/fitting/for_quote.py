"""What an answer puts on a quote: lines of the counter page, as its boxes hold them."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from app.ledger.tables import LineKind

LineTexts = Mapping[str, str]
MOST_LINES, MOST_BOXES, LONGEST_POSTED = 12, 40, 20_000


@dataclass(frozen=True, slots=True)
class ForQuote:
    """Lines that one press puts on the quote; the first takes the place of the line that asked. name: of them all."""

    name: str
    lines: tuple[LineTexts, ...]

    @property
    def posted(self) -> str:
        """The lines as the button sends them; `read_lines` reads them."""
        return json.dumps(self.lines, separators=(",", ":"))

    @property
    def numbers(self) -> tuple[str, ...]:
        """Their part numbers."""
        return tuple(line["part_number"] for line in self.lines if line.get("part_number"))


def part_texts(maker_code: str, number: str, **more: str) -> LineTexts:
    """A line by part number, with whatever else is known of it by the names of its boxes."""
    said = {name: text for name, text in more.items() if text}
    return {"kind": LineKind.PART.value, "maker": maker_code, "part_number": number, **said}


def for_part(maker_code: str, number: str, **more: str) -> ForQuote:
    """One part number for the quote."""
    return ForQuote(number, (part_texts(maker_code, number, **more),))


def for_line(name: str, **texts: str) -> ForQuote:
    """A line of any kind for the quote."""
    return ForQuote(name, ({box: text for box, text in texts.items() if text},))


def read_lines(posted: str) -> list[dict[str, str]]:
    """The lines that a button sent; [] for nonsense. What they say counts as typed, and is checked as such."""
    try:
        given = json.loads(posted) if len(posted) <= LONGEST_POSTED else []
    except (ValueError, RecursionError):
        return []
    if not isinstance(given, list):
        return []
    return [
        {name: text[:1000] for name, text in list(line.items())[:MOST_BOXES] if isinstance(text, str)}
        for line in given[:MOST_LINES]
        if isinstance(line, dict)
    ]
