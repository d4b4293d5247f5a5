"""Serving a network: refused in clear, and by TLS with the house's own certificate, asked by a real client."""

import http.client
import json
import os
import socket
import ssl
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from cryptography import x509
from flask import Flask, Response, jsonify, request
from waitress.adjustments import Adjustments

from app import create_app
from app.cli import main
from app.commands.certificate import certificate_days_left, names_in, write_certificate
from app.commands.server_life import Server
from app.commands.serving import THREADS, clear_server, settled, tls_server
from app.commands.tls_server import TlsServer
from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.web.access import public
from app.web.security import csrf

NAMES = ("quay.example", "127.0.0.1")
NOW = datetime.now(UTC)  # a client compares a certificate with the day it is
PATIENCE = 60  # seconds without an answer are a hang
HEAD = b"POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\n"
NETWORK = "0.0.0.0"  # noqa: S104 - what is refused, or served by TLS


@pytest.fixture
def served_config(config: Config, tmp_path: Path) -> Config:
    """A house with its own certificate, as `bittern house serve` settles it."""
    certificate, key = tmp_path / "tls" / "house.pem", tmp_path / "tls" / "house.key"
    write_certificate(certificate, key, NAMES, NOW)
    return settled(replace(config, port=0, tls_certificate=certificate, tls_key=key))


@contextmanager
def serving(app: Flask, config: Config) -> Iterator[int]:
    """`app` served by TLS while the block runs: the port."""
    with running(tls_server(app, config)) as port:
        yield port


@contextmanager
def running(server: TlsServer | Server) -> Iterator[int]:
    """The server serves in a thread while the block runs: the port."""
    server.prepare()
    thread = threading.Thread(target=server.serve)
    thread.start()
    try:
        yield server.bind_addr[1]
    finally:
        server.stop()
        thread.join()


