"""The rekey plan after a lost key, as the counter page would have been typed for it."""

from __future__ import annotations

from typing import Any

from app.ledger.keys.losing import LossPlan, RekeyLine
from app.ledger.quoting.rekeying import keyed_as
from app.ledger.tables import LineKind
from app.web.counter.typed import TypedLine, TypedPage, to_draft

MOST_DOORS = 40


def draft_of_loss(plan: LossPlan) -> dict[str, Any]:
    """A draft with a rekey line a kind of cylinder, and the new keys of each keyset that is replaced."""
    system = plan.system
    lines = [
        TypedLine(
            key,
            LineKind.REKEY.value,
            quantity=str(len(line.cylinders)),
            type=line.cylinders[0].type,
            chambers=str(line.chambers),
            keyway=line.keyway,
            keys_each="0",
            **_keying(line),
            remark=_remark(plan, line),
            standing=" ".join(str(one.id) for one in line.cylinders),
        )
        for key, line in enumerate(plan.lines)
    ]
    lines += [
        TypedLine(
            len(lines) + number,
            LineKind.KEYS.value,
            quantity=str(count),
            keyway=system.keyway,
            symbol=symbol,
            remark=f"new keys in place of {symbol}",
        )
        for number, (symbol, count) in enumerate(plan.keys)
    ]
    sites = {one.door.site_id for line in plan.lines for one in line.cylinders if one.door}
    page = TypedPage(
        customer_id=str(system.customer_id),
        site_id=str(sites.pop() if len(sites) == 1 else system.site_id or ""),
        system_id=str(system.id) if system.levels > 1 else "",
        replaced=" ".join(plan.lost.replace),
        title=f"Rekey after a lost key of {plan.lost.symbol}"[:120],
        lines=tuple(lines),
    )
    return to_draft(page)


def _keying(line: RekeyLine) -> dict[str, str]:
    """How the line's cylinders are keyed now, and will be, as typed."""
    keying = keyed_as(line.keyset, len(line.cylinders))
    return {"keying": keying.kind.value, "master": keying.master, "set_size": str(keying.set_size or "")}


def _remark(plan: LossPlan, line: RekeyLine) -> str:
    """Why and where, and what is special about these cylinders, which stays so."""
    openings = [one.door.opening_number for one in line.cylinders if one.door]
    doors = ", ".join(openings[:MOST_DOORS]) + (" and more" if len(openings) > MOST_DOORS else "")
    crossed = ", ".join(f"{symbol} (new)" if symbol in plan.lost.replace else symbol for symbol in line.operators)
    parts = (
        f"after the loss of a key of {plan.lost.symbol}",
        f"doors {doors}" if doors else "",
        f"stays cross-keyed with {crossed}" if crossed else "",
        "stays NMK" if line.is_nmk else "",
    )
    return "; ".join(filter(None, parts))[:500]
