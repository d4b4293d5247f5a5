"""Bitting specs: read from a chart, saved, changed without breaking the systems keyed by them, and asked for."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from types import MappingProxyType
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import BitternError, Problem, Problems
from app.keying import (
    BittingRules,
    BittingSpec,
    check_offset,
    check_rules,
    read_inches,
    write_inches,
)
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderState,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Keyway,
    Maker,
    SpecRow,
)
from app.spreadsheets import table_rows
from app.validation import counted

MOST_BYTES = 200_000
_ROUNDING = Fraction(1, 1000)  # charts print three places
_LABELS = {
    "name": "name",
    "chambers": "chambers",
    "depths": "depths",
    "first_depth": "first depth",
    "macs": "MACS",
    "step": "step",
    "stack_total": "stack total",
    "control_offset": "control offset",
    "min_master_pin": "least master pin",
    "ball": "construction ball",
    "most_master_pins": "most master pins",
    "share_one_in": "share of all bittings",
    "stop": "where the key stops",
    "depth0_in": "root depth of the shallowest cut",
    "increment_in": "increment",
    "first_cut_in": "first cut",
    "spacing_in": "spacing",
}
_MADE_BY = ("stop", "depth0_in", "increment_in", "first_cut_in", "spacing_in", "stack_total", "control_offset")
MOST_WHY = 200
CHART_FIELDS = (*_LABELS, "root_depths")
USUAL_RULES = BittingRules(
    least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True, least_apart=2
)
"""What a new spec's form proposes (common practice, no source)."""
USUAL_BOUNDS: Mapping[str, int] = MappingProxyType({"most_master_pins": 2, "share_one_in": 200})
"""The same of what is warned of: more than two master pins wear badly and pick easily (common practice, no source);
what is plainly master-keyed with five chambers and seven depths lets in one in 525, what is crossed two or three
times more than one in 200 (reasoned here, no source).
"""


def add_spec(work: Work, spec: BittingSpec) -> SpecRow:
    """Put a spec on record under `spec.name`; owner only. Taken when the name is on record already."""
    work.require_owner()
    name = _checked_name(spec)
    with transaction(work.session):
        _refuse_taken(work, name)
        row = SpecRow(name=name, spec=replace(spec, name="").to_json())
        work.session.add(row)
        work.session.flush()
        record(work, "bitting spec entered", f"bitting spec {row.id}", f"{name}: {_in_short(spec)}")
        return row


def put_spec(work: Work, spec_id: int, version: int, spec: BittingSpec, why: str = "") -> SpecRow:
    """Save a spec read at `version`, inside the caller's transaction.

    Where systems are keyed by it, what their bittings are written in stays, and what metal was made by changes only
    with a reason: Problems names each field that may not change so. Raises Stale when somebody saved in between.
    """
    name, why = _checked_name(spec), " ".join(why.split())[:MOST_WHY]
    row = get_spec(work.session, spec_id)
    if row.version != version:
        raise Stale()
    if name != row.name:
        _refuse_taken(work, name)
    before = read_spec(row)
    corrected = refuse_breaking(work, row, before, spec, why)
    row.name, row.spec = name, replace(spec, name="").to_json()
    changed = [label for field, label in _LABELS.items() if getattr(before, field) != getattr(spec, field)]
    if before.kit != spec.kit:
        changed.append("the kit's pins")
    if before.rules != spec.rules:
        changed.append(f"rules ({', '.join(spec.rules.words.values()) or 'none'})")
    if changed:
        said = f"{name}: {', '.join(changed)} changed"
        said += f" ({'; '.join(corrected)}): {why}" if corrected else ""
        record(work, "bitting spec changed", f"bitting spec {row.id}", said)
    return row


