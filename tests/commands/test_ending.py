"""A served house that is told to stop takes no further request, and lets those that run come to their end."""

import asyncio
import http.client
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from flask import Flask, Response

from app import create_app
from app.commands.certificate import write_certificate
from app.commands.serving import clear_server, tls_server
from app.config import Config
from app.ledger.care.opening import Ledger, open_ledger
from app.web.access import public
from tests.houses import sqlite_house

PATIENCE = 30  # seconds without an answer are a hang
SERVE = """import sys
from app.cli import main
from app.commands import server_life
server_life.GRACE_SECONDS = float(sys.argv[1])
main(["house", "serve"])
"""
both_ways = pytest.mark.parametrize("is_safe", [False, True], ids=["in clear", "by TLS"])


@pytest.fixture
def house(tmp_path: Path) -> Config:
    """A new house, on SQLite whatever the others are on."""
    return Config(instance=Path(shutil.copytree(sqlite_house(), tmp_path / "house")))


def certify(config: Config) -> None:
    write_certificate(config.own_certificate, config.own_certificate_key, ["127.0.0.1"], datetime.now(UTC))


def connect(config: Config, port: int) -> socket.socket:
    raw = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
    authority = config.own_certificate.with_name("house-authority.crt")
    if not authority.exists():
        return raw
    return ssl.create_default_context(cafile=str(authority)).wrap_socket(raw, server_hostname="127.0.0.1")


def answer_on(connection: socket.socket) -> tuple[int, bytes]:
    """Status and body of the next answer; a body that is cut off raises IncompleteRead."""
    answer = http.client.HTTPResponse(connection)
    answer.begin()
    return answer.status, answer.read()


def half_sent(config: Config, port: int) -> socket.socket:
    """A request of which the server has taken the head and asked for the rest, and half of that."""
    connection = connect(config, port)
    head = f"POST /login HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 8\r\nExpect: 100-continue\r\n\r\n"
    connection.sendall(head.encode())
    assert connection.recv(100) == b"HTTP/1.1 100 Continue\r\n\r\n"
    connection.sendall(b"half")
    return connection


def until_nobody_is_taken(port: int) -> None:
    end = time.monotonic() + PATIENCE
    with suppress(OSError):
        while time.monotonic() < end:
            socket.create_connection(("127.0.0.1", port), timeout=PATIENCE).close()
        pytest.fail("it still takes connections")


@contextmanager
def served(config: Config, grace: float) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """`bittern house serve` as a process of its own, and its port."""
    environment = {**os.environ, "BITTERN_INSTANCE": str(config.instance), "BITTERN_PORT": "0"}
    environment.pop("BITTERN_DATABASE_URL", None)
    process = subprocess.Popen([sys.executable, "-c", SERVE, str(grace)], env=environment, stdout=-1, text=True)
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        found = re.match(r"Serving on https?://127\.0\.0\.1:([0-9]+)/ \(Ctrl-C stops\)", said)
        assert found, said
        yield process, int(found[1])
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize(
    ("is_safe", "told"), [(False, signal.SIGINT), (True, signal.SIGTERM)], ids=["in clear", "by TLS"]
)
def test_a_request_that_runs_is_answered_and_no_further_one_is_taken(
    house: Config, is_safe: bool, told: signal.Signals
) -> None:
    if is_safe:
        certify(house)
    with served(house, grace=10 * PATIENCE) as (process, port):
        running, idle = half_sent(house, port), connect(house, port)
        idle.sendall(f"GET /login HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert answer_on(idle)[0] < 400
        process.send_signal(told)
        until_nobody_is_taken(port)
        assert idle.recv(1) == b""
        assert process.poll() is None
        running.sendall(b"sent")
        assert answer_on(running)[0] == 302
        assert process.wait(PATIENCE) == 0
        for one in (running, idle):
            one.close()


@both_ways
def test_a_request_that_does_not_come_to_its_end_is_given_up_after_the_grace(house: Config, is_safe: bool) -> None:
    if is_safe:
        certify(house)
    with served(house, grace=0.2) as (process, port):
        running = half_sent(house, port)
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE) == 0
        with suppress(ConnectionError):
            assert running.recv(1) == b""
        running.close()


@pytest.mark.parametrize("turns", range(4))
def test_who_knocks_in_the_turn_in_which_it_ends_is_not_lost(house: Config, turns: int) -> None:
    certify(house)
    server = tls_server(Flask("nothing"), replace(house, port=0, tls_certificate=house.own_certificate))
    server.prepare()
    thread = threading.Thread(target=server.serve)
    thread.start()

    async def end_and_knock() -> socket.socket:
        server.end()
        for _ in range(turns):
            await asyncio.sleep(0)
        return socket.create_connection(server.bind_addr, timeout=PATIENCE)

    while not isinstance(server._wake, partial):
        assert thread.is_alive()
    client = asyncio.run_coroutine_threadsafe(end_and_knock(), server._wake.func.__self__).result(PATIENCE)
    with client, suppress(ConnectionError):
        assert client.recv(1) == b""
    thread.join(PATIENCE)
    assert not thread.is_alive()


def test_told_a_second_time_it_waits_for_nobody(house: Config) -> None:
    with served(house, grace=10 * PATIENCE) as (process, port):
        running = half_sent(house, port)
        process.send_signal(signal.SIGTERM)
        until_nobody_is_taken(port)
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE) == 0
        running.close()


@both_ways
def test_a_page_that_takes_long_is_answered_whole(
    house: Config, is_safe: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.commands.server_life.GRACE_SECONDS", 10.0 * PATIENCE)
    monkeypatch.setattr("app.commands.tls_server._LAST_SECONDS", 10.0 * PATIENCE)
    if is_safe:
        certify(house)
    config = replace(house, port=0, tls_certificate=house.own_certificate if is_safe else None)
    ledger: Ledger = open_ledger(config)
    app: Flask = create_app(config, ledger)
    app.extensions["started"] = True
    entered, goes_on = threading.Event(), threading.Event()
    page = b"whole " * 200_000

    @app.get("/long")
    @public
    def long() -> Response:
        entered.set()
        assert goes_on.wait(PATIENCE)
        return Response(page)

    server = tls_server(app, config) if is_safe else clear_server(app, config)
    server.prepare()
    port = server.bind_addr[1]
    thread = threading.Thread(target=server.serve)
    thread.start()
    running = connect(config, port)
    try:
        running.sendall(f"GET /long HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert entered.wait(PATIENCE)
        server.end()
        until_nobody_is_taken(port)
        assert thread.is_alive()
        goes_on.set()
        assert answer_on(running) == (200, page)
        running.close()
        thread.join(PATIENCE)
        assert not thread.is_alive()
    finally:
        goes_on.set()
        server.stop()
        thread.join()
        running.close()
        ledger.close()
