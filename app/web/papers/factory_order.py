"""The order form to a factory, from what the ledger says a factory is asked for."""

from __future__ import annotations

from app.documents import FactoryLine, FactoryOrder
from app.ledger.jobs.factory import FactoryGroup, FactoryWork

_LEVELS = {1: "Single keyed", 2: "Two levels: masters over changes", 3: "Three levels: grand, masters, changes"}
_STAMPING = (
    "Keys: the keyset's symbol and the copy number. Cylinders: the keyset's symbol, on the side that does not show. "
    "No bitting and no address on any of them."
)


_FACTORY_RECORDS = "The factory holds this system's records: the key bitting array and the list of bittings in use."
_OUR_RECORDS = (
    "We hold this system's records. Key only from the bittings that come with this order, sealed, from the owner by "
    "name; make no other bitting of this system, and say on the packing slip which were used."
)


def factory_order(asked: FactoryWork, made_by: str) -> FactoryOrder:
    """What the form says; no bitting is known here, since the factory makes them.

    made_by: who prints it, told while it was not ordered; after that it keeps the day and author of its ordering.
    """
    schedule = asked.schedule
    ordered_on, by = asked.ordered or (None, made_by)
    levels = _LEVELS.get(asked.levels, "Four levels: great grand, grands, masters, changes")
    return FactoryOrder(
        house=schedule.house,
        order_number=f"F-{schedule.job_number}-{asked.place}, revision {schedule.revision}",
        ordered_on=ordered_on,
        made_on=schedule.issued_on,
        by=by,
        maker_name=asked.maker_name,
        need_by=asked.need_by,
        ship_to=f"{schedule.house.name}\n{schedule.house.address}",
        system_name=asked.system_name,
        is_new_system=asked.is_new_system,
        records=_OUR_RECORDS if asked.is_from_our_records else _FACTORY_RECORDS,
        keying_instruction=f"{levels}. Key as scheduled below; no keyset's key may turn a cylinder that does not "
        "list it under “Operated by”.",
        stamping_instruction=_STAMPING,
        lines=tuple(_line(group) for group in asked.groups),
    )


def _line(group: FactoryGroup) -> FactoryLine:
    return FactoryLine(
        quantity=group.quantity,
        part_number=group.part_number,
        words=group.words,
        keyset=group.keyset,
        keying=group.keying,
        operated_by=", ".join(group.operated_by),
        keys=group.keys,
        stamping=group.stamp,
        mark_for=", ".join(group.openings),
    )
