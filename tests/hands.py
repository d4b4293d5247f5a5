"""Many people at the counter at once: each a browser's worth of requests to a served Bittern."""

import http.client
import time
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode, urlsplit

from flask import Flask

from app.ledger import tables as models
from tests.factories import FormClient


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back. where: the address that a redirect names, "" without one."""

    status: int
    where: str
    body: bytes
    seconds: float


class Hand:
    """One person's browser, logged in: its cookie and its form token, and no more of a browser than that."""

    def __init__(self, app: Flask, address: str, user: models.User) -> None:
        client = FormClient(app)
        client.log_in(user)
        self._token = client.csrf_token()
        cookie = client.get_cookie("bittern")
        assert cookie is not None
        self._headers = {"Cookie": f"bittern={cookie.value}", "Connection": "close"}
        self._server = urlsplit(address).netloc

    def get(self, path: str) -> Answer:
        """Ask for a page."""
        return self._ask("GET", path, None)

    def post(self, path: str, form: Mapping[str, str]) -> Answer:
        """Send a form."""
        return self._ask("POST", path, urlencode({"csrf_token": self._token, **form}))

    def _ask(self, method: str, path: str, body: str | None) -> Answer:
        kind = {"Content-Type": "application/x-www-form-urlencoded"} if body is not None else {}
        began = time.perf_counter()
        connection = http.client.HTTPConnection(self._server, timeout=60)
        try:
            connection.request(method, path, body, {**self._headers, **kind})
            answer = connection.getresponse()
            content = answer.read()
        finally:
            connection.close()
        return Answer(answer.status, answer.headers.get("Location", ""), content, time.perf_counter() - began)
