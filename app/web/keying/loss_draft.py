"""The rekey plan after a lost key, as the counter page would have been typed for it."""

from __future__ import annotations

__all__ = ["draft_of_loss"]

from typing import Any

from app.ledger.jobs.ask import LineKind
from app.ledger.keysystems.losing import LossPlan, RekeyLine
from app.ledger.keysystems.models import Level
from app.pricing import KeyingKind
from app.web.counter.typed import TypedLine, TypedPage, to_draft

MOST_DOORS = 40


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
            remark=_remark(plan, line),
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


def _remark(plan: LossPlan, line: RekeyLine) -> str:
    """Why, on which doors, and what the door list has to say anew when the quote is accepted."""
    doors = ", ".join(line.doors[:MOST_DOORS]) + (" and more" if len(line.doors) > MOST_DOORS else "")
    crossed = ", ".join(f"{symbol} (new)" if symbol in plan.lost.replace else symbol for symbol in line.operators)
    parts = (
        f"after the loss of a key of {plan.lost.symbol}",
        f"doors {doors}" if doors else "",
        f"cross-keyed: give {crossed} as operated by in the door list" if crossed else "",
        "NMK: write (NMK) after the keyset in the door list" if line.is_nmk else "",
    )
    return "; ".join(filter(None, parts))[:500]


def _keying(plan: LossPlan) -> tuple[str, str]:
    """How the cylinders are keyed anew: as new changes of their one master; else the counter has to say."""
    by_symbol = {keyset.symbol: keyset for keyset in plan.system.keysets}
    replaced = [by_symbol[symbol] for symbol in plan.lost.replace]
    above = {keyset.parent.symbol if keyset.parent else "" for keyset in replaced}
    if len(above) != 1 or any(keyset.level is not Level.CHANGE for keyset in replaced):
        return "", ""
    kinds = {2: KeyingKind.MK, 3: KeyingKind.GMK, 4: KeyingKind.GGMK}
    return kinds[plan.system.levels].value, above.pop()
