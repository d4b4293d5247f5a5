"""How a server begins and ends: the port that it listens on, and what still runs when it is told to stop."""

from __future__ import annotations

import contextlib
import errno
import signal
import socket
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from flask import Flask

from app.errors import BitternError
from app.ledger.store.trouble import reason_of

if TYPE_CHECKING:
    from waitress.server import BaseWSGIServer

GRACE_SECONDS = 10.0  # what a request that runs when the server is told to stop may still take


class Ending:
    """Whether a server is told to end, and when at the latest. Told a second time, it is: now."""

    def __init__(self) -> None:
        self._at: float | None = None

    def begin(self) -> None:
        """Running requests have GRACE_SECONDS from now."""
        now = time.monotonic()
        self._at = now + GRACE_SECONDS if self._at is None else now

    def at_once(self) -> None:
        """Nothing is waited for."""
        self._at = time.monotonic()

    def is_told(self) -> bool:
        """Whether no further request is to be taken."""
        return self._at is not None

    @property
    def left(self) -> float:
        """Seconds that running requests still have."""
        return GRACE_SECONDS if self._at is None else max(self._at - time.monotonic(), 0.0)


class ClearServer:
    """`app` in clear. `prepare()` listens, `serve()` serves until `end()` or `stop()` is called."""

    def __init__(self, app: Flask, bind: tuple[str, int], **settings: Any) -> None:
        self.bind_addr = bind
        self._app, self._settings = app, settings
        self._ending = Ending()
        self._server: BaseWSGIServer | None = None

    def prepare(self) -> None:
        """Listen; `bind_addr` is then what was bound, with the port that the system chose for port 0."""
        from waitress import create_server  # loaded only when something is served

        listening = listen(*self.bind_addr)
        self.bind_addr = listening.getsockname()[:2]
        self._server = create_server(self._app, sockets=[listening], ident=None, **self._settings)

    def serve(self) -> None:
        """Serve until told to end; then what runs has GRACE_SECONDS."""
        if self._server is None:
            raise RuntimeError("prepare() comes first")
        try:
            run_until(self._server, self._ending)
        finally:
            ended, self._server = self._server, None  # nobody pulls a trigger that is closed
            ended.asyncore.close_all(ended._map)

    def end(self) -> None:
        """Take no further request, and let those that run come to their end. Called again: at once."""
        self._ending.begin()
        self._wake()

    def stop(self) -> None:
        """End at once."""
        self._ending.at_once()
        self._wake()

    def _wake(self) -> None:
        if self._server is not None:
            self._server.pull_trigger()


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens there; BitternError with what to do where it cannot be had."""
    if port > 65_535:
        raise BitternError("BITTERN_PORT", f"There is no port {port}: set BITTERN_PORT to one up to 65535.")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise BitternError(
                "BITTERN_PORT",
                f"Port {port} of {host} is in use: this house is served already, or another program has it. Stop "
                "that, or choose another port with BITTERN_PORT.",
            ) from error
        raise BitternError(
            "BITTERN_HOST",
            f"Nothing can be served on port {port} of {host}: {reason_of(error)}. Look at BITTERN_HOST and "
            "BITTERN_PORT.",
        ) from error


@contextlib.contextmanager
def told_to_stop(end: Callable[[], None]) -> Iterator[None]:
    """SIGTERM and Ctrl-C call `end` while the block runs, in the main thread of the program."""
    former = {one: signal.signal(one, lambda number, frame: end()) for one in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for one, handler in former.items():
            signal.signal(one, handler)


def run_until(server: BaseWSGIServer, ending: Ending) -> None:
    """Serve in this thread until the ending is told and what ran then has come to its end, or its time is over.

    Whoever tells pulls the server's trigger, which stays open until the caller closes what is left in its map. A
    request of which something has come counts as running.
    """
    while not ending.is_told():
        _turn(server, 1.0)
    server.asyncore.dispatcher.close(server)  # the port alone: the trigger still wakes the loop
    while _still_runs(server) and ending.left:
        _turn(server, min(ending.left, 1.0))
    # Close what is still held, the temporary files of long answers too, which close() leaves.
    for channel in list(server.active_channels.values()):
        channel.handle_close()
    server.task_dispatcher.shutdown(timeout=0.1)


def _turn(server: BaseWSGIServer, seconds: float) -> None:
    server.asyncore.loop(seconds, server.adj.asyncore_use_poll, server._map, 1)


def _still_runs(server: BaseWSGIServer) -> bool:
    """Let go of every connection on which nothing runs; whether one is left. The others bring no further request."""
    for channel in list(server.active_channels.values()):
        if channel.request is None:
            channel.readable = _never
            if not (channel.requests or channel.total_outbufs_len):
                channel.handle_close()
    return bool(server.active_channels)


def _never() -> bool:
    return False
