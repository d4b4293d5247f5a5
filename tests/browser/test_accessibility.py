"""Every page of the demo house, held against axe-core in Chromium; none is wider than its screen, and no choice cut.

axe-core's rules are WCAG 2.2's, levels A and AA, and its own best practices.
"""

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ViewportSize

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from tests import tour
from tests.chromium import Served, serving
from tests.factories import FormClient

COUNTER: ViewportSize = {"width": 1366, "height": 768}
ZOOMED: ViewportSize = {"width": 683, "height": 384}  # what is left of it at 200 %
PHONE: ViewportSize = {"width": 390, "height": 844}
PAPER: ViewportSize = {"width": 672, "height": 960}  # Letter less its margins, at 96 dots an inch
# Without preloading: no rule that it runs of itself reads the styles' own text.
AXE_VIOLATIONS = 'axe.run({resultTypes: ["violations"], preload: false}).then((found) => found.violations)'
PRINTED = ("/day", "/ledger", "/jobs/<int:number>", "/key-systems/<int:system_id>", "/sites/<int:site_id>/doors")
LEFT_ON_PAPER = """() => {
  const shown = (found) => found.checkVisibility();
  const wide = document.documentElement.scrollWidth - innerWidth;
  const pressed = [...document.querySelectorAll("nav, button, .button, select, [type=search], [type=file]")];
  const beside = [...document.querySelectorAll(".side")].filter((found) => found.offsetLeft > innerWidth / 2);
  const colored = [...document.querySelectorAll("main *")].filter((found) => {
    const [red, green, blue] = getComputedStyle(found).color.match(/[0-9.]+/g).map(Number);
    return shown(found) && Math.max(red, green, blue) - Math.min(red, green, blue) > 8;
  });
  const wrong = [...pressed.filter(shown), ...beside, ...colored].map((found) => found.outerHTML.slice(0, 100));
  return wide > 0 ? [`${wide} too wide`, ...wrong] : wrong;
}"""

# Lists to choose from whose longest choice is wider than the box, and rows of a list that fill a phone by themselves.
CUT_CHOICES = """() => {
  const pen = document.createElement("canvas").getContext("2d");
  return [...document.querySelectorAll("main select:not([multiple])")].filter((box) => {
    const style = getComputedStyle(box);
    pen.font = style.font;
    const room = box.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight) - 16;
    const isName = box.matches("#system, #customer, #site");
    return box.checkVisibility() && !isName && [...box.options].some((one) => pen.measureText(one.text).width > room);
  }).map((box) => `${box.name} cuts its choices`);
}"""
LONG_ROWS = """() => [...document.querySelectorAll("table.rows tbody tr")]
  .filter((row) => row.checkVisibility() && !row.querySelector("input, select, button") && row.offsetHeight > 230)
  .map((row) => `${row.offsetHeight} pixels for ${row.innerText.slice(0, 40)}`)"""

STILL_FOLDED = """() => [...document.querySelectorAll(".fold:not([open])")]
  .filter((fold) => !fold.closest(".unprinted") && ![...fold.children].slice(1).some((one) => one.checkVisibility()))
  .map((fold) => fold.innerText)"""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, Ledger]]:
    """The demo house, served; nobody writes in it."""
    with tour.demo_app(tmp_path_factory.mktemp("tour") / "instance") as (app, ledger), serving(app) as served:
        yield served, ledger


def html_pages(client: FormClient, ledger: Ledger) -> Iterator[tuple[str, str]]:
    """(rule, address) of the pages that a browser shows: no download, and no piece of a page."""
    with ledger.sessions() as session:
        pages = tour.pages(client.application, session)
    for rule, address in pages.items():
        if address.partition("?")[0].endswith((".pdf", ".zip")):
            continue  # no page, and takes its time to print
        with client.get(address) as answer:
            if answer.mimetype == "text/html" and answer.status_code == 200 and b"<html" in answer.data:
                yield rule, address


def test_axe_finds_nothing_and_no_page_is_wider_than_a_phone(house: tuple[Served, Ledger], browser: Browser) -> None:
    served, ledger = house
    client = tour.client_of(served.app, ledger, Role.OWNER)
    cookie = client.get_cookie("bittern")
    assert cookie is not None
    context = browser.new_context(viewport=COUNTER, locale="en-US")
    context.add_cookies([{"name": "bittern", "value": cookie.value, "url": served.address}])
    context.add_init_script(Axe().axe_script)
    page = context.new_page()
    found: list[str] = []
    sizes = [("the counter's screen", COUNTER), ("the counter's screen at 200 %", ZOOMED), ("a phone", PHONE)]
    for rule, address in html_pages(client, ledger):
        page.goto(served.url(address), wait_until="load")
        for name, size in sizes:
            if page.viewport_size != size:
                page.set_viewport_size(size)
            if size is COUNTER:
                for violation in page.evaluate(AXE_VIOLATIONS):
                    nodes = "; ".join(node["html"][:120] for node in violation["nodes"][:3])
                    found.append(f"{rule}: {violation['id']} ({len(violation['nodes'])}): {nodes}")
            wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            if wide > 0:
                found.append(f"{rule}: {wide} pixels wider than {name}")
            if size is not ZOOMED:
                cut = page.evaluate(CUT_CHOICES) + (page.evaluate(LONG_ROWS) if size is PHONE else [])
                found += [f"{rule}, {name}: {what}" for what in cut]
        sizes.reverse()  # the next page begins at the size that this one ends at
    context.close()
    assert found == [], "\n".join(found)


def test_on_paper_nothing_is_left_to_press_and_nothing_is_cut_off(
    house: tuple[Served, Ledger], browser: Browser
) -> None:
    served, ledger = house
    client = tour.client_of(served.app, ledger, Role.OWNER)
    cookie = client.get_cookie("bittern")
    assert cookie is not None
    context = browser.new_context(viewport=PAPER, locale="en-US")
    context.add_cookies([{"name": "bittern", "value": cookie.value, "url": served.address}])
    page = context.new_page()
    page.emulate_media(media="print")
    with ledger.sessions() as session:
        pages = tour.pages(served.app, session)
    found = {}
    for rule in PRINTED:
        page.goto(served.url(pages[rule]), wait_until="load")
        found[rule] = page.evaluate(LEFT_ON_PAPER)
        assert page.locator("thead").evaluate_all(
            "heads => heads.every((head) => getComputedStyle(head).display === 'table-header-group')"
        )
        found[rule] += page.evaluate(STILL_FOLDED)
    context.close()
    assert found == {rule: [] for rule in PRINTED}
