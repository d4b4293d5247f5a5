"""Importable rows: sites, and the doors at them with what hangs there."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import read_inches
from app.ledger.importing.customers import (
    ADDRESS,
    CUSTOMER,
    TAX_PLACE,
    CustomersOnRecord,
    address_of,
    field_changes,
)
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.sites.customers import SiteForm, add_site, change_site
from app.ledger.sites.door_import import ListPlan, import_doors, plan_doors
from app.ledger.sites.door_paste import HANDS, LIST_COLUMNS, TEXTS, DoorRow
from app.ledger.store.work import Work
from app.ledger.tables import Role, Site, longest
from app.spreadsheets import CellLook

_NAMES_OF_SITES = ("site name", "building", "location name", "branch", "property", "job site", "campus")


class _Sites:
    """Sites on record by customer and name, whatever the letters."""

    def __init__(self, session: Session) -> None:
        self.customers = CustomersOnRecord(session)
        self.by_name: dict[tuple[int, str], Site] = {}
        rows = sa.select(Site).where(Site.merged_into_id.is_(None)).order_by(Site.id.desc())
        for site in session.scalars(rows):
            self.by_name[site.customer_id, site.name.casefold()] = site


def _plan_sites(session: Session, customer_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    known = _Sites(session)
    seen: dict[tuple[int, str], int] = {}
    plans = []
    for row, values in rows:
        owner = customer_id or known.customers.named(row, values["customer"], refuse)
        if owner is None:
            continue
        name = values["site"]
        number = seen.setdefault((owner, name.casefold()), row)
        if number != row:
            refuse(row, "site", f"{name} stands in row {number} already.")
            continue
        said = {"address": address_of(values), "tax_place": values.get("tax place", "")}
        before = known.by_name.get((owner, name.casefold()))
        if before is None:
            fields = {one.replace("_", " "): ("", value) for one, value in said.items() if value}
        else:
            fields = {one.replace("_", " "): pair for one, pair in field_changes(before, said).items()}
        state = RowState.NEW if before is None else RowState.CHANGED if fields else RowState.SAME
        plans.append(RowPlan(row, state, name, fields, (owner, before.id if before else None, name, said)))
    return plans


def _save_sites(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    for plan in plans:
        owner, site_id, name, said = plan.value
        if site_id is None:
            add_site(work, owner, SiteForm(name, said["address"], said["tax_place"]))
            continue
        site = work.session.get_one(Site, site_id)
        form = SiteForm(site.name, said["address"] or site.address, said["tax_place"] or site.tax_place)
        change_site(work, site.id, site.version, form)


SITES = ImportKind(
    "sites",
    "Sites",
    "site",
    (
        CUSTOMER,
        ImportColumn(
            name="site",
            words="Site",
            also=(*_NAMES_OF_SITES, "name", "location"),
            most=longest(Site.name),
            is_needed=True,
        ),
        *ADDRESS,
        TAX_PLACE,
    ),
    _plan_sites,
    _save_sites,
    hint="A row a place with doors.",
    about="customer",
    about_columns=("customer",),
)


def _hands(_: Session) -> dict[str, str]:
    return {hand: hand for hand in HANDS if hand}


def _measure(text: str, field: str) -> Fraction:
    return read_inches(text, field)


def door_row(row: int, values: Mapping[str, Any]) -> DoorRow:
    """A row as the door list's own rules take it."""
    texts = {name.replace(" ", "_"): values.get(name) or "" for name in TEXTS}
    said = frozenset(name for name, value in values.items() if value not in ("", None))
    return DoorRow(
        row=row,
        hand=values.get("hand") or "",
        thickness=values.get("thickness") or None,
        stile=values.get("stile") or None,
        is_egress=values.get("egress") == "yes",
        is_fire_rated=values.get("fire rated") == "yes",
        said=said,
        **texts,
    )


