"""The college job in the demo, from the quote to the hand-over, and every paper of it opened and read."""

import csv
import io
import random
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from PIL import Image
from playwright.sync_api import Page, expect

from app.commands.demo_house import DemoShop, load_house, load_jobs, load_people
from app.keying import write_bitting
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, Door, Event, Job, Key, KeyState, Role
from tests.chromium import DATA, Enter, Served
from tests.conftest import NOW

FIRST_DAY = NOW.date().replace(year=NOW.year - 1)


@pytest.fixture
def college(ledger: Ledger) -> Iterator[int]:
    """The number of the college job in the whole demo, as it stands there: on the bench."""
    with ledger.work(Actor(None, "the demo", Role.OWNER), NOW) as work:
        load_people(work)
        load_house(work, DATA, FIRST_DAY)
        yield load_jobs(DemoShop(ledger, DATA, NOW, random.Random(20)), work)["college"]


class Papers:
    """The papers that a job page leads to, opened with the page's own login."""

    def __init__(self, page: Page, served: Served, number: int) -> None:
        self._page, self._served = page, served
        page.goto(served.url(f"/jobs/{number}"))
        self.links = page.locator(
            "section[aria-labelledby=papers] a, section[aria-labelledby=quotes] a"
        ).evaluate_all("links => [...new Set(links.map(link => link.getAttribute('href')))]")
        self.presses = page.locator("section[aria-labelledby=papers] form").evaluate_all(
            "forms => forms.map(form => form.getAttribute('action'))"
        )
        self._token = page.locator("input[name=csrf_token]").first.input_value()

    def open(self, url: str) -> bytes:
        """The paper at the address: pressed for where it is no link."""
        full = self._served.url(url)
        if url in self.presses:
            answer = self._page.request.post(full, form={"csrf_token": self._token}, timeout=120_000)
        else:
            answer = self._page.request.get(full, timeout=120_000)
        assert answer.status == 200, url
        return answer.body()

    def named(self, name: str) -> str:
        """The address of the paper whose file's name begins so."""
        return next(url for url in [*self.presses, *self.links] if url.rpartition("/")[2].startswith(name))


def read_pdf(content: bytes) -> str:
    """The PDF's text, once every page of it says 'page n of m'."""
    read = subprocess.run(["pdftotext", "-", "-"], input=content, capture_output=True, check=True).stdout.decode()
    leaves = [" ".join(leaf.split()) for leaf in read.split("\f")[:-1]]
    for place, leaf in enumerate(leaves, start=1):
        assert f"page {place} of {len(leaves)}" in leaf
    return " ".join(leaves)


