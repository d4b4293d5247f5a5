"""The owner's page of a quote: costs, margin, both ways of keying side by side, the reasons and any override."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from app.documents.charts import cost_chart
from app.documents.render import PaperHead, pdf
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.store.numbers import quote_number
from app.ledger.tables import LineKind

_GOODS = (LineKind.CYLINDER, LineKind.PART, LineKind.HARDWARE)


@dataclass(frozen=True, slots=True)
class WaysTable:
    """The ways of one keying group; each row is a cost's name and its cents by way, None where it has none.

    `chart`: cost against quantity as SVG; None where only one way has a cost.
    """

    choice: KeyingChoice
    rows: tuple[tuple[str, tuple[int | None, ...]], ...]
    chart: Markup | None = None


@dataclass(frozen=True, slots=True)
class WholeJob:
    """All groups together: where each is keyed, what all of it costs, when the last is ready (None: not known).

    parts: each choice with its cost; None where that stands with the part before it.
    """

    parts: tuple[tuple[KeyingChoice, int | None], ...]
    cents: int
    ready_on: date | None


def whole_job(keying: Sequence[KeyingChoice]) -> WholeJob:
    """The groups' chosen ways put together."""
    parts = tuple(
        (choice, next((way.total_cents for way in choice.ways if way.name == choice.way), None)) for choice in keying
    )
    days = [choice.ready_on for choice in keying if choice.ready_on is not None]
    last = max(days) if days and len(days) == len(parts) else None
    return WholeJob(parts, sum(cents or 0 for _, cents in parts), last)


def lines_without_cost(snapshot: QuoteSnapshot) -> str:
    """The lines of goods that are charged and have no cost on record, in words: the margin takes it for nothing."""
    labels = [
        line.label
        for line in snapshot.lines
        if line.kind in _GOODS and not line.is_labour and line.amount_cents and not line.cost_cents
    ]
    if len(labels) > 1:
        return f"lines {', '.join(labels[:-1])} and {labels[-1]}"
    return f"line {labels[0]}" if labels else ""


def ways_table(choice: KeyingChoice) -> WaysTable:
    """The ways of one group side by side: costs of the same name share a row, in the order they were first met.

    A name that one way lists twice keeps its two rows, so that the columns still add up.
    """
    keys: list[tuple[str, int]] = []
    found: list[dict[tuple[str, int], int]] = []
    for way in choice.ways:
        seen: dict[str, int] = {}
        cells: dict[tuple[str, int], int] = {}
        for name, cents in way.cost_lines:
            seen[name] = seen.get(name, 0) + 1
            cells[name, seen[name]] = cents
        keys += [key for key in cells if key not in keys]
        found.append(cells)
    rows = tuple((key[0], tuple(cells.get(key) for cells in found)) for key in keys)
    return WaysTable(choice, rows, _chart(choice))


def _chart(choice: KeyingChoice) -> Markup | None:
    if len(choice.curve) < 2:
        return None
    # The curves are of the whole in one place, so a part of it has no place on them.
    asked = None if choice.in_two_places else choice.quantity or None
    return cost_chart(choice.curve, choice.break_even, asked)


def owner_quote_pdf(snapshot: QuoteSnapshot) -> bytes:
    """The owner's page as PDF: never hand it to a customer."""
    number = f"{quote_number(snapshot.job_number, snapshot.revision)}, costs"
    told = ("For the owner", "costs and margin: not for the customer")
    return pdf(
        "owner_quote.html",
        PaperHead(snapshot.house, "Quote", number, snapshot.issued_on, *told),
        quote=snapshot,
        tables=[ways_table(choice) for choice in snapshot.keying],
        whole=whole_job(snapshot.keying),
        without_cost=lines_without_cost(snapshot),
    )
