"""Whose paper is made: two at once and two more that wait, so that a page is not kept waiting behind papers.

Paper is made by pure Python, which runs on one core however many threads ask: eight papers at once kept every page
for as long as all eight took. Every paper passes here (`app/documents/render.py`).
"""

from __future__ import annotations

from contextlib import AbstractContextManager

from app.errors import BitternError
from app.ledger.store.turns import TurnQueue

AT_ONCE, WAITING = 2, 2  # each holds a thread of those that serve (app/commands/serving.py): half of them
_PATIENCE = 30  # seconds


class PrintingBusy(BitternError):
    """As many papers as may be are being made and wait."""

    def __init__(self) -> None:
        super().__init__(
            "", "Printing is busy: other papers are being made. Nothing was lost; wait a few seconds, then try again."
        )


_QUEUE = TurnQueue(AT_ONCE, WAITING, PrintingBusy)


def printing() -> AbstractContextManager[None]:
    """The block makes paper, when it has its turn; PrintingBusy when too many wait, or it waited for too long.

    A block within a block goes on at once. Take the turn before a bitting is opened for a paper: what was refused
    shows nothing, so nothing of it belongs on record.
    """
    return _QUEUE.turn(_PATIENCE)
