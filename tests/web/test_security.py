"""What every answer carries and every request must satisfy."""

import hashlib
import re
import stat
from collections.abc import Callable
from dataclasses import replace

import pytest
from flask import Flask

from app import create_app
from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from app.web.security import session_key
from app.web.templating import STATIC, TEMPLATES
from tests.factories import FormClient

ClientAs = Callable[[Role | None], FormClient]


@pytest.mark.parametrize("path", ["/login", "/house", "/nowhere", "/static/css/base.css", "/first-start"])
def test_every_answer_carries_the_headers(owner_client: FormClient, path: str) -> None:
    answer = owner_client.get(path)
    headers = answer.headers
    answer.close()
    policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert ("no-store" in headers["Cache-Control"]) == (not path.startswith("/static"))


def test_a_browser_asks_for_a_style_once_and_anew_when_its_content_changed(owner_client: FormClient) -> None:
    """Each page asked again for ten files that had not changed, and the page waited for the answers."""
    styles = re.findall(r'href="(/static/css/[^"]+)"', owner_client.get("/house").text)
    assert styles
    for address in styles:
        name, _, mark = address.partition("?v=")
        assert mark == hashlib.sha256((STATIC / name.removeprefix("/static/")).read_bytes()).hexdigest()[:8]
    fonts = [f"/static/fonts/{one.name}" for one in (STATIC / "fonts").glob("*.woff2")]
    for address, is_kept in ((styles[0], True), (fonts[0], True), ("/static/css/record.css", False)):
        with owner_client.get(address) as answer:
            assert ("max-age=31536000" in answer.headers["Cache-Control"]) is is_kept, address


@pytest.mark.parametrize("path", ["/house/users/new", "/my-password", "/logout"])
def test_a_form_without_its_token_is_refused(owner_client: FormClient, path: str) -> None:
    answer = owner_client.post(path, data={"name": "Bo"}, csrf=False)
    assert answer.status_code == 400
    assert "load the page again" in answer.text
    assert owner_client.get("/house").status_code == 200


def test_a_login_without_its_token_is_refused(client_as: ClientAs) -> None:
    assert client_as(None).post("/login", data={"name": "Owner", "password": "x"}, csrf=False).status_code == 400


def test_a_token_of_another_session_is_refused(client_as: ClientAs) -> None:
    token = client_as(Role.OWNER).csrf_token()
    answer = client_as(Role.OWNER).post("/logout", data={"csrf_token": token}, csrf=False)
    assert answer.status_code == 400


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8014", "[::1]:8014", "LOCALHOST"])
def test_the_house_answers_to_its_own_names(client_as: ClientAs, host: str) -> None:
    assert client_as(None).get("/login", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "[::2]", "a b"])
def test_the_house_answers_to_no_other_name(client_as: ClientAs, host: str) -> None:
    assert client_as(None).get("/login", headers={"Host": host}).status_code == 400


def test_the_configured_host_is_one_of_its_names(config: Config, ledger: Ledger) -> None:
    app = create_app(replace(config, host="192.0.2.10"), ledger)
    assert app.test_client().get("/first-start", headers={"Host": "192.0.2.10:8014"}).status_code == 200


def test_a_too_large_upload_gets_a_page_that_says_so(config: Config, ledger: Ledger) -> None:
    client = FormClient(create_app(replace(config, upload_bytes=2000), ledger))
    answer = client.post("/first-start", data={"house_name": "x" * 3000})
    assert answer.status_code == 413
    assert "larger than this house takes" in answer.text


def test_who_has_not_logged_in_may_send_little(client_as: ClientAs) -> None:
    answer = client_as(None).post("/login", data={"name": "x" * 70_000, "password": "y"})
    assert answer.status_code == 413 and "larger than this house takes" in answer.text
    assert client_as(None).post("/login", data={"name": "x" * 30_000, "password": "y"}).status_code == 422


def test_no_form_has_more_boxes_than_a_page(client_as: ClientAs) -> None:
    """Taken apart, a few megabytes of empty boxes would keep everybody else waiting for seconds."""
    client = client_as(Role.COUNTER)
    for count, status in ((9_000, 422), (10_001, 413)):
        assert client.post("/customers/new", data={f"b{number}": "" for number in range(count)}).status_code == status


# ---- the session key ----


def test_the_session_key_is_made_once_for_its_owner_only(config: Config) -> None:
    config.session_key_file.unlink(missing_ok=True)
    key = session_key(config)
    assert len(key) >= 32
    assert stat.S_IMODE(config.session_key_file.stat().st_mode) == 0o600
    assert session_key(config) == key


def test_a_session_key_that_others_may_read_is_refused(config: Config) -> None:
    session_key(config)
    config.session_key_file.chmod(0o640)
    with pytest.raises(BitternError, match="chmod 600"):
        session_key(config)


@pytest.mark.parametrize("content", [b"", b"short", b"\xff\xfe" * 40])
def test_a_broken_session_key_is_refused(config: Config, content: bytes) -> None:
    session_key(config)
    config.session_key_file.write_bytes(content)
    with pytest.raises(BitternError, match="Delete it"):
        session_key(config)


def test_the_session_key_may_come_from_the_environment(config: Config) -> None:
    given = Config.from_environment({"BITTERN_SECRET_KEY": "k" * 40})
    assert session_key(given) == "k" * 40
    assert "k" * 40 not in repr(given)
    with pytest.raises(BitternError, match="at least 32"):
        session_key(Config.from_environment({"BITTERN_SECRET_KEY": "short"}))


# ---- the templates ----


def _templates() -> list[str]:
    pages = [path for path in TEMPLATES.rglob("*.html") if path.relative_to(TEMPLATES).parts[0] != "documents"]
    return sorted(str(path.relative_to(TEMPLATES)) for path in pages)


@pytest.mark.parametrize("name", _templates())
def test_a_template_compiles_and_has_nothing_inline(web: Flask, name: str) -> None:
    web.jinja_env.get_template(name)
    source = (TEMPLATES / name).read_text("utf-8")
    assert not re.search(r"<style\b|\sstyle\s*=|\son[a-z]+\s*=\s*[\"']|hx-on|javascript:|\|\s*safe\b", source), name
    assert not re.search(r"<script(?![^>]*\bsrc=)", source), name
    assert not re.search(r"(src|href|action)\s*=\s*[\"']?(https?:)?//", source), name


def test_style_sheets_fetch_nothing_from_elsewhere() -> None:
    for path in STATIC.rglob("*.css"):
        source = path.read_text("utf-8")
        assert not re.search(r"(url\(|@import)\s*[\"']?([a-z]+:|//)", source), path


@pytest.mark.parametrize("method", ["TRACE", "TRACK", "PUT", "DELETE", "PATCH", "CONNECT"])
def test_a_method_that_no_page_has_is_refused(owner_client: FormClient, method: str) -> None:
    assert owner_client.open("/login", method=method).status_code == 405


def test_nothing_may_be_embedded_but_a_paper_by_the_browser_s_own_reader(owner_client: FormClient) -> None:
    policy = owner_client.get("/house").headers["Content-Security-Policy"]
    assert "object-src 'none'" in policy and "base-uri 'none'" in policy


@pytest.mark.usefixtures("own_passwords")
def test_passwords_are_hashed_as_the_manual_says() -> None:
    from app.ledger.people.passwords import hash_password

    assert hash_password("low water at the quay").startswith("$argon2id$v=19$m=65536,t=3,p=4$")