def _checked_name(spec: BittingSpec) -> str:
    """The name of a spec that does not contradict itself."""
    name = " ".join(spec.name.split())
    if not name:
        raise Problems([Problem("name", "Enter a name for the spec, such as the maker and the keyway family.")])
    if spec.control_offset is not None:
        check_offset(spec)
    check_rules(spec)
    return name


def _refuse_taken(work: Work, name: str) -> None:
    if work.session.scalar(sa.select(SpecRow.id).where(SpecRow.name == name)):
        raise Taken("name", f"There is a bitting spec named {name} already; choose another name.")


def _in_short(spec: BittingSpec) -> str:
    return f"{spec.chambers} chambers, {spec.depths} depths, MACS {spec.macs}"


@dataclass(frozen=True, slots=True)
class StandingOn:
    """What stands on a spec: the systems keyed by it, the most chambers of one, their bittings on record, keys that
    are cut, cylinders that are pinned or fitted, and those `shorter`, with fewer chambers than their keys have cuts.
    """

    systems: tuple[str, ...]
    most_chambers: int
    bittings: int
    keys: int
    pinned: int
    shorter: int

    @property
    def is_relied_on(self) -> bool:
        """Whether a key was cut, or a cylinder pinned, or may have been elsewhere, by what it says."""
        return bool(self.bittings or self.keys or self.pinned)

    @property
    def words(self) -> str:
        """The same, for whoever would change it; "" where nothing stands on it."""
        if not self.systems:
            return ""
        named = ", ".join(self.systems[:3]) + (" and others" if len(self.systems) > 3 else "")
        metal = f"{counted(self.keys, 'key')} cut, {counted(self.pinned, 'cylinder')} pinned"
        are = "system is" if len(self.systems) == 1 else "systems are"
        return f"{len(self.systems)} key {are} keyed by this spec ({named}; {metal})"


def standing_on(session: Session, spec_id: int) -> StandingOn:
    """What stands on a spec: two queries."""
    systems = session.execute(
        sa.select(KeySystem.name, KeySystem.chambers).where(KeySystem.spec_id == spec_id).order_by(KeySystem.id)
    ).all()
    keysets = sa.select(Keyset.id).join(Keyset.system).where(KeySystem.spec_id == spec_id)
    cylinders = sa.select(sa.func.count()).select_from(Cylinder).join(Cylinder.keyset).join(Keyset.system)
    cylinders = cylinders.where(KeySystem.spec_id == spec_id)
    counts = (
        sa.select(sa.func.count()).where(Bitting.keyset_id.in_(keysets)),
        sa.select(sa.func.count()).where(
            Key.keyset_id.in_(keysets), Key.state.not_in((KeyState.ORDERED, KeyState.RETIRED))
        ),
        cylinders.where(Cylinder.state.not_in((CylinderState.ORDERED, CylinderState.REMOVED))),
        cylinders.where(Cylinder.state != CylinderState.REMOVED, Cylinder.chambers < KeySystem.chambers),
    )
    found = session.execute(sa.select(*(one.scalar_subquery() for one in counts))).one()
    names = tuple(name for name, _ in systems)
    return StandingOn(names, max((chambers for _, chambers in systems), default=0), *found)


