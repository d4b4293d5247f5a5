"""Why a price is the counter's own, or the figures were overruled, leaves the house on no paper and no page."""

import io
import json
import re
import zipfile
from email import message_from_bytes
from email.policy import default
from html import unescape

import pypdf
import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.keys.keys import cut_copies
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, JobLine, Key, Keyset, QuoteRevision, Role
from tests import houses
from tests.factories import FormClient
from tests.stocked import HARDWARE, empty_house, posted
from tests.web.jobs.test_authority import owned
from tests.web.papers.test_views import folder
from tests.web.quotes.test_views import FLATS, ClientAs, accept

__all__ = ["empty_house"]

PRICE, OVERRIDE, LESS = "Grumbled about the plumber", "Nephew waits for it", "Buys for the whole quay"
REMARK = "Both sides of the door"


def squeezed(text: str) -> str:
    """Letters alone: a paper may break a word wherever a column ends."""
    return "".join(letter for letter in text.lower() if letter.isalnum())


def text_of(name: str, content: bytes) -> str:
    if name.endswith(".pdf"):
        return squeezed("".join(leaf.extract_text() for leaf in pypdf.PdfReader(io.BytesIO(content)).pages))
    if name.endswith(".xlsx"):
        parts = zipfile.ZipFile(io.BytesIO(content))
        return squeezed("".join(re.sub("<[^>]*>", " ", parts.read(part).decode()) for part in parts.namelist()))
    return squeezed(unescape(content.decode()))


def holding(words: str, papers: dict[str, str]) -> list[str]:
    return [name for name, text in papers.items() if squeezed(words) in text]


def with_own_prices(clerk: FormClient, **head: object) -> dict[str, str]:
    """A page with own prices, each line's reason typed into the box that the page asks for it in."""
    lines = ({**FLATS, "unit_price": "51.00"}, {**HARDWARE, "unit_price": "4.00"})
    form = posted(*({"remark": REMARK, **line} for line in lines), **head)
    bare = {name: text for name, text in form.items() if not name.endswith("remark")}
    page = clerk.post("/counter/issue", data=bare).text
    asked = set(re.findall(r'data-for="(lines-\d-[a-z_]+_reason)"', page))
    assert len(asked) == 2
    meant = dict(re.findall(r'type="checkbox" id="[^"]*" name="([a-z0-9_-]+_meant)" value="([^"]*)"', page))
    assert meant == {"lines-1-price_meant": "$4.00 is below cost."}  # rings cost 4.10
    return form | dict.fromkeys(asked, PRICE) | meant


def papers_in(archive: zipfile.ZipFile) -> dict[str, str]:
    return {name: text_of(name, archive.read(name)) for name in archive.namelist()}


@pytest.mark.postgresql
@pytest.mark.parametrize(("place", "quantity"), [("shop", "23"), ("factory", "6")])
def test_the_reasons_for_own_prices_and_overrides_are_on_no_paper_that_leaves_the_house(
    client_as: ClientAs, session: Session, work: Work, place: str, quantity: str
) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    discount = {"discount": "5 %", "discount_reason": LESS}
    form = with_own_prices(clerk, override_reason=OVERRIDE, keyed_at=place, site="The Flats", **discount)
    assert clerk.post("/counter/issue", data=form).status_code == 303
    again = {**form, "token": "u" * 32, "lines-0-quantity": quantity}
    again |= {"job_version": "2", "is_new_customer": "another"}
    assert clerk.post("/counter/issue?job=1001", data=again).status_code == 303
    status, _ = accept(clerk, session, doors="opening\nF1\nF2\n")
    assert status == 303
    (seen,) = re.findall(r'name="version"[^>]*value="(\d+)"', clerk.get("/jobs/1001/payments").text)
    taken = {"version": seen, "kind": "payment", "cents": "20", "means": "cash", "received_on": "2026-11-25"}
    assert clerk.post("/jobs/1001/payments", data=taken).status_code == 303
    if place == "shop":
        key = session.scalars(sa.select(Key).join(Keyset).order_by(Key.id)).first()
        assert key is not None
        cut_copies(work, key.keyset.system_id, key.keyset.symbol, (key.copy_number,))
        sent = {"issue-symbol": key.keyset.symbol, "issue-copies": str(key.copy_number), "issue-holder": "A. Reed"}
        assert clerk.post(f"/keys/system/{key.keyset.system_id}/issue", data=sent).status_code == 303

    papers = papers_in(folder(clerk, 1001))
    assert {"quote-1001-1.pdf", "quote-1001-2.pdf", "keying-schedule-1001.pdf", "keying-schedule-1001.xlsx"} <= {
        name.removeprefix("papers/") for name in papers
    }
    assert any("factory-order" in name for name in papers) is (place == "factory")
    assert any(re.search(r"/key-receipt-\d+\.pdf", name) for name in papers if "1001" not in name) is (
        place == "shop"
    )
    sent = {"to": "k.teal@harbour.example", "subject": "Quote", "body": "Here.", "token": "m" * 32}
    mail = clerk.post("/quotes/1001/2/mail", data=sent)
    (attached,) = message_from_bytes(mail.data, policy=default).iter_attachments()
    papers |= {"e-mail": text_of("x.eml", mail.data), "in it": text_of("quote.pdf", attached.get_content())}
    papers["compared"] = text_of("page.html", clerk.get("/quotes/1001/compare").data)
    for cylinder_id in session.scalars(sa.select(Cylinder.id)):
        papers[f"cylinder {cylinder_id}"] = text_of("page.html", clerk.get(f"/cylinders/{cylinder_id}").data)
    for secret in (PRICE, OVERRIDE, LESS, "below cost"):
        assert holding(secret, papers) == []
    assert holding("Discount, 5% off goods", papers) == [
        "papers/quote-1001-1.pdf",
        "papers/quote-1001-2.pdf",
        "in it",
    ]
    # What is meant for paper still is there, and the house still reads why.
    assert holding(REMARK, papers) == [
        "papers/quote-1001-1.pdf",
        "papers/quote-1001-2.pdf",
        *(name for name in papers if "schedule" in name),
        "in it",
        *(name for name in papers if name.startswith("cylinder")),
    ]
    for reason in (PRICE, LESS):
        page = unescape(clerk.get("/quotes/1001/2").text)
        assert reason in page and reason not in printed(page)
        story = unescape(owner.get("/jobs/1001").text)
        assert reason in story and reason not in printed(story)
    owned = {"owner": text_of("x.pdf", owner.get("/quotes/1001/2/owner.pdf").data)}
    assert holding(PRICE, owned) == holding(OVERRIDE, owned) == holding(LESS, owned) == ["owner"]


