"""How a server begins and ends: the port that it listens on, and what still runs when it is told to stop."""

import contextlib
import errno
import signal
import socket
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from flask import Flask

from app.errors import BitternError
from app.ledger.store.errors import reason_of

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


class Server:
    """`app` in clear. `prepare()` listens, `serve()` serves until `end()` or `stop()` is called."""

    def __init__(self, app: Flask, bind: tuple[str, int], **settings: Any) -> None:
        self.bind_addr = bind
        self._app, self._settings = app, settings
        self._ending = Ending()
        self._listening: socket.socket | None = None
        self._wake: Callable[[], object] | None = None  # makes what serves look at the ending

    def prepare(self) -> None:
        """Listen; `bind_addr` is then what was bound, with the port that the system chose for port 0."""
        self._listening = listen(*self.bind_addr)
        self.bind_addr = self._listening.getsockname()[:2]

    def serve(self) -> None:
        """Serve until told to end; then what runs has GRACE_SECONDS."""
        waitress = Waitress(self._app, self.listening, **self._settings)
        self._wake = waitress.wake
        try:
            waitress.serve_until(self._ending)
        finally:
            self._wake = None  # nobody wakes what is closed
            waitress.close()

    def end(self) -> None:
        """Take no further request, and let those that run come to their end. Called again: at once."""
        self._ending.begin()
        self._tell()

    def stop(self) -> None:
        """Let go of the port; a `serve()` in another thread ends at once."""
        self._ending.at_once()
        self._tell()

    @property
    def listening(self) -> socket.socket:
        """The socket that `prepare()` made."""
        if self._listening is None:
            raise RuntimeError("prepare() comes first")
        return self._listening

    def _tell(self) -> None:
        wake = self._wake
        if wake is not None:
            with contextlib.suppress(RuntimeError, OSError):  # it has just ended by itself
                wake()
        elif self._listening is not None:
            self._listening.close()


class Waitress:
    """The waitress server on a socket that listens already, made so that it can be told to end.

    waitress has no end that lets running requests finish: its close() cuts them off, and its run() knows no other.
    So its loop is turned here, on a map of our own, and three things are used that its manual does not name: who is
    connected (`active_channels`), what of a connection still runs (`request`, `requests`, `total_outbufs_len`), and
    what wakes the loop (`pull_trigger`). tests/commands/test_ending.py fails if a new waitress has them no more.
    """

    def __init__(self, app: Flask, listening: socket.socket, **settings: Any) -> None:
        from waitress import create_server, wasyncore  # loaded only when something is served

        self._map: dict[int, Any] = {}
        self._loop = wasyncore
        self.server: BaseWSGIServer = create_server(app, self._map, sockets=[listening], ident=None, **settings)

    def serve_until(self, ending: Ending) -> None:
        """Serve in this thread until the ending is told and what ran then has come to its end, or its time is over.

        Whoever tells calls `wake()`. A request of which something has come counts as running.
        """
        while not ending.is_told():
            self._turn(1.0)
        self._loop.dispatcher.close(self.server)  # the port alone: the server's own close() ends what wakes it, too
        while self._still_runs() and ending.left:
            self._turn(min(ending.left, 1.0))
        # Close what is still held, the temporary files of long answers too, which close() leaves.
        for channel in list(self.server.active_channels.values()):
            channel.handle_close()
        self.server.task_dispatcher.shutdown(timeout=0.1)

    def wake(self) -> None:
        """Let the thread that serves look at its ending; not after `close()`."""
        self.server.pull_trigger()

    def close(self) -> None:
        """Close all that is open, once no thread serves."""
        self._loop.close_all(self._map)

    def _turn(self, seconds: float) -> None:
        # By poll(): select() takes no file numbered above 1023, and TLS holds three of each connection.
        self._loop.loop(seconds, use_poll=True, map=self._map, count=1)

    def _still_runs(self) -> bool:
        """Let go of every connection on which nothing runs; whether one is left. They bring no further request."""
        for channel in list(self.server.active_channels.values()):
            if channel.request is None:
                channel.readable = lambda: False
                if not (channel.requests or channel.total_outbufs_len):
                    channel.handle_close()
        return bool(self.server.active_channels)


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
