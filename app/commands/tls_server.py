"""TLS for the house's own network: each connection is decrypted here and handed to the server that serves in clear.

Nobody on the network can make the others wait: handshakes, silent connections and half requests take no thread,
and one address has only so many connections. Nothing here reads HTTP, so no two readers of it can disagree: what is
decrypted goes through a pair of sockets inside this process, with the client's address, and no port is opened.
"""

import asyncio
import logging
import socket
import ssl
import threading
from asyncio import FIRST_COMPLETED
from collections import Counter, deque
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

from flask import Flask

from app.commands.server_life import Server, Waitress

HANDSHAKE_SECONDS = 10.0
MOST_OF_ONE = 48  # connections of one address; a browser opens six
_MOST = 240  # of all: three open files each, and a process has about a thousand
_FIRST_SECONDS = 20.0  # from the handshake to the first byte; an idle connection is closed by the server behind
_TAKEN_SECONDS = 120.0  # a client that takes nothing of its answer for so long is gone
_LAST_SECONDS = 1.0  # a client that does not say goodbye while the server ends is not waited for
_PIECE = 65_536
_log = logging.getLogger(__name__)


class TlsServer(Server):
    """`app` behind TLS. `prepare()` listens, `serve()` serves until `end()` or `stop()` is called."""

    def __init__(self, app: Flask, context: ssl.SSLContext, bind: tuple[str, int], **behind: Any) -> None:
        # What the server behind counts as open is its own two sockets too; it must not take fewer than come through.
        super().__init__(app, bind, url_scheme="https", connection_limit=_MOST + 2, **behind)
        self._context = context
        self._told = asyncio.Event()  # that the ending has changed
        self._open: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()
        self._silent: set[asyncio.Task[None]] = set()  # those of them whose client has sent nothing yet

    def serve(self) -> None:
        """Serve until told to end; then what runs has GRACE_SECONDS."""
        hatch = _Hatch()
        behind = Waitress(self._app, hatch, **self._settings)
        behind.server.fix_addr = lambda address: address  # it would call the clients of such a socket 'localhost'
        thread = threading.Thread(target=behind.serve_until, args=(self._ending,), name="serving", daemon=True)
        thread.start()
        try:
            asyncio.run(self._serve_through(hatch, behind))
        finally:
            self._ending.at_once()
            behind.wake()
            thread.join()
            behind.close()

    async def _serve_through(self, hatch: "_Hatch", behind: Waitress) -> None:
        loop = asyncio.get_running_loop()
        self._wake = partial(loop.call_soon_threadsafe, self._told.set)
        taking = loop.create_task(self._take_all(hatch))
        try:
            if not self._ending.is_told():
                await self._told.wait()
            await _given_up(taking)
            self.listening.close()
            for task in self._silent:  # who has asked for nothing yet goes
                task.cancel()
            behind.wake()  # it lets what runs come to its end
            while self._tasks and self._ending.left:
                self._told.clear()  # told again means at once
                again = loop.create_task(self._told.wait())
                await asyncio.wait((again, *self._tasks), timeout=self._ending.left, return_when=FIRST_COMPLETED)
                again.cancel()
        finally:
            self._wake = None
            await _given_up(taking, *self._tasks)
            self.listening.close()
            await _until_let_go()

    async def _take_all(self, hatch: "_Hatch") -> None:
        loop = asyncio.get_running_loop()
        self.listening.setblocking(False)
        while True:
            await _somebody_knocks(self.listening)
            try:  # not sock_accept(): given up in the turn in which it takes somebody, it would lose the connection
                client, (who, port, *_) = self.listening.accept()
            except BlockingIOError:  # gone again
                continue
            except OSError as error:  # no files left to open, for example: those who are served go on
                _log.warning("a connection could not be taken: %s", error.strerror)
                await asyncio.sleep(0.2)
                continue
            if self._open[who] >= MOST_OF_ONE or self._open.total() >= _MOST:
                client.close()
                continue
            self._open[who] += 1
            task = loop.create_task(self._serve_one(client, (who, port), hatch))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _serve_one(self, client: socket.socket, address: tuple[str, int], hatch: "_Hatch") -> None:
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
                    await _relay(first, reader, writer, partial(hatch.hand_over, address))
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


class _Hatch(socket.socket):
    """What the server behind listens on: no port, but connections that are handed to it in this process."""

    def __init__(self) -> None:
        ours, self._knocker = socket.socketpair()
        super().__init__(fileno=ours.detach())
        self._handed: deque[tuple[socket.socket, tuple[str, int]]] = deque()

    def hand_over(self, address: tuple[str, int], connection: socket.socket) -> None:
        """Let it be accepted as a connection from this address."""
        self._handed.append((connection, address))
        try:
            self._knocker.send(b"!")
        except OSError:  # closed meanwhile: nobody accepts it
            connection.close()
            raise

    def accept(self) -> tuple[socket.socket, tuple[str, int]]:
        """The connection that was handed over first."""
        self.recv(1)
        return self._handed.popleft()

    def listen(self, backlog: int = 0) -> None:
        """Nothing: what is handed over is all that comes."""

    def close(self) -> None:
        """Close it, and what was handed over and not accepted."""
        for connection, _ in self._handed:
            connection.close()
        self._handed.clear()
        self._knocker.close()
        super().close()


async def _somebody_knocks(listening: socket.socket) -> None:
    loop, knocked = asyncio.get_running_loop(), asyncio.Event()
    loop.add_reader(listening, knocked.set)
    try:
        await knocked.wait()
    finally:
        loop.remove_reader(listening)


async def _given_up(*tasks: asyncio.Task[None]) -> None:
    await asyncio.sleep(0)  # a task that has not begun could not close its socket
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


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
        done, _ = await asyncio.wait(tasks, return_when=FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
