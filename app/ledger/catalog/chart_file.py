"""A maker's chart as somebody typed it into a file, read into what the spec's page asks: texts by field."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.keying import read_inches, write_inches
from app.spreadsheets import table_rows

CHART_FIELDS = (
    "name",
    "chambers",
    "depths",
    "first_depth",
    "macs",
    "step",
    "stack_total",
    "control_offset",
    "min_master_pin",
    "depth0_in",
    "increment_in",
    "first_cut_in",
    "spacing_in",
    "root_depths",
)
MOST_BYTES = 200_000
_ROUNDING = Fraction(1, 1000)  # charts print three places


def read_chart(file_name: str, content: bytes) -> dict[str, str]:
    """The chart in a .json, .csv or .xlsx file as texts by field, for the page to check.

    JSON: one object with the fields of a spec, `root_depths` a list of inches, shallowest first. A table: the
    field's name in the first column, its value in the second; `root_depths` has its values in the columns
    after it. Raises Problems, each naming its row or field.

    >>> read_chart("chart.json", b'{"chambers": 5, "root_depths": [0.322, 0.299]}')
    {'chambers': '5', 'root_depths': '0.322 0.299'}
    """
    if len(content) > MOST_BYTES:
        raise BitternError("file", "A chart is a page; this file is larger than 200 kB.")
    if file_name.lower().endswith(".json"):
        return _from_json(content)
    return _from_table(list(table_rows(file_name, content)))


def _from_json(content: bytes) -> dict[str, str]:
    try:
        given = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BitternError("file", "This is no JSON that can be read. Save it anew, in UTF-8.") from error
    if not isinstance(given, dict):
        raise BitternError("file", 'Give one JSON object, such as {"chambers": 6, "depths": 10}.')
    found: dict[str, str] = {}
    problems: list[Problem] = []
    for name, value in given.items():
        if name not in CHART_FIELDS:
            problems.append(_unknown(str(name), str(name)[:40]))
        elif name == "root_depths" and isinstance(value, list) and len(value) <= 16:
            found[name] = " ".join(str(one) for one in value)
        elif value is not None and (isinstance(value, bool) or not isinstance(value, (str, int, float))):
            problems.append(Problem(name, f"{name} must be one number or text."))
        elif value is not None:
            found[name] = str(value)[:200]
    if problems:
        raise Problems(problems)
    return found


def _from_table(rows: Sequence[Sequence[str]]) -> dict[str, str]:
    found: dict[str, str] = {}
    problems: list[Problem] = []
    for number, row in enumerate(rows, start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].casefold() in ("field", "what"):
            continue
        name = cells[0].casefold().replace(" ", "_")
        if name not in CHART_FIELDS:
            problems.append(_unknown(cells[0], f"row {number}"))
        elif name in found:
            problems.append(Problem(f"row {number}", f"{cells[0][:40]} stands twice."))
        else:
            values = cells[1:] if name == "root_depths" else cells[1:2]
            found[name] = " ".join(value[:80] for value in values if value)
    if problems:
        raise Problems(problems)
    return found


def _unknown(name: str, field: str) -> Problem:
    return Problem(field, f"{name[:40]!r} is no field of a spec. Known: {', '.join(CHART_FIELDS)}.")


def even_roots(values: Mapping[str, Any], roots: str) -> dict[str, Fraction]:
    """The root depth of the shallowest cut and the increment, from all root depths as the chart prints them.

    values: `depths`, and `depth0_in` and `increment_in` where they were entered too (else None). Refuses
    (field `root_depths`) where the steps are not even to a thousandth: this spec has one increment.

    >>> even_roots({"depths": 3, "depth0_in": None, "increment_in": None}, "0.331 0.317 0.302")["increment_in"]
    Fraction(29, 2000)
    """
    words = roots.replace(",", " ").replace(";", " ").split()
    if len(words) != values["depths"] or len(words) < 2:
        raise BitternError(
            "root_depths", f"Give one root depth for each of the {values['depths']} depths; here are {len(words)}."
        )
    given = [read_inches(word, "root_depths") for word in words]
    first = values["depth0_in"] or given[0]
    increment = values["increment_in"] or (given[0] - given[-1]) / (len(given) - 1)
    for number, root in enumerate(given):
        due = first - number * increment
        if abs(root - due) > _ROUNDING:
            raise BitternError(
                "root_depths",
                f"Root {number + 1} of the chart is {write_inches(root)}, but even steps of "
                f"{write_inches(increment)} give {write_inches(Fraction(round(due * 10000), 10000))}. "
                "Compare it with the paper; a chart with uneven steps cannot be entered.",
            )
    return {"depth0_in": first, "increment_in": increment}
