"""What every answer carries and every request must satisfy: headers, host, size, cookies, CSRF."""

import hashlib
import io
import secrets
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import IO, Any
from urllib.parse import urlsplit

from flask import Flask, Request, Response, abort, current_app, request
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import CSRFProtect
from werkzeug.datastructures import ContentSecurityPolicy, ImmutableMultiDict, MultiDict
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.formparser import FormDataParser
from werkzeug.utils import cached_property

from app.config import Config
from app.errors import BitternError
from app.ledger.store.private_files import fault_of_mode, write_new_file

csrf = CSRFProtect()

_LEAST_KEY = 32
_LARGE, _TIMES = frozenset({"maker_papers.new"}), 6
"""What takes larger files than other pages, by how many times: a maker's catalog of 800 pages has 60 MB and more."""
_POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self'",
    "font-src": "'self'",
    "connect-src": "'self'",
    "form-action": "'self'",
    "object-src": "'none'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
}
# Written once: every answer carries one of them. The browser's own reader shows a PDF as an object.
_FOR_PAGES = ContentSecurityPolicy(_POLICY).to_header()
_FOR_PDF = ContentSecurityPolicy(_POLICY | {"object-src": "'self'"}).to_header()
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


_FONTS = "/static/fonts/"  # named by the styles, without a mark; a font that changes gets another name


class _Cookies(SecureCookieSessionInterface):
    """Flask's signed session cookie; where the page came over TLS it is bound to TLS and to this very host."""

    digest_method = staticmethod(hashlib.sha256)

    def get_cookie_name(self, app: Flask) -> str:
        return "__Host-bittern" if request.is_secure else "bittern"

    def get_cookie_secure(self, app: Flask) -> bool:
        return request.is_secure


def secure(app: Flask, config: Config) -> None:
    """Set the cookies, the limits and the headers; `csrf` joins after the login check, whose answer is better."""
    app.config.update(
        SECRET_KEY=session_key(config),
        SESSION_COOKIE_NAME="bittern",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        PERMANENT_SESSION_LIFETIME=config.session_hours * 3600,  # an older cookie is not even read
        MAX_CONTENT_LENGTH=config.upload_bytes,
        MAX_FORM_MEMORY_SIZE=config.upload_bytes,
        MAX_FORM_PARTS=10_000,
        WTF_CSRF_TIME_LIMIT=None,  # a token lasts as long as its session
    )
    app.session_interface = _Cookies()
    named = (config.host.lower(), *(name.lower() for name in config.hosts))
    hosts = frozenset({"127.0.0.1", "localhost", "[::1]", "::1", *named})

    def check_host() -> None:
        name = urlsplit(f"//{request.host}").hostname or ""
        if name.lower() not in hosts:
            abort(400, "This address is not one that this house answers to.")

    def let_papers_in() -> None:
        if request.endpoint in _LARGE:
            request.max_content_length = config.upload_bytes * _TIMES

    app.before_request(check_host)
    app.before_request(let_papers_in)
    app.after_request(_add_headers)
    app.url_defaults(_mark_file)


def session_key(config: Config) -> str:
    """The key that signs the session cookies: from BITTERN_SECRET_KEY, or a file made on the first start.

    Raises BitternError when it is too short to be safe, or can be read by others.
    """
    if config.secret_key:
        if len(config.secret_key) < _LEAST_KEY:
            raise BitternError("BITTERN_SECRET_KEY", f"Give at least {_LEAST_KEY} random characters.")
        return config.secret_key
    path = config.session_key_file
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with suppress(FileExistsError):  # another process was faster; its key holds
            write_new_file(path, f"{secrets.token_urlsafe(48)}\n".encode("ascii"))
    try:
        key, fault = path.read_text("ascii").strip(), fault_of_mode(path)
    except (OSError, UnicodeDecodeError) as error:
        raise BitternError("session key", f"The file {path} cannot be read. Delete it: a new one is made.") from error
    if fault:
        raise BitternError("session key", fault)
    if len(key) < _LEAST_KEY:
        raise BitternError("session key", f"The file {path} holds no key. Delete it: a new one is made.")
    return key


def _add_headers(response: Response) -> Response:
    headers = response.headers
    if "Content-Security-Policy" not in headers:  # a file that somebody sent has a stricter one
        headers["Content-Security-Policy"] = _FOR_PDF if response.mimetype == "application/pdf" else _FOR_PAGES
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    if request.is_secure:
        headers["Strict-Transport-Security"] = "max-age=31536000"
    if request.endpoint != "static":
        headers["Cache-Control"] = "no-store"
    elif "v" in request.args or request.path.startswith(_FONTS):
        headers["Cache-Control"] = "public, max-age=31536000, immutable"
    return response


def _mark_file(endpoint: str, values: dict[str, Any]) -> None:
    """Have the address of a style or script change with its content, so that a browser asks for it once."""
    if endpoint == "static":
        values["v"] = _mark_of(current_app.static_folder or "", values["filename"])


@cache
def _mark_of(folder: str, name: str) -> str:
    return hashlib.sha256(Path(folder, name).read_bytes()).hexdigest()[:8]


class _FormParser(FormDataParser):
    """Werkzeug's, which bounds the boxes of a form with files; this bounds those of every form."""

    def parse(self, stream: IO[bytes], mimetype: str, content_length: int | None, options: Any = None) -> Any:
        """The form, or RequestEntityTooLarge where it has more boxes than any page."""
        if mimetype == "application/x-www-form-urlencoded":
            sent = stream.read()
            if self.max_form_parts is not None and sent.count(b"&") >= self.max_form_parts:
                raise RequestEntityTooLarge()
            stream = io.BytesIO(sent)
        return super().parse(stream, mimetype, content_length, options)


class HouseRequest(Request):
    """Flask's request, whose query string holds no NUL: no record has one, and PostgreSQL's text cannot.

    A form keeps what was typed, so that its own check can name the box.
    """

    form_data_parser_class = _FormParser

    @cached_property
    def args(self) -> MultiDict[str, str]:
        """The query string's values, each NUL replaced by the sign for an unreadable character."""
        given: Any = super().args
        return ImmutableMultiDict(
            (name.replace("\0", "\ufffd"), value.replace("\0", "\ufffd")) for name, value in given.items(multi=True)
        )
