"""The owner's bitting list of a system, gathered for its paper."""

from __future__ import annotations

from app.documents import BittingLine, BittingList
from app.keying import write_bitting
from app.ledger.catalog.price_queries import get_house
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.system_queries import KeysetNode, get_system, system_tree
from app.ledger.quoting.issuing import house_head
from app.ledger.store.work import Work
from app.ledger.tables import KeyState


def bitting_list(work: Work, system_id: int) -> BittingList:
    """Every keyset with its bitting; puts the reveal on record. Raises NotAllowed for anybody but the owner."""
    work.require()
    opened = reveal_bittings(work, [system_id], "bitting list")
    system = get_system(work.session, system_id)
    spec = spec_of(system)
    lines = []
    for node in _flat(system_tree(work.session, system)):
        keyset, states = node.keyset, dict(node.keys)
        lines.append(
            BittingLine(
                symbol=keyset.symbol,
                level=keyset.level.value,
                purpose=keyset.purpose,
                bitting=write_bitting(spec, opened[keyset.id]) if keyset.id in opened else "",
                state="key lost" if KeyState.LOST in states else "in use" if node.all_cylinders else "no cylinder",
                keys_out=states.get(KeyState.OUT, 0),
            )
        )
    return BittingList(
        house=house_head(get_house(work.session)),
        system_name=system.name,
        owner_of_record=system.owner_of_record,
        keyway=system.keyway,
        spec_name=system.spec.name,
        printed_on=work.today,
        revealed_to=work.actor.name,
        lines=tuple(lines),
    )


def _flat(nodes: tuple[KeysetNode, ...]) -> list[KeysetNode]:
    return [one for node in nodes for one in (node, *_flat(node.children))]
