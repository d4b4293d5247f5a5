"""A served copy of the app and a headless Chromium that looks at it: the fixtures of browser tests and journeys."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import wraps
from pathlib import Path
from typing import Any

import pytest
import waitress.server
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright

from app.commands.demo_house import DEMO_LOGINS, load_house, load_people
from app.ledger.care.opening import Ledger
from app.ledger.store.work import Actor
from app.ledger.tables import Role, User
from tests.conftest import NOW
from tests.factories import PASSWORD

Enter = Callable[[Role], Page]

DATA = Path(__file__).resolve().parents[1] / "demo_data"
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

_A_HANG = 120_000  # milliseconds; a machine may have much else to do
expect.set_options(timeout=_A_HANG)


def then_loaded(act: Callable[..., None]) -> Callable[..., None]:
    """The act of a locator, over once the page that it leads to has come whole: half a form lacks boxes."""

    @wraps(act)
    def whole_act(locator: Locator, *arguments: Any, **named: Any) -> None:
        act(locator, *arguments, **named)
        locator.page.wait_for_load_state("domcontentloaded")

    return whole_act


for name in ("click", "press"):
    setattr(Locator, name, then_loaded(getattr(Locator, name)))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in these two folders carries the marker `browser`."""
    here = Path(__file__).parent
    for item in items:
        if {here / "browser", here / "journeys"} & set(item.path.parents):
            item.add_marker("browser")


@dataclass(frozen=True, slots=True)
class Served:
    """The app of this test, served; `url("/login")` is an address in it."""

    app: Flask
    address: str

    def url(self, path: str) -> str:
        return self.address + path


@contextmanager
def serving(app: Flask, threads: int = 4) -> Iterator[Served]:
    """The app, served by waitress on a free port of 127.0.0.1 as long as the block runs."""
    server = waitress.server.create_server(app, host="127.0.0.1", port=0, threads=threads)
    ended = threading.Event()

    def serve() -> None:
        while not ended.is_set():
            server.asyncore.loop(timeout=1, map=server._map, count=1)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield Served(app, f"http://127.0.0.1:{server.effective_port}")
    finally:
        # The loop ends by itself before a socket is closed: closed under its feet, select() would
        # meet a bad file descriptor in the thread.
        ended.set()
        server.pull_trigger()
        thread.join()
        server.task_dispatcher.shutdown()
        for channel in list(server.active_channels.values()):
            channel.handle_close()  # with the temporary files of long answers
        server.asyncore.close_all(server._map)


@pytest.fixture
def served(web: Flask) -> Iterator[Served]:
    """The test's own house, served."""
    with serving(web) as served:
        yield served


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, headless; one for the run, each test has a fresh profile in it."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    """A fresh profile at the counter's size, 1366 × 768."""
    context = browser.new_context(viewport={"width": 1366, "height": 768}, locale="en-US")
    context.set_default_timeout(_A_HANG)
    yield context
    context.close()


_COMES_TO_NOTHING = ("Failed to load resource", "htmx:afterRequest", "htmx:sendError", "htmx:sendAbort")
"""What the console says of an answer, which is for the test to judge, and of a request whose page was left."""


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A page that fails the test when its console shows an error: a refused style, a broken script."""
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda message: (
            complaints.append(message.text)
            if message.type == "error" and not message.text.startswith(_COMES_TO_NOTHING)
            else None
        ),
    )
    yield page
    assert complaints == []


def fill_in_login(page: Page, served: Served, user: User) -> None:
    """Log in as a user of the factories, through the login form."""
    page.goto(served.url("/login"))
    page.get_by_label("Name").fill(user.name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()


@pytest.fixture
def log_in(page: Page, served: Served) -> Callable[[User], Page]:
    """`log_in(user)`: the page, logged in as a user of the factories, through the login form."""

    def through_the_form(user: User) -> Page:
        fill_in_login(page, served, user)
        page.locator("#menu").wait_for(state="attached")  # on a phone it stays closed
        return page

    return through_the_form


@pytest.fixture
def shop(ledger: Ledger) -> Ledger:
    """The demo's house with its three logins and no job yet."""
    with ledger.work(Actor(None, "the demo", Role.OWNER), NOW) as work:
        load_people(work)
        load_house(work, DATA, date(2026, 1, 1))
    return ledger


@pytest.fixture
def enter(page: Page, served: Served) -> Enter:
    """`enter(Role.BENCH)`: the page in the hands of that person of the demo's house, logged in through the form."""

    def through_the_door(role: Role) -> Page:
        page.context.clear_cookies()
        name, _, password = next(login for login in DEMO_LOGINS if login[1] is role)
        page.goto(served.url("/login"))
        page.get_by_label("Name").fill(name)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Log in").click()
        page.get_by_role("button", name="Log out").wait_for()
        return page

    return through_the_door
