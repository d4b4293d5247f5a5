"""The browser tests' own hands: what they read of a page is the whole page."""

from collections.abc import Iterator
from time import sleep

from flask import Flask
from playwright.sync_api import Page

from tests.chromium import serving


def test_what_is_read_after_a_press_is_the_whole_page(page: Page) -> None:
    slow = Flask("slow")

    @slow.get("/")
    def form() -> str:
        return '<form action="/boxes"><button>Show</button></form><a href="/boxes">Go</a>'

    @slow.get("/boxes")
    def boxes() -> Iterator[str]:
        yield "<input type=checkbox>"
        sleep(0.3)
        yield "<input type=checkbox>"

    with serving(slow) as served:
        page.goto(served.url("/"))
        page.get_by_role("button", name="Show").click()
        assert len(page.get_by_role("checkbox").all()) == 2
        page.goto(served.url("/"))
        page.get_by_role("link", name="Go").press("Enter")
        assert page.get_by_role("checkbox").count() == 2
