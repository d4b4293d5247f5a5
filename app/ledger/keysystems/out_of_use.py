"""What is out of use, a retired key system or keyset: nothing more is keyed to it."""

from collections.abc import Collection, Mapping

from app.ledger.store.errors import LedgerError
from app.ledger.tables import Keyset, KeySystem
from app.pricing import show_day


def require_not_retired(keysets: Collection[Keyset], field: str) -> None:
    """Refuse, on `field`, keysets that are no more or of a system out of use: nobody knows who has their keys."""
    for keyset in keysets:
        require_in_use(keyset.system, field)
        if keyset.is_retired:
            raise LedgerError(field, f"{keyset.symbol} is retired: its keys may be anywhere. Name another keyset.")


def retired_above(keyset: Keyset, by_id: Mapping[int, Keyset]) -> Keyset | None:
    """The first keyset that is no more above one of a system, as a top master that was left out of the doors is."""
    above = keyset.parent_id
    while above is not None:
        if by_id[above].is_retired:
            return by_id[above]
        above = by_id[above].parent_id
    return None


def require_none_retired_above(keyset: Keyset, by_id: Mapping[int, Keyset], field: str) -> None:
    """Refuse, on `field`, to key anything under a keyset of a system that stands under one that is no more."""
    if (gone := retired_above(keyset, by_id)) is not None:
        raise LedgerError(
            field,
            f"{gone.symbol}, which stands over {keyset.symbol}, is retired: its keys may be anywhere, and would open "
            f"what is newly keyed under {keyset.symbol}. Key it single (SKD), or in another key system.",
        )


def why_retired(system: KeySystem) -> str:
    """Why nothing is keyed in a system any more; "" for one in use."""
    if system.retired_on is None:
        return ""
    return (
        f"{system.name} is retired since {show_day(system.retired_on)} ({system.retired_reason}): nothing more is "
        "keyed in it. Choose another key system, or have the owner put this one back in use."
    )


def require_in_use(system: KeySystem, field: str = "system") -> None:
    """Refuse, on `field`, to add anything to a retired system."""
    if why := why_retired(system):
        raise LedgerError(field, why)