@pytest.fixture
def endless_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever lets the server wait has it wait: nobody is answered because it gave that one up."""
    for name in ("HANDSHAKE_SECONDS", "_FIRST_SECONDS"):
        monkeypatch.setattr(f"app.commands.tls_server.{name}", 10.0 * PATIENCE)


@pytest.fixture
def port(served_config: Config, ledger: Ledger) -> Iterator[int]:
    """That house, served by TLS on a free port."""
    app = create_app(served_config, ledger)
    app.extensions["started"] = True
    with serving(app, served_config) as port:
        yield port


def trusting(served_config: Config) -> ssl.SSLContext:
    assert served_config.tls_certificate is not None
    return ssl.create_default_context(cafile=str(served_config.tls_certificate.with_name("house-authority.crt")))


def test_a_device_that_trusts_the_authority_gets_the_page(served_config: Config, port: int) -> None:
    client = http.client.HTTPSConnection("127.0.0.1", port, context=trusting(served_config), timeout=PATIENCE)
    client.request("GET", "/login")
    answer = client.getresponse()
    assert answer.status == 200
    assert b"Log in" in answer.read()
    headers = {name.lower(): value for name, value in answer.getheaders()}
    assert headers["strict-transport-security"] == "max-age=31536000"
    assert headers["set-cookie"].startswith("__Host-bittern=") and "Secure" in headers["set-cookie"]
    assert "server" not in headers
    assert client.sock.version() in ("TLSv1.2", "TLSv1.3")
    client.request("GET", "/login", headers={"Host": "quay.example"})
    assert client.getresponse().status == 200
    client.close()
    client.request("GET", "/login", headers={"Host": "elsewhere.example"})
    assert client.getresponse().status == 400
    client.close()


def test_a_device_that_does_not_trust_it_gets_nothing(port: int) -> None:
    client = http.client.HTTPSConnection("127.0.0.1", port, context=ssl.create_default_context(), timeout=PATIENCE)
    with pytest.raises(ssl.SSLCertVerificationError):
        client.request("GET", "/login")


def test_old_tls_is_refused(served_config: Config, port: int) -> None:
    context = trusting(served_config)
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning):
        context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    client = http.client.HTTPSConnection("127.0.0.1", port, context=context, timeout=PATIENCE)
    with pytest.raises((ssl.SSLError, ConnectionError)):
        client.request("GET", "/login")


@pytest.mark.usefixtures("endless_waits")
def test_who_says_nothing_or_half_a_request_makes_nobody_wait(served_config: Config, port: int) -> None:
    context, held = trusting(served_config), []
    for _ in range(THREADS + 2):
        held.append(socket.create_connection(("127.0.0.1", port)))  # not even a handshake
        held.append(context.wrap_socket(socket.create_connection(("127.0.0.1", port)), server_hostname="127.0.0.1"))
        held[-1].sendall(HEAD + b"Content-Length: 9\r\n\r\nhalf")
    client = http.client.HTTPSConnection("127.0.0.1", port, context=context, timeout=PATIENCE)
    client.request("GET", "/login")
    assert client.getresponse().status == 200
    client.close()
    for one in held:
        one.close()


@pytest.mark.usefixtures("endless_waits")
def test_more_half_requests_than_the_server_behind_takes_by_itself_make_nobody_wait(
    served_config: Config, port: int
) -> None:
    context, held = trusting(served_config), []
    for number in range(3 * 40):  # waitress's own limit is 100
        raw = socket.create_connection(("127.0.0.1", port), source_address=(f"127.0.0.{2 + number % 3}", 0))
        held.append(context.wrap_socket(raw, server_hostname="127.0.0.1"))
        held[-1].sendall(HEAD + b"Content-Length: 9\r\n\r\nhalf")
    client = http.client.HTTPSConnection("127.0.0.1", port, context=context, timeout=PATIENCE)
    client.request("GET", "/login")
    assert client.getresponse().status == 200
    client.close()
    for one in held:
        one.close()


def test_one_address_has_only_so_many_connections(
    served_config: Config, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.commands.tls_server.MOST_OF_ONE", 2)
    held = [
        trusting(served_config).wrap_socket(
            socket.create_connection(("127.0.0.1", port)), server_hostname="127.0.0.1"
        )
        for _ in range(2)
    ]
    more = http.client.HTTPSConnection("127.0.0.1", port, context=trusting(served_config), timeout=PATIENCE)
    with pytest.raises(OSError):
        more.request("GET", "/login")
    held[0].sendall(b"GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    assert held[0].recv(15) == b"HTTP/1.1 200 OK"
    for one in held:
        one.close()


def test_what_goes_through_tls_arrives_whole_with_who_sent_it(served_config: Config, ledger: Ledger) -> None:
    app = create_app(served_config, ledger)
    app.extensions["started"] = True

    @app.post("/echo")
    @csrf.exempt
    @public
    def echo() -> Response:
        request.max_content_length = None  # a stranger may send little, and this is about much
        said = f"{request.remote_addr} {request.scheme} {request.host} ".encode()
        return Response(said + request.get_data() * 3, mimetype="application/octet-stream")

    sent = os.urandom(2_000_000)
    lies = {"X-Forwarded-For": "10.9.9.9", "X-Forwarded-Proto": "http", "X-Forwarded-Host": "elsewhere.example"}
    with serving(app, served_config) as port:
        client = http.client.HTTPSConnection("127.0.0.1", port, context=trusting(served_config), timeout=PATIENCE)
        for _ in range(2):  # the second on the same connection
            client.request("POST", "/echo", body=sent, headers={"Host": f"127.0.0.1:{port}", **lies})
            assert client.getresponse().read() == f"127.0.0.1 https 127.0.0.1:{port} ".encode() + sent * 3
        client.close()


@pytest.mark.parametrize(
    "ends",
    [
        b"Content-Length: 4\r\nContent-Length: 5\r\n\r\nGET ",
        b"Content-Length: +4\r\n\r\nGET ",
        b"Content-Length: -1\r\n\r\n",
        b"Content-Length: 4\r\n Transfer-Encoding: chunked\r\n\r\nGET ",
        b"Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
        b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"X: ".ljust(Adjustments.max_request_header_size - len(HEAD), b"x"),  # all of it is read before it is refused
    ],
    ids=["two lengths", "a sign", "less than nothing", "folded", "unknown coding", "no chunk", "too long a head"],
)
def test_a_request_whose_end_is_told_in_two_ways_is_refused(served_config: Config, port: int, ends: bytes) -> None:
    raw = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
    client = trusting(served_config).wrap_socket(raw, server_hostname="127.0.0.1")
    client.sendall(HEAD + ends)
    answer = b""
    while piece := client.recv(65_536):  # until the server closes: nothing after it is read as a request
        answer += piece
    client.close()
    status = answer.split(b" ", 2)[1]
    assert status in (b"400", b"431", b"501"), answer[:80]
    assert answer.count(b"HTTP/1.") == 1


def test_the_certificate_says_who_it_is_for_and_its_authority_can_sign_nothing_else(served_config: Config) -> None:
    assert served_config.tls_certificate is not None and served_config.tls_key is not None
    assert names_in(served_config.tls_certificate) == NAMES
    assert set(NAMES) <= set(served_config.hosts)
    assert certificate_days_left(served_config.tls_certificate, NOW) in (819, 820)
    assert stat.S_IMODE(served_config.tls_key.stat().st_mode) == 0o600
    files = sorted(one.name for one in served_config.tls_certificate.parent.iterdir())
    assert files == ["house-authority.crt", "house.key", "house.pem"]
    authority = x509.load_pem_x509_certificate(
        served_config.tls_certificate.with_name("house-authority.crt").read_bytes()
    )
    constraints = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical and constraints.value.permitted_subtrees


@pytest.mark.parametrize("name", ["", "a b", "http://x", "-", "x" * 300, "münster.example", "1.2.3.4.5/8", "a..b"])
def test_a_name_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    if name in ("-",):
        name = "--"
    with pytest.raises(BitternError, match="no host name"):
        write_certificate(tmp_path / "house.pem", tmp_path / "house.key", [name], NOW)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("host", [NETWORK, "192.0.2.7", "quay.example", "::"])
def test_a_network_without_a_certificate_is_refused_loudly(host: str, config: Config) -> None:
    with pytest.raises(BitternError, match=r"REFUSED: .*without TLS"):
        settled(replace(config, host=host))


def test_a_key_that_others_may_read_is_refused(served_config: Config, web: Flask) -> None:
    assert served_config.tls_key is not None
    served_config.tls_key.chmod(0o644)
    with pytest.raises(BitternError, match="chmod 600"):
        tls_server(web, served_config)


def test_a_key_of_another_certificate_is_refused(served_config: Config, web: Flask, tmp_path: Path) -> None:
    write_certificate(tmp_path / "other.pem", tmp_path / "other.key", ["other.example"], NOW)
    with pytest.raises(BitternError, match="does not belong"):
        tls_server(web, replace(served_config, tls_key=tmp_path / "other.key"))


def test_a_certificate_that_runs_out_says_so(
    served_config: Config, web: Flask, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_certificate(tmp_path / "old.pem", tmp_path / "old.key", NAMES, NOW - timedelta(days=815))
    server = tls_server(
        web, replace(served_config, tls_certificate=tmp_path / "old.pem", tls_key=tmp_path / "old.key")
    )
    server.stop()
    assert "good for 4 more days" in capsys.readouterr().err


@pytest.fixture
def run(config: Config) -> Callable[..., Result]:
    def invoke(*words: str, **environment: str) -> Result:
        given = {"BITTERN_INSTANCE": str(config.instance), "BITTERN_DATABASE_URL": config.database_url, **environment}
        return CliRunner().invoke(main, list(words), env=given)

    return invoke


def test_the_command_makes_the_certificate_that_serving_then_uses(
    run: Callable[..., Result], config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = run("house", "certificate", "--name", "quay.example", "--name", "192.0.2.7")
    assert made.exit_code == 0, made.output
    assert "house-authority.crt" in made.stdout
    served: list[Config] = []
    monkeypatch.setattr("app.commands.house.serve_app", lambda app, config: served.append(config))
    assert run("house", "serve", BITTERN_HOST=NETWORK).exit_code == 0
    assert served[0].tls_certificate == config.own_certificate
    assert {"quay.example", "192.0.2.7", "localhost"} <= set(served[0].hosts)


def test_a_server_in_front_is_believed_only_where_the_house_names_it(
    run: Callable[..., Result], config: Config, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[Server] = []
    monkeypatch.setattr(Server, "prepare", lambda server: None)
    monkeypatch.setattr(Server, "serve", lambda server: served.append(server))
    for proxy in ("", "127.0.0.1"):
        answer = run("house", "serve", BITTERN_PORT="0", BITTERN_PROXY=proxy, BITTERN_HOSTS="quay.example, b.example")
        assert answer.exit_code == 0, answer.output
    plain, behind = (one._settings for one in served)
    assert "trusted_proxy" not in plain
    assert (behind["trusted_proxy"], behind["clear_untrusted_proxy_headers"]) == ("127.0.0.1", True)


@pytest.mark.parametrize(
    ("proxy", "address", "scheme"), [("", "127.0.0.1", "http"), ("127.0.0.1", "192.0.2.9", "https")]
)
def test_what_a_server_in_front_says_through_waitress(
    config: Config, ledger: Ledger, proxy: str, address: str, scheme: str
) -> None:
    behind = replace(config, proxy=proxy, port=0)
    app = create_app(behind, ledger)
    app.extensions["started"] = True

    @app.get("/who")
    @public
    def who() -> object:
        return jsonify(address=request.remote_addr, scheme=request.scheme)

    with running(clear_server(app, behind)) as port:
        client = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        client.request("GET", "/who", headers={"X-Forwarded-For": "192.0.2.9", "X-Forwarded-Proto": "https"})
        assert json.loads(client.getresponse().read()) == {"address": address, "scheme": scheme}
        client.close()
