"""TLS for the house's own network: each connection is decrypted here and handed to the server that serves in clear.

Nobody on the network can make the others wait: handshakes, silent connections and half requests take no thread,
and one address has only so many connections. Nothing here reads HTTP, so no two readers of it can disagree: what is
decrypted goes through a pair of sockets inside this process, with the client's address, and no port is opened.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections import Counter
from collections.abc import Awaitable, Callable
from functools import partial
from typing import TYPE_CHECKING, Any

from flask import Flask

from app.commands.server_life import Ending, listen, run_until

if TYPE_CHECKING:
    from waitress.server import BaseWSGIServer

HANDSHAKE_SECONDS = 10.0
MOST_OF_ONE = 48  # connections of one address; a browser opens six
_MOST = 240  # of all: three open files each, and a process has about a thousand
_FIRST_SECONDS = 20.0  # from the handshake to the first byte; an idle connection is closed by the server behind
_TAKEN_SECONDS = 120.0  # a client that takes nothing of its answer for so long is gone
_LAST_SECONDS = 1.0  # a client that does not say goodbye while the server ends is not waited for
_PIECE = 65_536
_log = logging.getLogger(__name__)


class TlsServer:
    """`app` behind TLS. `prepare()` listens, `serve()` serves until `end()` or `stop()` is called."""

    def __init__(self, app: Flask, context: ssl.SSLContext, bind: tuple[str, int], **behind: Any) -> None:
        self.bind_addr = bind
        self._context = context
        self._make_inner = partial(_listening_to_nobody, app, behind)
        self._ending = Ending()
        self._listening: socket.socket | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._told: asyncio.Event | None = None  # that the ending has changed
        self._open: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()
        self._silent: set[asyncio.Task[None]] = set()  # those of them whose client has sent nothing yet

    def prepare(self) -> None:
        """Listen; `bind_addr` is then what was bound, with the port that the system chose for port 0."""
        listening = listen(*self.bind_addr)
        listening.setblocking(False)
        self.bind_addr = listening.getsockname()[:2]
        self._listening = listening

    def serve(self) -> None:
        """Serve until told to end; then what runs has GRACE_SECONDS."""
        inner = self._make_inner()
        behind = threading.Thread(target=partial(run_until, inner, self._ending), name="serving", daemon=True)
        behind.start()
        try:
            asyncio.run(self._accept(inner))
        finally:
            self._ending.at_once()
            inner.pull_trigger()
            behind.join()
            inner.asyncore.close_all(inner._map)

    def end(self) -> None:
        """Take no further request, and let those that run come to their end. Called again: at once."""
        self._ending.begin()
        self._tell()

    def stop(self) -> None:
        """Let go of the port; a `serve()` in another thread ends at once."""
        self._ending.at_once()
        self._tell()

    def _tell(self) -> None:
        if self._loop is not None and self._told is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._told.set)
        elif self._listening is not None:
            self._listening.close()

    async def _accept(self, inner: BaseWSGIServer) -> None:
        if self._listening is None:
            raise RuntimeError("prepare() comes first")
        self._told, self._loop = asyncio.Event(), asyncio.get_running_loop()
        if self._ending.is_told():
            return
        self._take_on(inner)
        try:
            await self._told.wait()
            self._take_no_more()
            await self._let_run_out(inner)
        finally:
            self._take_no_more()
            await asyncio.sleep(0)  # a task that has not begun could not close its socket
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            await _until_let_go()

    async def _let_run_out(self, inner: BaseWSGIServer) -> None:
        """Who has asked for nothing yet goes; the server behind lets what runs come to its end."""
        for task in self._silent:
            task.cancel()
        inner.pull_trigger()
        while self._tasks and self._ending.left and self._told is not None:
            self._told.clear()  # told again means at once
            again = asyncio.create_task(self._told.wait())
            await asyncio.wait((again, *self._tasks), timeout=self._ending.left, return_when=asyncio.FIRST_COMPLETED)
            again.cancel()

    def _take_on(self, inner: BaseWSGIServer) -> None:
        if self._loop is not None and self._listening is not None and not self._ending.is_told():
            self._loop.add_reader(self._listening, self._take_one, inner)

    def _take_no_more(self) -> None:
        if self._loop is not None and self._listening is not None:
            self._loop.remove_reader(self._listening)
            self._listening.close()
            self._listening = None

    def _take_one(self, inner: BaseWSGIServer) -> None:
        if self._loop is None or self._listening is None:
            return
        try:
            client, address = self._listening.accept()
        except BlockingIOError:
            return  # who knocked is gone again
        except OSError as error:  # no files left to open, for example: those who are served go on
            _log.warning("a connection could not be taken: %s", error.strerror)
            self._loop.remove_reader(self._listening)
            self._loop.call_later(0.2, self._take_on, inner)
            return
        client.setblocking(False)
        who = str(address[0])
        if self._open[who] >= MOST_OF_ONE or self._open.total() >= _MOST:
            client.close()
            return
        self._open[who] += 1
        task = self._loop.create_task(self._serve_one(client, (who, int(address[1])), inner))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _serve_one(self, client: socket.socket, address: tuple[str, int], inner: BaseWSGIServer) -> None:
        me = asyncio.current_task()
        try:
            if self._ending.is_told() or me is None:
                client.close()
                return
            self._silent.add(me)
            reader, writer = await _shake_hands(client, self._context)
            try:
                async with asyncio.timeout(_FIRST_SECONDS):
                    first = await reader.read(_PIECE)
                self._silent.discard(me)
                if first:
                    await _relay(first, reader, writer, partial(_hand_over, inner, address))
                if self._ending.is_told():  # nothing is served after this: the last of an answer has to be out
                    writer.close()
                    async with asyncio.timeout(_LAST_SECONDS):
                        await writer.wait_closed()
            except (TimeoutError, asyncio.CancelledError):
                writer.transport.abort()  # what it does not take is not waited for
                raise
            finally:
                writer.close()
        except OSError:  # a client that went away, or never was one
            pass  # its socket is closed by the loop: closed here, its number would be another's before the loop knows
        finally:
            if me is not None:
                self._silent.discard(me)
            self._open[address[0]] -= 1
            if not self._open[address[0]]:
                del self._open[address[0]]


async def _until_let_go() -> None:
    """Give the loop the rounds that it needs to close what was given up."""
    for _ in range(4):
        await asyncio.sleep(0)


async def _relay(
    first: bytes,
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    hand_over: Callable[[socket.socket], None],
) -> None:
    ours, theirs = socket.socketpair()
    inner_reader, inner_writer = await asyncio.open_connection(sock=ours)
    hand_over(theirs)
    inner_writer.write(first)
    try:
        await _until_one_ends(_copy(reader, inner_writer, None), _copy(inner_reader, writer, _TAKEN_SECONDS))
    finally:
        inner_writer.transport.abort()


def _hand_over(inner: BaseWSGIServer, address: tuple[str, int], theirs: socket.socket) -> None:
    """Give the server behind a connection as if it had accepted it, in its own thread."""
    inner.trigger.pull_trigger(lambda: inner.channel_class(inner, theirs, address, inner.adj, map=inner._map))


def _listening_to_nobody(app: Flask, settings: dict[str, Any]) -> BaseWSGIServer:
    """The server behind: it has no port, and takes the connections that it is handed."""
    from waitress import create_server  # loaded only when something is served

    unbound = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    return create_server(
        app, _start=False, sockets=[unbound], url_scheme="https", ident=None, asyncore_use_poll=True, **settings
    )


async def _shake_hands(
    client: socket.socket, context: ssl.SSLContext
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(loop=loop)
    protocol = asyncio.StreamReaderProtocol(reader, loop=loop)
    transport, _ = await loop.connect_accepted_socket(
        lambda: protocol, client, ssl=context, ssl_handshake_timeout=HANDSHAKE_SECONDS
    )
    return reader, asyncio.StreamWriter(transport, protocol, reader, loop)


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, taken_within: float | None) -> None:
    while piece := await reader.read(_PIECE):
        writer.write(piece)
        async with asyncio.timeout(taken_within):  # wait_for() may lose a cancellation, and then never ends
            await writer.drain()


async def _until_one_ends(*ways: Awaitable[None]) -> None:
    """When either side ends, so does the other: TLS knows no half-open connection."""
    tasks = [asyncio.ensure_future(way) for way in ways]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
