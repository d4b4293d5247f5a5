"""The rekey plan after a lost key, as the counter page would have been typed for it."""

from __future__ import annotations

__all__ = ["draft_of_loss"]

from typing import Any

from app.ledger.jobs.ask import LineKind
from app.ledger.keysystems.losing import LossPlan
from app.ledger.keysystems.models import Level
from app.pricing import KeyingKind
from app.web.counter.typed import TypedLine, TypedPage, to_draft


def draft_of_loss(plan: LossPlan) -> dict[str, Any]:
    """A draft with a rekey line a kind of cylinder, and the new keys of each keyset that is replaced."""
    system = plan.system
    keying, master = _keying(plan)
    lines = [
        TypedLine(
            key,
            LineKind.REKEY.value,
            quantity=str(line.quantity),
            type=line.type,
            chambers=str(line.chambers),
            keyway=line.keyway,
            keys_each="0",
            keying=keying,
            master=master,
            set_size=str(line.quantity) if keying and len(plan.repin) == 1 and line.quantity > 1 else "",
            remark=f"after the loss of a key of {plan.lost.symbol}",
        )
        for key, line in enumerate(plan.lines)
    ]
    lines += [
        TypedLine(
            len(lines) + number,
            LineKind.KEYS.value,
            quantity=str(count),
            keyway=system.keyway,
            remark=f"new keys of {symbol}",
        )
        for number, (symbol, count) in enumerate(plan.keys)
    ]
    page = TypedPage(
        customer_id=str(system.customer_id),
        site_id=str(system.site_id or ""),
        system_id=str(system.id) if keying else "",
        title=f"Rekey after a lost key of {plan.lost.symbol}"[:120],
        lines=tuple(lines),
    )
    return to_draft(page)


def _keying(plan: LossPlan) -> tuple[str, str]:
    """How the cylinders are keyed anew: as new changes of their one master; else the counter has to say."""
    by_symbol = {keyset.symbol: keyset for keyset in plan.system.keysets}
    replaced = [by_symbol[symbol] for symbol in plan.lost.replace]
    above = {keyset.parent.symbol if keyset.parent else "" for keyset in replaced}
    if len(above) != 1 or any(keyset.level is not Level.CHANGE for keyset in replaced):
        return "", ""
    kinds = {2: KeyingKind.MK, 3: KeyingKind.GMK, 4: KeyingKind.GGMK}
    return kinds[plan.system.levels].value, above.pop()
