"""Take the README's pictures anew from a fresh demo: `make pictures`. Needs what `make test` sets up."""

import io
import re
import subprocess
import sys
import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path

import waitress.server
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from app import create_app  # noqa: E402 - the checkout is found first
from app.commands.demo import build, print_papers  # noqa: E402
from app.commands.demo_house import DEMO_LOGINS  # noqa: E402
from app.config import Config  # noqa: E402

SIZES = {"": (1366, 768), "-phone": (390, 844)}
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]


def save(name: str, png: bytes) -> None:
    """Save a picture with a small palette: the pages have few colors, and the repository stays light."""
    picture = Image.open(io.BytesIO(png)).convert("RGB").quantize(96)
    picture.save(ROOT / "docs" / name, optimize=True)
    print(f"docs/{name}")


def log_in(page: Page, address: str, role: str) -> None:
    name, _, password = next(login for login in DEMO_LOGINS if login[1].value == role)
    page.goto(f"{address}/login")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(lambda url: "/login" not in url)


def type_a_quote(page: Page, address: str) -> None:
    """The counter page with a customer waiting: flats under one master, and a line that is not understood yet."""
    page.goto(f"{address}/counter")
    page.locator("#find").press_sequentially("Harbour")
    page.get_by_role("button", name=re.compile("Harbourmaster")).click()
    page.get_by_role("button", name="Part number", exact=True).click()
    first = page.locator("fieldset.line").nth(0)
    first.get_by_label("Part number", exact=True).fill("AD-Q1-66.SC")
    first.get_by_label("Quantity", exact=True).fill("12")
    first.get_by_label("Keying", exact=True).select_option("MK")
    page.get_by_label("System", exact=True).select_option("A new one")
    page.locator("#system_name").fill("Quayside annex")
    page.get_by_role("button", name="Part number", exact=True).click()
    page.locator("fieldset.line").nth(1).get_by_label("Part number", exact=True).fill("A18M-Q9-66.SC")
    page.locator("fieldset.line").nth(1).get_by_text("Q9").first.wait_for()
    page.wait_for_timeout(800)


def take(browser: Browser, address: str, job: int) -> None:
    for suffix, (width, height) in SIZES.items():
        page = browser.new_page(viewport={"width": width, "height": height}, locale="en-US")
        log_in(page, address, "counter")
        type_a_quote(page, address)
        page.evaluate("window.scrollTo(0, 0)")
        save(f"counter{suffix}.png", page.screenshot())
        page.context.clear_cookies()
        log_in(page, address, "owner")
        for name, path in (("jobs", "/ledger"), ("job", f"/jobs/{job}")):
            page.goto(address + path)
            save(f"{name}{suffix}.png", page.screenshot())
        page.close()


def main() -> None:
    (ROOT / "docs").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        shop, jobs = build(folder, ROOT / "demo_data", datetime.now(UTC))
        papers = print_papers(shop, jobs, folder / "papers")
        shop.ledger.close()
        quote = next(path for path in papers if path.name.startswith(f"quote-{jobs['flats']}"))
        paper = subprocess.run(
            ["pdftoppm", "-r", "80", "-png", "-singlefile", quote], capture_output=True, check=True
        )
        save("quote.png", paper.stdout)
        app = create_app(Config(instance=folder, is_demo=True))
        server = waitress.server.create_server(app, host="127.0.0.1", port=0)
        threading.Thread(target=server.run, daemon=True).start()
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
            take(browser, f"http://127.0.0.1:{server.effective_port}", jobs["college"])
            browser.close()
        server.close()


if __name__ == "__main__":
    main()