def refuse_breaking(
    work: Work, row: SpecRow, before: BittingSpec, after: BittingSpec, why: str | None = None
) -> tuple[str, ...]:
    """Raise Problems where a spec would change what the bittings of systems in service are written in.

    What keys were cut and cylinders pinned by may be corrected where somebody says why: gives each such figure as it
    was and is, for the record. why: None where nobody can be asked, as of a file.
    """
    standing = standing_on(work.session, row.id)
    if not standing.systems:
        return ()
    held, problems = standing.words, []
    if after.chambers < standing.most_chambers:
        least = standing.most_chambers
        problems.append(Problem("chambers", f"{held}, with up to {least} chambers; enter at least {least}."))
    if after.first_depth != before.first_depth:
        problems.append(Problem("first_depth", f"{held}; its depths must keep their numbers. Enter a new spec."))
    elif after.depths < before.depths:
        problems.append(Problem("depths", f"{held}; a depth in use could be lost. Enter at least {before.depths}."))
    if after.step != before.step:
        problems.append(Problem("step", f"{held} and progressed by this step. Enter a new spec instead."))
    if after.stop is not before.stop and standing.shorter:
        have = f"{counted(standing.shorter, 'cylinder')} with fewer chambers than their keys have cuts"
        told = f"{held}; {have} see the cuts nearest to the {before.stop}. Enter a new spec instead."
        problems.append(Problem("stop", told))
    corrected = [
        (name, f"{_LABELS[name]} {_figure(getattr(before, name))} → {_figure(getattr(after, name))}")
        for name in _MADE_BY
        if getattr(before, name) not in (None, getattr(after, name)) and standing.is_relied_on
    ]
    if corrected and not why:
        names = ", ".join(_LABELS[name] for name, _ in corrected)
        told = f"{held}. Metal was made by the {names} on record: "
        if why is None:
            told += "change this on the spec's page, which asks why."
            problems += [Problem(name, told) for name, _ in corrected]
        else:
            told += "say why that changes, or enter a new spec and give it to the keyway."
            problems.append(Problem("why", told))
    if problems:
        raise Problems(problems)
    return tuple(words for _, words in corrected)


def _figure(value: object) -> str:
    return write_inches(value) if isinstance(value, Fraction) else "none" if value is None else str(value)


@dataclass(frozen=True, slots=True)
class SpecUse:
    """A spec in the list: its keyways' codes, and how many key systems are keyed by it."""

    row: SpecRow
    keyways: tuple[str, ...]
    systems: int

    @property
    def spec(self) -> BittingSpec:
        """The spec itself."""
        return read_spec(self.row)


def read_spec(row: SpecRow) -> BittingSpec:
    """The spec of a row, under the row's name."""
    return BittingSpec.from_json({**row.spec, "name": row.name})


def get_spec(session: Session, spec_id: int) -> SpecRow:
    """One spec; NotFound when there is none."""
    return get_row(session, SpecRow, spec_id, "bitting spec")


def list_specs(session: Session) -> tuple[SpecUse, ...]:
    """Every spec by name with what uses it: three queries."""
    rows = session.scalars(sa.select(SpecRow).order_by(SpecRow.name)).all()
    keyways: dict[int, list[str]] = {}
    for spec_id, code in session.execute(sa.select(Keyway.spec_id, Keyway.code).order_by(Keyway.code)):
        keyways.setdefault(spec_id, []).append(code)
    counted = sa.select(KeySystem.spec_id, sa.func.count()).group_by(KeySystem.spec_id)
    systems = dict(session.execute(counted).all())
    return tuple(SpecUse(row, tuple(keyways.get(row.id, ())), systems.get(row.id, 0)) for row in rows)


def use_of(session: Session, row: SpecRow) -> tuple[Sequence[Keyway], Sequence[KeySystem]]:
    """The keyways cut to a spec and the systems keyed by it."""
    keyways = session.scalars(
        sa.select(Keyway).where(Keyway.spec_id == row.id).options(joinedload(Keyway.maker)).order_by(Keyway.code)
    ).all()
    systems = session.scalars(
        sa.select(KeySystem)
        .where(KeySystem.spec_id == row.id)
        .options(joinedload(KeySystem.customer))
        .order_by(KeySystem.name)
    ).all()
    return keyways, systems


def keyway_chambers(session: Session) -> list[tuple[str, str, int]]:
    """Code, maker's name and most chambers of every keyway, by code."""
    rows = session.execute(
        sa.select(Keyway.code, Maker.name, SpecRow.spec).join(Keyway.maker).join(Keyway.spec).order_by(Keyway.code)
    )
    return [(code, maker, BittingSpec.from_json(spec).chambers) for code, maker, spec in rows]


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
