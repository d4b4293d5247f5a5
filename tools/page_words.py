"""Count the words, links, buttons and boxes of a page at first sight, as the owner and as the counter.

`tools/page_words.py [--pictures FOLDER] [/ADDRESS …]` makes a fresh demo, or looks `--at` one that is served. What is
folded away counts for nothing until somebody opens it.
"""

import argparse
import contextlib
import tempfile
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import waitress.server
from pictures import ARGUMENTS, ROOT, SIZES, log_in
from playwright.sync_api import Page, sync_playwright

from app import create_app
from app.commands.demo import build
from app.config import Config

PAGES = ("/counter", "/day", "/jobs/1004", "/goods", "/makers/1")
SEEN = """() => {
  const seen = (each) => each.checkVisibility({visibilityProperty: true}) && !each.closest(".unseen, .skip");
  const all = (what) => [...document.querySelectorAll(what)].filter(seen).length;
  const words = [...document.querySelectorAll("select")].filter(seen);
  const chosen = words.map((each) => each.innerText);
  let text = document.body.innerText;
  for (const each of chosen) text = text.replace(each, " ");  // of a list, no more than what is chosen is seen
  return [text.split(/\\s+/).filter((word) => /[\\p{L}\\p{N}]/u.test(word)).length, all("a"), all("button"),
          all("input:not([type=hidden]), select, textarea"), document.documentElement.scrollHeight / innerHeight];
}"""


@contextlib.contextmanager
def demo() -> Iterator[str]:
    """The address of a fresh demo, served as long as the block runs."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        shop, _ = build(folder, ROOT / "demo_data", datetime.now(UTC))
        shop.ledger.close()
        app = create_app(Config(instance=folder, is_demo=True))
        server = waitress.server.create_server(app, host="127.0.0.1", port=0)
        threading.Thread(target=server.run, daemon=True).start()
        yield f"http://127.0.0.1:{server.effective_port}"
        server.close()


def count(page: Page, address: str, role: str, size: str, pages: list[str], pictures: Path | None) -> None:
    log_in(page, address, role)
    for path in pages:
        answer = page.goto(address + path)
        if answer is None or not answer.ok:
            continue
        page.wait_for_load_state("networkidle")
        words, links, buttons, boxes, screens = page.evaluate(SEEN)
        print(
            f"{path:<20} {role:<8} {size or 'desk':<7} {words:>6} {links:>6} {buttons:>8} {boxes:>6} {screens:>8.1f}"
        )
        if pictures:
            page.screenshot(path=pictures / f"{path.strip('/').replace('/', '-')}-{role}{size}.png", full_page=True)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("pages", nargs="*", default=PAGES)
    asked.add_argument("--at", help="a demo that is served already")
    asked.add_argument("--pictures", type=Path)
    wanted = asked.parse_args()
    if wanted.pictures:
        wanted.pictures.mkdir(parents=True, exist_ok=True)
    print(f"{'page':<20} {'as':<8} {'size':<7} {'words':>6} {'links':>6} {'buttons':>8} {'boxes':>6} {'screens':>8}")
    with contextlib.nullcontext(wanted.at) if wanted.at else demo() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        for role in ("owner", "counter"):
            for size, (width, height) in SIZES.items():
                page = browser.new_page(viewport={"width": width, "height": height}, locale="en-US")
                count(page, address, role, size, wanted.pages, wanted.pictures)
                page.close()
        browser.close()


if __name__ == "__main__":
    main()