def test_the_colleges_job_is_handed_over_and_every_paper_says_what_it_must(
    enter: Enter, served: Served, ledger: Ledger, college: int, tmp_path: Path
) -> None:
    with ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == college)).one()
        rows = session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)).all()
        system = rows[0].keyset.system  # type: ignore[union-attr]
        opened = open_bittings(session, ledger.vault, [system])
        bittings = {one.symbol: write_bitting(spec_of(system), opened[one.id]) for one in system.keysets}
        openings = {
            str(door) for door in session.scalars(sa.select(Door.opening_number).where(Door.site_id == job.site_id))
        }
        crossed = [one.keyset.symbol for one in rows if one.operators]  # type: ignore[union-attr]
        symbols = {one.keyset.symbol for one in rows}  # type: ignore[union-attr]
    assert (len(rows), len(openings), len(symbols)) == (140, 140, 140)

    def tells_a_bitting(text: str) -> bool:
        joined = re.sub(r"(?<=\d)\s(?=\d\b)", "", text)  # "5 2 8 6 1 4" tells it too
        return not set(bittings.values()).isdisjoint(re.findall(r"(?<!\d)\d{6}(?!\d)", joined))

    # ---- on the bench: pinned and checked, and moved on ----
    for role, press in ((Role.BENCH, "pinned"), (Role.OWNER, "checked")):
        page = enter(role)
        page.goto(served.url(f"/bench/jobs/{college}"))
        page.locator("input[name=cylinders]").evaluate_all("boxes => boxes.forEach(box => box.checked = true)")
        page.locator(f"button[name=as][value={press}]").first.click()
        expect(page.get_by_text(f"140 cylinders ticked off as {press}.")).to_be_visible()
    page = enter(Role.BENCH)
    page.goto(served.url(f"/bench/jobs/{college}"))
    page.locator("input[name=keys]").evaluate_all("boxes => boxes.forEach(box => box.checked = true)")
    page.get_by_role("button", name="Mark as cut").click()
    expect(page.get_by_text("291 keys ticked off as cut.")).to_be_visible()
    page.goto(served.url(f"/jobs/{college}"))
    page.get_by_role("button", name="All checked").click()
    page.get_by_role("button", name="Ready to hand over").click()

    # ---- the counter: a note, a photo of the old cylinder, and the hand-over ----
    page = enter(Role.COUNTER)
    page.goto(served.url(f"/jobs/{college}"))
    page.get_by_label("Note", exact=True).fill("The bursar fetches the keys himself.")
    page.get_by_role("button", name="Add note").click()
    Image.new("RGB", (60, 40), "#a06030").save(tmp_path / "old core.jpg")
    page.get_by_text("Send a file or a photo").click()
    page.get_by_label("File", exact=True).set_input_files(tmp_path / "old core.jpg")
    page.get_by_label("What it shows").fill("Old cylinder of N101")
    page.get_by_role("button", name="Send the file").click()
    handing = page.get_by_role("group", name="Hand it over")
    expect(handing).to_contain_text("is not paid.")
    expect(handing).not_to_contain_text("not cut")
    page.get_by_label("Who takes it").fill("M. Sheldrake")
    page.get_by_label("Handed over all the same").check()
    page.get_by_role("button", name="Handed over").click()
    told = page.locator("section[aria-labelledby=story] li")
    for words in (
        f"Job {college} opened",
        f"Quote Q-{college}-1 issued",
        f"Quote Q-{college}-1 accepted by M. Sheldrake, bursar",
        "approved → on the bench",
        "140 cylinders checked by Wren",
        "on the bench → checked",
        "checked → ready",
        "The bursar fetches the keys himself.",
        "File old core.jpg kept: Old cylinder of N101",
        "ready → handed over",
    ):
        expect(told.filter(has_text=words)).to_have_count(1)
    # In a tab of its own: the browser would style a picture that it opens, and is refused that too.
    tab = page.context.new_page()
    answer = tab.goto(served.url(page.get_by_role("link", name="old core.jpg").get_attribute("href") or ""))
    assert answer is not None and answer.headers["content-type"] == "image/jpeg"
    assert tab.evaluate("document.images[0].naturalWidth") > 0
    tab.close()

    # ---- what the counter may open: every paper, and no bitting in any ----
    papers = Papers(page, served, college)
    assert len(papers.links) == 15 and papers.presses == [f"/jobs/{college}/folder.zip"]
    texts: dict[str, str] = {}
    for url in papers.links:
        content = papers.open(url)
        if not url.endswith(".pdf"):
            continue
        texts[url] = text = read_pdf(content)
        assert str(college) in text and re.search(r"\b(21|25) November 2026\b", text), url
        assert not tells_a_bitting(text), url

    def told_by(name: str) -> str:
        return texts[papers.named(name)]

    for text in (told_by("keying-schedule.pdf"), told_by("keyset-schedule")):
        assert openings | symbols <= {word.removeprefix("X") for word in re.split(r"[\s,]+", text)}
        assert f"for job {college}, revision 1" in text
    assert crossed and all(f"X{symbol}" in told_by("keying-schedule.pdf") for symbol in crossed)
    table = csv.reader(io.StringIO(papers.open(papers.named("keying-schedule.csv")).decode("utf-8-sig")))
    assert {row[0] for row in table} - {"Opening"} == openings
    held = told_by("key-holders.pdf")
    assert "M. Sheldrake: 291 keys" in held and "signature" in held
    assert "291 keys listed" in told_by("key-receipt.pdf")
    assert "123 Ardent Brass A18M-Q3-66.SC" in told_by("hardware-list.pdf")
    assert openings <= set(told_by("labels.pdf").split())

    # ---- the owner: the confidential ones too, each a press that is recorded ----
    page = enter(Role.OWNER)
    papers = Papers(page, served, college)
    owners = [url for url in papers.links if "owner.pdf" in url]
    assert "Margin" in read_pdf(papers.open(owners[0]))
    sheet, cut, listed = (
        re.sub(r"\s", "", read_pdf(papers.open(papers.named(name))))
        for name in ("bench-sheet", "keys-to-cut", "bitting-list")
    )
    for text in (sheet, cut, listed):
        assert "CONFIDENTIAL" in text and "revealedtoWren" in text
        assert all(bitting in text for bitting in bittings.values())
    assert "CONFIDENTIAL" in read_pdf(papers.open(papers.named("pins-to-pick")))
    with ledger.sessions() as session:
        reveals = session.scalars(sa.select(Event.actor_name).where(Event.kind == "bittings revealed")).all()
        assert list(reveals).count("Wren") == 4
        assert {key.state for key in session.scalars(sa.select(Key).where(Key.job_id == job.id))} == {KeyState.OUT}
