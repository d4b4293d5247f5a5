"""Whole jobs as people do them: the demo's house, served, and hands that start at its log-in page and are counted."""

import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import Literal
from urllib.parse import urljoin

import pytest
from playwright.sync_api import Error, Locator, Page, Request, expect

from app.commands.demo_house import DEMO_LOGINS
from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from tests import tour
from tests.chromium import Served, serving

Pressed = Literal["button", "link", "checkbox", "radio", "tab", "option"]
_A_MOMENT = 30  # milliseconds: what a page takes to begin what a key asks for, and to move the focus at its end
_LONGEST_ANSWER = 120  # seconds: what has not come then hangs
_ASKED_AFTER = 350  # milliseconds: longer than any page waits for the next letter before it asks
# By the page's own clock: what an act set going there is before this in its queue, however slow the machine is. Told
# is whether the page is being left: then what it leads to has been asked for, or is about to be.
_NOTE_LEAVING = """addEventListener("beforeunload", () => { window.isLeft = true; })"""
_WAITED = """(moment) => new Promise((done) => setTimeout(() => {
  done(window.isLeft === true);
  window.isLeft = false;
}, moment))"""
# A page moves the focus to its first box with its first picture, which may come after it is loaded.
_HAS_ITS_FOCUS = """() => document.activeElement !== document.body
  || ![...document.querySelectorAll("[autofocus]")].some((box) => box.checkVisibility())"""
_ASKS_BY_ITSELF = """() => document.activeElement?.closest("[hx-trigger*=input]") !== null"""


@dataclass(frozen=True, slots=True)
class House:
    """The demo's house of this test: served, and its ledger, which a journey looks into at its end alone."""

    served: Served
    ledger: Ledger


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """The demo's house as it is loaded, its clock at `tests.conftest.NOW`."""
    with tour.demo_app(tmp_path / "instance", as_loaded=True) as (app, ledger), serving(app) as served:
        yield House(served, ledger)