def printed(page: str) -> str:
    """The page without what stays on the screen."""
    return re.sub(r'<(\w+)[^>]* class="unprinted"[^>]*>.*?</\1>', "", unescape(page), flags=re.DOTALL)


def test_a_page_that_the_owner_prints_gives_no_reason_for_an_override(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    form = with_own_prices(clerk, override_reason=OVERRIDE, keyed_at="shop", site="The Flats")
    assert clerk.post("/counter/issue", data=form).status_code == 303
    assert accept(clerk, session, doors="opening\nF1\nF2\n")[0] == 303
    job = owned(work)
    said = {"version": job.version, "to": "on the bench", "override_reason": OVERRIDE}
    assert owner.post(f"/jobs/{job.number}/move", data=said).status_code == 303
    (keyset_id,) = {one.keyset_id for one in job.cylinders[:1]}
    system_id = work.session.get_one(Keyset, keyset_id).system_id
    pages = ("/jobs/1001", "/quotes/1001/1", f"/jobs/{job.number}", f"/key-systems/{system_id}")
    for page in (unescape(owner.get(address).text) for address in pages):
        assert OVERRIDE in page and OVERRIDE not in printed(page)


def test_a_revised_page_has_the_reason_in_its_own_box(clerk_and_quote: FormClient) -> None:
    page = unescape(clerk_and_quote.get("/counter?job=1001").text)
    assert re.search(rf'name="lines-0-price_reason" value="{PRICE}"', page)
    assert re.search(rf'name="lines-0-remark" value="{REMARK}"', page)


@pytest.fixture
def clerk_and_quote(client_as: ClientAs) -> FormClient:
    """A clerk who has issued a quote with prices of the counter's own."""
    clerk = client_as(Role.COUNTER)
    assert clerk.post("/counter/issue", data=with_own_prices(clerk, site="The Flats")).status_code == 303
    return clerk


def test_a_quote_and_a_job_of_an_earlier_release_keep_the_reason_off_their_papers(
    clerk_and_quote: FormClient, session: Session, config: Config
) -> None:
    # Earlier releases asked for the reason in the remark, and had no field for it.
    status, _ = accept(clerk_and_quote, session, doors="opening\nF1\n")
    assert status == 303
    with session.get_bind().begin() as connection:
        houses.remove_guards(connection, "quote_revisions")
        for table in (QuoteRevision.__table__, JobLine.__table__):
            for row in connection.execute(sa.select(table)).mappings().all():
                change: dict[str, object] = {}
                if "snapshot" in row:
                    given = json.loads(row["snapshot"])
                    for line in (*given["lines"], *given["ask"]["lines"]):
                        reason = line.pop("price_reason", "")
                        line["remark"] = reason or line["remark"]
                    text = json.dumps(given, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
                    change = {"snapshot": text, "sha256": snapshot_hash(text)}
                else:
                    ask = dict(row["ask"])
                    reason = ask.pop("price_reason", "") or ask["remark"]
                    change = {"ask": {**ask, "remark": reason}}
                connection.execute(table.update().where(table.c.id == row["id"]).values(change))
        connection.execute(sa.update(Cylinder).values(remarks=PRICE))
    papers = papers_in(folder(clerk_and_quote, 1001))
    assert holding(PRICE, papers) == [] and holding("F1", papers)
    assert PRICE in unescape(clerk_and_quote.get("/quotes/1001/1").text)


def test_a_folder_gives_the_owner_alone_the_reason_for_going_on_without_authority(
    client_as: ClientAs, work: Work
) -> None:
    job = owned(work)
    said = {"version": job.version, "to": "on the bench", "override_reason": OVERRIDE}
    assert client_as(Role.OWNER).post(f"/jobs/{job.number}/move", data=said).status_code == 303
    for role, there in ((Role.COUNTER, []), (Role.BENCH, []), (Role.OWNER, ["index.html"])):
        papers = papers_in(folder(client_as(role), job.number))
        assert holding("on the bench", papers) == ["index.html"] and holding(OVERRIDE, papers) == there
