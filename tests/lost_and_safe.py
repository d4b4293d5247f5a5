"""A plain reckoning after a loss: every seal is opened, every key tried in every cylinder, by the cuts alone."""

import json
import re
from collections.abc import Collection, Mapping

import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Cylinder, CylinderState, Key, KeyState, KeySystem, Level, Loss
from tests.forms_found import form_with


def draft_after_report(client: FlaskClient, system_id: int, symbol: str) -> str:
    """The counter page after the loss of a key was reported on the system's page and its first way quoted at once."""
    said = {"keyset": symbol, "which": "unknown", "deed": "report"}
    loss = client.post(f"/keying/systems/{system_id}/lost-key", data=said).location
    [address] = set(re.findall(r'"(/keying/losses/[0-9]+/plan)"', client.get(loss).text))
    page = client.get(address).text
    way = re.findall(r'name="way" value="([^"]*)"', page)[0]
    drafts = client.post(address, data={**form_with(page, "version"), "way": way}).location
    return client.get(client.post(drafts, data={"by": "all"}).location).text


def cuts_on_record(work: Work, system: KeySystem) -> dict[str, tuple[int, ...]]:
    """Symbol → cuts of every keyset with a bitting, opened one by one."""
    rows = work.session.scalars(sa.select(Bitting).where(Bitting.system_id == system.id).order_by(Bitting.id))
    return {
        row.keyset.symbol: tuple(
            int(cut)
            for cut in work.vault.open(row.sealed, f"bitting of keyset {row.keyset_id} in system {system.id}")
        )
        for row in rows
    }


def lost_cuts(work: Work, loss: Loss) -> tuple[int, ...]:
    """What the lost key is cut to."""
    if loss.sealed_lost is not None:
        return tuple(int(cut) for cut in work.vault.open(loss.sealed_lost, f"bitting lost by loss {loss.id}"))
    return cuts_on_record(work, loss.system)[loss.keyset.symbol]


def opened_by(
    work: Work, system: KeySystem, cuts: tuple[int, ...], entered: Collection[str] | None = None
) -> list[str]:
    """The doors whose fitted cylinder a key so cut turns, or takes out: by its sealed pins, else by the record.

    entered: the keyways that it enters, where it does not enter all.
    """
    there = [one for one in _metal(work, system) if entered is None or _plug(one[0]) in entered]
    return sorted(_door(one) for one, pins, control in there if _turns(cuts, pins) or cuts == control)


def at_odds(
    work: Work, system: KeySystem, entered: Mapping[str, Collection[str]] | None = None
) -> list[tuple[str, str]]:
    """(door, symbol) where a key on record operates what it must not, or does not operate what it must.

    entered: the keyways that keys enter, by their symbols or the first two letters of these.
    """
    keys, found = cuts_on_record(work, system), []
    levels = {one.symbol: one.level for one in system.keysets}
    for cylinder, pins, _ in _metal(work, system):
        meant = meant_to_open(cylinder)
        for symbol, cuts in keys.items():
            goes_in = entered is None or _plug(cylinder) in entered.get(symbol, entered[symbol[:2]])
            opens = goes_in and _turns(cuts, pins)
            if levels[symbol] is not Level.CONTROL and opens is not (symbol in meant):
                found.append((_door(cylinder), symbol))
    return sorted(found)


def meant_to_open(cylinder: Cylinder) -> set[str]:
    """The symbols of all that operate a cylinder, by the record."""
    keyset, found = cylinder.keyset, {one.keyset.symbol for one in cylinder.operators}
    while keyset is not None:
        found.add(keyset.symbol)
        keyset = None if cylinder.is_nmk else keyset.parent
    return found


def _metal(work: Work, system: KeySystem) -> list[tuple[Cylinder, list[set[int]], tuple[int, ...] | None]]:
    keys = cuts_on_record(work, system)
    ids = [one.id for one in system.keysets]
    rows = sa.select(Cylinder).where(Cylinder.keyset_id.in_(ids), Cylinder.state == CylinderState.FITTED)
    found = []
    for one in work.session.scalars(rows.order_by(Cylinder.id)):
        if one.sealed_pins is not None:
            given = json.loads(work.vault.open(one.sealed_pins, f"pins of cylinder {one.id}"))
            pins = [set(depths) for depths in given["cuts"]]
            control = tuple(given["control"]) if given["control"] else None
        else:
            pins = [set(depths) for depths in zip(*(keys[symbol] for symbol in meant_to_open(one)), strict=True)]
            control = keys.get("CONTROL")
        found.append((one, pins, control))
    return found


def _turns(cuts: tuple[int, ...], pins: list[set[int]]) -> bool:
    return all(cut in depths for cut, depths in zip(cuts, pins, strict=True))


def _plug(cylinder: Cylinder) -> str:
    return cylinder.keyset.keyway or cylinder.keyset.system.keyway if cylinder.keyset else ""


def _door(cylinder: Cylinder) -> str:
    return cylinder.door.opening_number if cylinder.door else f"#{cylinder.id}"


def keys_of(work: Work, system: KeySystem, *states: KeyState) -> dict[str, int]:
    """How many keys of each symbol are in these states."""
    found: dict[str, int] = {}
    ids = {one.id: one.symbol for one in system.keysets}
    for key in work.session.scalars(sa.select(Key).where(Key.keyset_id.in_(ids)).order_by(Key.id)):
        if key.state in states:
            found[ids[key.keyset_id]] = found.get(ids[key.keyset_id], 0) + 1
    return found
