"""Whose turn it is to write: first come, first served, among the threads that serve one SQLite file.

SQLite keeps no queue. Whoever finds the file taken sleeps and looks again, and a thread that saves again and again
has mostly taken it anew by then: the sleeper may find it taken for as long as it has patience. So the threads of
this process line up here first. Another process, such as a backup's, still asks SQLite alone.
"""

from __future__ import annotations

__all__ = ["WriterQueue", "queue_of"]

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from weakref import WeakValueDictionary

from app.ledger.errors import LedgerBusy


class WriterQueue:
    """A lock that is given in the order in which it was asked for."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._tickets: dict[int, None] = {}  # a thread's number each, as they came; the first one has the turn

    @contextmanager
    def turn(self, patience: float) -> Iterator[None]:
        """The block runs when every earlier one has ended; LedgerBusy when that takes more than `patience` seconds.

        However the block or the wait ends, the ticket is given back. A block within a block of the same thread has
        its turn at once: it would wait for itself.
        """
        me = threading.get_ident()
        if me in self._tickets:
            yield
            return
        try:
            with self._changed:
                self._tickets[me] = None
                if not self._changed.wait_for(lambda: next(iter(self._tickets)) == me, patience):
                    raise LedgerBusy()
            yield
        finally:
            with self._changed:
                self._tickets.pop(me, None)
                self._changed.notify_all()


_QUEUES: WeakValueDictionary[str, WriterQueue] = WeakValueDictionary()  # it lasts as long as an engine has it
_FINDING = threading.Lock()


def queue_of(database: str) -> WriterQueue:
    """The one queue of this process for that database, however many engines open it."""
    with _FINDING:
        return _QUEUES.setdefault(database, WriterQueue())