class Hands:
    """Somebody at a page, by keyboard first: acts as a person would and counts as journeys are judged.

    counted: a run of typing in one box is 1; Tab, Enter, an arrow, an access key, a click are 1 each. strokes: every
    key that goes down, and every click.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self.counted = self.strokes = 0
        self._is_typing = self._is_new_page = False
        self._pages_on_their_way: set[Request] = set()
        page.add_init_script(_NOTE_LEAVING)
        page.on("request", self._note_page)
        page.on("requestfinished", lambda request: self._pages_on_their_way.discard(request))
        page.on("requestfailed", lambda request: self._pages_on_their_way.discard(request))  # a download too

    def log_in(self, served: Served, role: Role) -> None:
        """Open the log-in page and come in as the demo's person with this role; counts nothing."""
        name, _, password = next(login for login in DEMO_LOGINS if login[1] is role)
        self.page.goto(served.url("/login"))
        self.settle()
        self.type(name)
        self.press("Tab")
        self.type(password)
        self.press("Enter")
        self.page.locator("#menu").wait_for(state="attached")  # on a phone it stays closed
        self.start()

    def start(self) -> None:
        """Count from here on."""
        self.counted = self.strokes = 0
        self._is_typing = False

    def type(self, words: str) -> None:
        """Type into the box, or choose in the list, that has the focus."""
        self.page.keyboard.type(words)
        self._count(0 if self._is_typing else 1, len(words))
        self._is_typing = True
        self.settle(has_typed=True)

    def press(self, *keys: str) -> None:
        """Press keys that stand for themselves: "Tab", "Enter", "ArrowDown", "/"."""
        for key in keys:
            self.page.keyboard.press(key)
            self._count(1, 1 + key.count("+"))
            self.settle(has_typed=key not in ("Tab", "Shift+Tab", "Enter", "Escape"))

    def tab_to(self, label: str, most: int = 40, *, back: bool = False) -> None:
        """Press Tab, or back Shift and Tab, until the box, button or link of this name has the focus; each counts."""
        wanted = self.page.get_by_label(label, exact=True).or_(
            self.page.get_by_role("button", name=label, exact=True)
        )
        for _ in range(most):
            self.press("Shift+Tab" if back else "Tab")
            if wanted.and_(self.page.locator(":focus")).count():
                return
        raise AssertionError(f"{most} Tabs do not reach {label!r}")

    def access(self, key: str) -> None:
        """An access key, Alt and the letter: headless Chromium hears none, so that what it stands for is pressed."""
        wanted = self.page.locator(f"[accesskey={key}]")
        if wanted.and_(self.page.locator("input")).count():
            wanted.focus()
        else:
            wanted.press("Enter")
        self._count(1, 2)
        self.settle()

    def click(self, name: str, role: Pressed = "button", within: Locator | None = None) -> None:
        """Click what has this name, the first of several; `within`: of one part of the page."""
        (within or self.page).get_by_role(role, name=name).first.click()
        self._count(1, 1)
        self.settle()

    def open_plan(self, keyway: str, levels: int) -> None:
        """From any page to the one that plans a key system, with its keyway and its levels chosen."""
        self.click("Key systems", "link")
        self.click("Plan a system", "link")
        self.page.get_by_role("combobox", name="Keyway").select_option(label=keyway)
        self.page.get_by_label("Levels").select_option(str(levels))

    def type_day(self, label: str, day: str) -> None:
        """Click at the beginning of a day's box, the first of this label, and type the day: "12232026"."""
        self.page.get_by_label(label, exact=True).first.click(position={"x": 14, "y": 12})
        self._count(1, 1)
        self.type(day)
        self.press("Tab")

    def read_paper(self, name: str) -> str:
        """The text of the PDF that a link on the page leads to, or a button that sends a form of its own; its blanks
        and lines as single blanks; a click.
        """
        form = self.page.locator("form").filter(has=self.page.get_by_role("button", name=name, exact=True))
        if form.count():
            names = "boxes => Object.fromEntries(boxes.map((box) => [box.name, box.value]))"
            sent = form.locator("input[name]").evaluate_all(names)
            url = urljoin(self.page.url, form.get_attribute("action") or "")
            answer = self.page.request.post(url, form=sent, timeout=0)
        else:
            href = self.page.get_by_role("link", name=name, exact=True).get_attribute("href")
            url = urljoin(self.page.url, href or "")
            answer = self.page.request.get(url, timeout=0)
        assert answer.headers["content-type"] == "application/pdf", url
        self._count(1, 1)
        read = subprocess.run(
            ["pdftotext", "-layout", "-", "-"], input=answer.body(), capture_output=True, check=True
        )
        return " ".join(read.stdout.decode().split())

    def settle(self, *, has_typed: bool = False) -> None:
        """Wait as a person does: until what was done, or typed into a box that asks by itself, has been answered."""
        is_left = self._waited(_A_MOMENT)
        while True:
            self._arrive(is_left)
            is_left = has_typed and self.page.evaluate(_ASKS_BY_ITSELF) and self._waited(_ASKED_AFTER)
            expect(self.page.locator(".htmx-request, .htmx-swapping, .htmx-settling")).to_have_count(0)
            if not (self._waited(_A_MOMENT) or is_left):  # an answer may lead on to another page
                return
            is_left, has_typed = True, False

    def _arrive(self, is_left: bool) -> None:
        """Wait until each page that was asked for is there, the focus where it has it at first."""
        ends = monotonic() + _LONGEST_ANSWER
        while self._pages_on_their_way or (is_left and not self._is_new_page):
            assert monotonic() < ends, f"no answer within {_LONGEST_ANSWER} s"
            self.page.wait_for_timeout(_A_MOMENT)
        self.page.wait_for_load_state()
        if self._is_new_page:
            self.page.wait_for_function(_HAS_ITS_FOCUS)
            self._is_new_page = False

    def _waited(self, moment: int) -> bool:
        """Wait for so many milliseconds of the page's; whether it is left for another one."""
        try:
            return bool(self.page.evaluate(_WAITED, moment))
        except Error as gone:
            if "navigat" not in gone.message:
                raise
            return True

    def _note_page(self, request: Request) -> None:
        if request.is_navigation_request() and request.frame == self.page.main_frame:
            self._pages_on_their_way.add(request)
            self._is_new_page = True

    def _count(self, counted: int, strokes: int) -> None:
        self.counted += counted
        self.strokes += strokes
        self._is_typing = False

    def report(self, journey: str) -> None:
        """Print both counts."""
        print(f"{journey}: {self.counted} keys and clicks as counted, {self.strokes} one by one")


@pytest.fixture
def hands(page: Page) -> Hands:
    """Hands at a fresh page, 1366 × 768."""
    return Hands(page)
