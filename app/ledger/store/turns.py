"""Whose turn it is, first come, first served, among this process's threads: to write to one SQLite file, for one.

SQLite keeps no queue. Whoever finds the file taken sleeps and looks again, and a thread that saves again and again
has mostly taken it anew by then: the sleeper may find it taken for as long as it has patience. So the threads of
this process line up here first. Another process, such as a backup's, still asks SQLite alone.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice
from weakref import WeakValueDictionary

from app.errors import BitternError
from app.ledger.store.errors import LedgerBusy


class TurnQueue:
    """Turns for `at_once` threads, given in the order in which they were asked for.

    most_waiting: whoever asks while so many wait is refused at once; None for no limit. refusal: what is raised.
    """

    def __init__(
        self, at_once: int = 1, most_waiting: int | None = None, refusal: Callable[[], BitternError] = LedgerBusy
    ) -> None:
        self._at_once, self._refusal = at_once, refusal
        self._most = None if most_waiting is None else at_once + most_waiting
        self._changed = threading.Condition()
        self._tickets: dict[int, None] = {}  # a thread's number each, as they came; the first ones have the turn

    @contextmanager
    def turn(self, patience: float) -> Iterator[None]:
        """The block runs when it has its turn; the refusal when that takes more than `patience` seconds.

        However the block or the wait ends, the ticket is given back. A block within a block of the same thread has
        its turn at once: it would wait for itself.
        """
        me = threading.get_ident()
        if me in self._tickets:
            yield
            return
        try:
            with self._changed:
                if self._most is not None and len(self._tickets) >= self._most:
                    raise self._refusal()
                self._tickets[me] = None
                if not self._changed.wait_for(lambda: me in islice(self._tickets, self._at_once), patience):
                    raise self._refusal()
            yield
        finally:
            with self._changed:
                self._tickets.pop(me, None)
                self._changed.notify_all()


_QUEUES: WeakValueDictionary[str, TurnQueue] = WeakValueDictionary()  # it lasts as long as an engine has it
_FINDING = threading.Lock()


def queue_of(database: str) -> TurnQueue:
    """The one queue of this process for that database, however many engines open it."""
    with _FINDING:
        return _QUEUES.setdefault(database, TurnQueue())