def _plan_doors(session: Session, site_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    by_site: dict[int, list[DoorRow]] = {}
    known = None if site_id is not None else _Sites(session)
    for row, values in rows:
        place = site_id
        if known is not None:
            owner = known.customers.named(row, values["customer"], refuse)
            if owner is None:
                continue
            site = known.by_name.get((owner, values["site"].casefold()))
            if site is None:
                refuse(row, "site", f"{values['customer']} has no site {values['site'][:60]}: import sites first.")
                continue
            place = site.id
        by_site.setdefault(place or 0, []).append(door_row(row, values))
    plans: list[RowPlan] = []
    for place, doors in by_site.items():
        plan = plan_doors(session, place, doors)
        while plan.problems:
            bad = set()
            for problem in plan.problems:
                number, _, column = problem.field.removeprefix("row ").partition(", ")
                refuse(int(number), column, problem.message)
                bad.add(int(number))
            doors = [door for door in doors if door.row not in bad]
            plan = plan_doors(session, place, doors)
        plans += _door_plans(place, doors, plan)
    return sorted(plans)


def _door_plans(place: int, doors: Sequence[DoorRow], plan: ListPlan) -> list[RowPlan]:
    added = {values["opening"] for values in plan.added}
    changed = {change.opening: change.fields for change in plan.changed}
    hung = {(one.opening, one.position): one for one in plan.cylinders}
    seen = set()
    found = []
    for door in doors:
        fields: dict[str, tuple[str, str]] = {}
        state = RowState.SAME
        if door.opening not in seen:
            seen.add(door.opening)
            if door.opening in added:
                state, fields = RowState.NEW, {name: ("", text) for name, text in door.texts().items()}
            elif door.opening in changed:
                state, fields = RowState.CHANGED, dict(changed[door.opening])
        if one := hung.get((door.opening, door.position or "outside")):
            state = RowState.CHANGED if state is RowState.CHANGED else RowState.NEW
            keyed = f", keyed to {one.keyset}" if one.keyset else ""
            fields["cylinder"] = ("", f"{one.words} {one.position}{keyed}")
        for sentence in plan.alike:
            if door.opening in added and door.opening in sentence.partition(" may be ")[0].split(", "):
                fields["look"] = ("", sentence)
        found.append(RowPlan(door.row, state, door.opening, fields, (place, door)))
    return found


def _save_doors(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    by_site: dict[int, list[DoorRow]] = {}
    for plan in plans:
        place, door = plan.value
        by_site.setdefault(place, []).append(door)
    for place, doors in by_site.items():
        import_doors(work, place, doors)


_OPENINGS = (
    *("opening number", "opening no", "opening #", "door", "door number", "door no", "door #", "room number"),
    *("room no", "mark", "door mark"),
)

DOORS = ImportKind(
    "doors",
    "Doors",
    "door",
    (
        CUSTOMER,
        ImportColumn(name="site", words="Site", also=_NAMES_OF_SITES, most=longest(Site.name), is_needed=True),
        ImportColumn(
            name="opening",
            words="Opening number",
            also=_OPENINGS,
            cell=CellKind.CODE,
            most=TEXTS["opening"],
            is_needed=True,
        ),
        ImportColumn(
            name="location", words="Location", also=("room", "room name", "description"), most=TEXTS["location"]
        ),
        ImportColumn(
            name="hand",
            words="Hand",
            also=("handing", "swing"),
            look=CellLook.HAND,
            cell=CellKind.CHOICE,
            choices=_hands,
        ),
        ImportColumn(name="lock", words="Lock", also=("lockset", "hardware"), most=TEXTS["lock"]),
        ImportColumn(name="function", words="Function", also=("lock function",), most=TEXTS["function"]),
        ImportColumn(name="position", words="Position", also=("side",), most=TEXTS["position"]),
        ImportColumn(name="thickness", words="Thickness", also=("door thickness", "thk"), check=_measure),
        ImportColumn(name="stile", words="Stile", also=("stile width",), check=_measure),
        ImportColumn(name="egress", words="Egress", also=("exit",), cell=CellKind.YES_NO),
        ImportColumn(
            name="fire rated", words="Fire rated", also=("fire", "rated", "fire door"), cell=CellKind.YES_NO
        ),
        ImportColumn(
            name="keyset", words="Keyset", also=("symbol", "key set", "key symbol", "key"), most=TEXTS["keyset"]
        ),
        ImportColumn(
            name="remarks",
            words="Remarks",
            also=("remark", "notes", "note", "comments"),
            cell=CellKind.LINES,
            most=TEXTS["remarks"],
        ),
        ImportColumn(
            name="cylinder", words="Cylinder as found", also=("cylinder type", "cylinder"), most=TEXTS["cylinder"]
        ),
        ImportColumn(
            name="part number",
            words="Part number",
            also=("part no", "part", "model"),
            cell=CellKind.CODE,
            most=TEXTS["part number"],
        ),
    ),
    _plan_doors,
    _save_doors,
    roles=(Role.COUNTER, Role.BENCH),
    hint="A row a door; two rows for its two cylinders, with different positions. An empty cell changes nothing.",
    order=LIST_COLUMNS,
    about="site",
    about_columns=("customer", "site"),
)
