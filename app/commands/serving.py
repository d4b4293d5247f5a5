"""Serve the pages: this machine in clear, a network only with TLS, or behind a server that speaks TLS."""

import ipaddress
import logging
import ssl
from dataclasses import replace
from datetime import UTC, datetime

import click
from flask import Flask

from app.commands.certificate import certificate_days_left, names_in
from app.commands.server_life import Server, told_to_stop
from app.commands.tls_server import TlsServer
from app.config import Config
from app.errors import BitternError
from app.ledger.store.private_files import fault_of_mode

THREADS = 8
# Larger uploads are refused by the pages, which say so; this only keeps a flood from filling the disk.
_FLOOD = 8
_SOON = 30  # days


def settled(config: Config) -> Config:
    """The settings as they are served: the names of the house's certificate are names that it answers to.

    Refuses with BitternError to serve a network in clear: passwords and bittings must not cross it so.
    """
    if config.tls_certificate is None:
        if not _is_this_machine(config.host):
            raise BitternError(
                "BITTERN_HOST",
                f"REFUSED: {config.host} can be reached from the network, and this house has no certificate: "
                "without TLS passwords and bittings would cross the network in clear. Make a certificate (bittern "
                "house certificate --name NAME), or serve on 127.0.0.1 behind a server that speaks TLS.",
            )
        return config
    return replace(config, hosts=(*config.hosts, *names_in(config.tls_certificate)))


def serve_app(app: Flask, config: Config) -> None:
    """Serve `app` on the configured host and port until Ctrl-C or SIGTERM: by TLS where there is a certificate.

    Then no request is taken any more, and those that run have GRACE_SECONDS. Raises BitternError where the port is
    in use.
    """
    is_safe = config.tls_certificate is not None
    server = tls_server(app, config) if is_safe else clear_server(app, config)
    server.prepare()
    with told_to_stop(server.end):
        scheme, port = "https" if is_safe else "http", server.bind_addr[1]
        names = names_in(config.tls_certificate) if config.tls_certificate else ()
        click.echo(f"Serving on {scheme}://{names[0] if names else config.host}:{port}/ (Ctrl-C stops)")
        server.serve()


def clear_server(app: Flask, config: Config) -> Server:
    """The server in clear, for this machine or behind a server that speaks TLS, not started yet."""
    logging.basicConfig()
    behind = {
        "trusted_proxy": config.proxy,
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
        "clear_untrusted_proxy_headers": True,
    }
    return Server(app, (config.host, config.port), **_limits(config), **(behind if config.proxy else {}))


def tls_server(app: Flask, config: Config) -> TlsServer:
    """The server that speaks TLS 1.2 or newer with the house's certificate, not started yet."""
    certificate, key = config.tls_certificate, config.tls_key_file
    if certificate is None or not key.exists():
        raise BitternError("BITTERN_TLS_KEY", f"The certificate's key {key} is missing.")
    if fault := fault_of_mode(key):
        raise BitternError("BITTERN_TLS_KEY", fault)
    left = certificate_days_left(certificate, datetime.now(UTC))
    if left < _SOON:
        click.echo(f"Caution: the certificate {certificate} is good for {max(left, 0)} more days.", err=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise BitternError("BITTERN_TLS_KEY", f"The key {key} does not belong to {certificate}.") from error
    return TlsServer(app, context, (config.host, config.port), **_limits(config))


def _limits(config: Config) -> dict[str, int]:
    return {"threads": THREADS, "max_request_body_size": config.upload_bytes * _FLOOD}


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
