"""One row of each of a maker's tables: its JSON as text cells by column, and back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from app.errors import BitternError
from app.validation import Reader

Row = dict[str, str]


def _listed(text: str) -> list[str]:
    return [each.strip() for each in text.split(",") if each.strip()]


def _pairs(text: str, form: str, between: str = ";") -> list[tuple[str, str]]:
    """'first: second; first: second' as pairs."""
    found = []
    for part in filter(None, (each.strip() for each in text.split(between))):
        first, mark, second = part.partition(":")
        if not mark or not first.strip() or not second.strip():
            raise BitternError("", f"Write it as '{form}', several parted by '{between}'.")
        found.append((first.strip(), second.strip()))
    return found


def _measures(row: Row, *names: str) -> dict[str, Any]:
    return {name.replace(" ", "_"): row[name] for name in names if row[name]}


def sets_of(text: str) -> dict[str, str]:
    """Which attributes a cell sets; the refusal names no field."""
    return dict(_pairs(text, "keyway: Q1"))


def sets_text(sets: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {value}" for name, value in sets.items())


def show_keyway(row: Mapping[str, Any]) -> Row:
    return {"name": row["name"], "family": row["family"], "bitting spec": row["bitting_spec"]}


def read_keyway(row: Row) -> dict[str, Any]:
    return {"name": row["name"], "family": row["family"], "bitting_spec": row["bitting spec"]}


def show_blank(row: Mapping[str, Any]) -> Row:
    return {
        "number": row["number"],
        "keyways": ", ".join(row["keyways"]),
        "chambers": str(row["chambers"]),
        "cross references": "; ".join(f"{e['maker']}: {e['number']}" for e in row.get("cross_references", [])),
    }


def read_blank(row: Row) -> dict[str, Any]:
    read = Reader(row)
    crossed = read.value("cross references", lambda text: _pairs(text, "Maker: number"))
    blank = {"number": read.raw("number"), "keyways": _listed(read.raw("keyways")), "chambers": read.raw("chambers")}
    read.done()
    return {**blank, "cross_references": [{"maker": maker, "number": number} for maker, number in crossed]}


def show_cam(row: Mapping[str, Any]) -> Row:
    return {
        "name": row["name"],
        "part number": row["part_number"],
        "locks": ", ".join(row["locks"]),
        "exceptions": " | ".join(f"{each['lock']}: {each['reason']}" for each in row.get("exceptions", [])),
    }


def read_cam(row: Row) -> dict[str, Any]:
    read = Reader(row)
    exceptions = read.value("exceptions", lambda text: _pairs(text, "Lock: reason", "|"))
    cam = {"name": read.raw("name"), "part_number": read.raw("part number"), "locks": _listed(read.raw("locks"))}
    read.done()
    return {**cam, "exceptions": [{"lock": lock, "reason": reason} for lock, reason in exceptions]}


LOCK_COLUMNS = ("name", "series", "takes", "case", "cam depth", "bore min", "bore max", "backsets")


def show_lock(row: Mapping[str, Any]) -> Row:
    cells = {name: str(row.get(name.replace(" ", "_")) or "") for name in LOCK_COLUMNS[:-1]}
    return {**cells, "backsets": ", ".join(str(each) for each in row.get("backsets", []))}


def read_lock(row: Row) -> dict[str, Any]:
    backsets = _listed(row["backsets"])
    return {**_measures(row, *LOCK_COLUMNS[:-1]), **({"backsets": backsets} if backsets else {})}


def show_code(row: Mapping[str, Any]) -> Row:
    return {"code": row.get("code", ""), "means": row["words"], "sets": sets_text(row.get("sets") or {})}


def read_code(row: Row) -> dict[str, Any]:
    read = Reader(row)
    code, given = read.raw("code"), {"sets": read.value("sets", sets_of), "words": read.raw("means")}
    read.done()
    return {"code": code, **given} if code else given


def _conditions_text(given: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {', '.join(str(v) or 'none' for v in values)}" for name, values in given.items())


def _conditions(text: str) -> dict[str, list[str]]:
    said = _pairs(text, "type: mortise, rim")
    return {name: ["" if value == "none" else value for value in _listed(values)] for name, values in said}


def show_rule(row: Mapping[str, Any]) -> Row:
    return {
        "kind": row["kind"],
        "when": _conditions_text(row.get("when") or {}),
        "then": _conditions_text(row.get("then") or {}),
        "reason": row["reason"],
    }


def read_rule(row: Row) -> dict[str, Any]:
    read = Reader(row)
    kind, when, then, reason = (
        read.raw("kind"), read.value("when", _conditions), read.value("then", _conditions), read.raw("reason")
    )  # fmt: skip
    read.done()
    return {"kind": kind, "when": when, **({"then": then} if then else {}), "reason": reason}
