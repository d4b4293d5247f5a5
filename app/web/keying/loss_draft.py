"""The rekey plan after a lost key, as the counter page would have been typed for it."""

from __future__ import annotations

__all__ = ["draft_of_loss"]

from typing import Any

from app.ledger.jobs.ask import LineKind
from app.ledger.keysystems.losing import LossPlan
from app.web.counter.typed import TypedLine, TypedPage, to_draft


def draft_of_loss(plan: LossPlan) -> dict[str, Any]:
    """A draft with a rekey line a kind of cylinder, and the new keys of each keyset that is replaced."""
    system = plan.system
    lines = [
        TypedLine(
            key,
            LineKind.REKEY.value,
            quantity=str(line.quantity),
            type=line.type,
            chambers=str(line.chambers),
            keyway=line.keyway,
            keys_each="0",
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
        title=f"Rekey after a lost key of {plan.lost.symbol}"[:120],
        lines=tuple(lines),
    )
    return to_draft(page)
