"""A part number laid out for drawing: each piece with its place and label, as plain values."""

from __future__ import annotations

from dataclasses import dataclass

from app.fitting.cylinder import words
from app.fitting.part_numbers import Reading


@dataclass(frozen=True, slots=True)
class BreakdownPiece:
    """One printed or left-out piece: where its text stands in the number (start, end; in characters, equal
    when left out), the segment's name and what it means. `row` numbers the labels from the top."""

    row: int
    start: int
    end: int
    text: str
    segment: str
    means: str

    @property
    def left_out(self) -> bool:
        """Whether the number does not print this piece."""
        return self.start == self.end


@dataclass(frozen=True, slots=True)
class Breakdown:
    """A number with its pieces in order, and the whole in words."""

    part_number: str
    pieces: tuple[BreakdownPiece, ...]
    words: str


def breakdown(reading: Reading) -> Breakdown:
    """The labelled breakdown of a reading; separators belong to no piece."""
    number = reading.part_number
    place = 0
    laid = []
    for row, piece in enumerate(reading.pieces):
        # Search from where the last piece ended: only a separator can stand between.
        start = number.index(piece.text, place) if piece.text else place
        place = start + len(piece.text)
        laid.append(BreakdownPiece(row, start, place, piece.text, piece.segment, piece.words))
    return Breakdown(number, tuple(laid), words(reading.attributes))
