"""PURE. How values that somebody gave us are read, from JSON or a cell: every fault at once, each with what to do.

Beneath all rooms: it knows none of them. Refusals are `BitternError` with a field, or `Problems` with all of them.
"""

__all__ = [
    "FIRST_YEAR",
    "LAST_YEAR",
    "AtMost",
    "Form",
    "JsonDataclass",
    "Reader",
    "WordedEnum",
    "check_length",
    "check_lengths",
    "counted",
    "fault_of_length",
    "first_of",
    "form_of",
    "length_limit",
    "place_problems",
    "quoted",
    "read_day",
    "read_entries",
    "read_list",
    "read_many",
    "read_object",
    "read_text",
    "read_typed_whole",
    "read_whole",
    "read_word",
    "short_name",
    "whole",
    "words_of",
]

from app.validation.dataclass_json import AtMost, Form, JsonDataclass, form_of, whole, words_of
from app.validation.reader import Reader, place_problems, read_entries, read_many
from app.validation.values import (
    FIRST_YEAR,
    LAST_YEAR,
    WordedEnum,
    check_length,
    check_lengths,
    counted,
    fault_of_length,
    first_of,
    length_limit,
    quoted,
    read_day,
    read_list,
    read_object,
    read_text,
    read_typed_whole,
    read_whole,
    read_word,
    short_name,
)
