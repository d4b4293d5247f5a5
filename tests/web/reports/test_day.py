"""The owner's day: its figures lead to their rows, each list is a spreadsheet too, and only the owner sees it."""

import io
import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import openpyxl
import pytest
from sqlalchemy.orm import Session

from app.ledger.care.backups import MADE
from app.ledger.jobs.stages import move_job
from app.ledger.money.accounts import AccountForm, take_account_payment
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Delivery,
    DeliveryLine,
    Job,
    OrderKind,
    OrderState,
    PromiseMove,
    PurchaseLine,
    PurchaseOrder,
    Role,
    Stage,
    User,
)
from tests import factories
from tests.conftest import NOW
from tests.factories import BENCH_TERMS, FormClient

ClientAs = Callable[[Role | None], FormClient]
TODAY = NOW.astimezone().date()
LISTS = (
    "waiting",
    "promised",
    "won",
    "lost",
    "owed",
    "jobs",
    "stages",
    "start",
    "bench",
    "late",
    "came",
    "order",
    "call",
)


@pytest.fixture
def jobs(work: Work) -> dict[str, Job]:
    """A job for each of the day's lists."""
    factories.BenchTermsFactory(terms=BENCH_TERMS)
    customer = factories.CustomerFactory(name="Lantern & Sons", phone="555-0100")
    made = {
        "late": (Stage.ON_THE_BENCH, {"promised_on": TODAY - timedelta(days=9), "title": "=cmd|late"}),
        "week": (Stage.APPROVED, {"promised_on": TODAY, "accepted_on": TODAY, "cost_cents": 7_777}),
        "lost": (Stage.QUOTED, {}),
        "owed": (Stage.HANDED_OVER, {}),
        "lapsing": (Stage.QUOTED, {}),
    }
    found = {}
    for number, (name, (stage, more)) in enumerate(made.items(), start=1001):
        found[name] = factories.JobFactory(
            number=number, stage=stage, customer=customer, keyed_at="shop", bench_minutes=30, value_cents=20_000,
            **{"title": f"the {name} one", **more},
        )  # fmt: skip
        factories.QuoteRevisionFactory(job=found[name], valid_until=TODAY + timedelta(days=2), total_cents=21_000)
    move_job(work, found["lost"].id, found["lost"].version, Stage.LOST, "Bought <online>")
    return found


def test_the_owner_starts_the_day_here(owner_client: FormClient) -> None:
    assert owner_client.get("/").headers["Location"] == "/day"
    page = owner_client.get("/day").text
    assert "Wednesday, 25 Nov 2026" in page and "No job is open." in page and "no backup is on record" in page


def test_orders_to_makers_are_told_with_what_is_late_what_came_and_whom_to_call(
    owner_client: FormClient, jobs: dict[str, Job], session: Session
) -> None:
    """10 ordered for two days ago, 4 came good and 1 damaged yesterday: 6 are late. A promise moved by 3 days."""
    item = factories.ItemFactory(code="A18M-Q1", words="Mortise cylinder", reorder_point=5, reorder_to=8)
    maker = factories.MakerFactory(name="Ardent Brass")
    of = {"maker_id": maker.id, "kind": OrderKind.GOODS, "state": OrderState.SENT, "made_at": NOW}
    order = PurchaseOrder(number="P-0007", **of)
    due = TODAY - timedelta(days=2)
    line = PurchaseLine(order=order, number=1, item_id=item.id, quantity=10, unit_cents=100, expected_on=due)
    delivery = Delivery(order=order, at=NOW - timedelta(days=1), request_token="x")
    delivery.lines = [DeliveryLine(line=line, item_id=item.id, good=4, damaged=1)]
    moved = {"was_on": TODAY, "now_on": TODAY + timedelta(days=3), "moved_at": NOW}
    session.add_all([line, delivery, PromiseMove(job=jobs["week"], order=order, **moved)])
    session.commit()
    page = " ".join(re.sub("<[^>]+>", " ", owner_client.get("/day").text).split())
    assert "P-0007 Ardent Brass A18M-Q1 expected 23 Nov 2026 late 2 days" in page
    assert "P-0007 Ardent Brass 4 good, 1 damaged or wrong" in page
    assert "1002 Lantern &amp; Sons 555-0100 25 Nov 2026 → 28 Nov 2026" in page
    for name, row in (
        ("late", ("Ardent Brass", "P-0007", None, "A18M-Q1 Mortise cylinder", 6, "2026-11-23", 2)),
        ("came", ("2026-11-24", "Ardent Brass", "P-0007", "A18M-Q1 Mortise cylinder", 4, 1, None)),
        ("call", (1002, "Lantern & Sons", "555-0100", "the week one", "2026-11-25", "2026-11-28", "P-0007")),
    ):
        sheet = openpyxl.load_workbook(io.BytesIO(owner_client.get(f"/day/{name}.xlsx").data)).active
        assert list(sheet.values)[1:] == [row]


def test_who_owes_stands_with_the_credit_of_what_was_paid_too_much(
    owner_client: FormClient, work: Work, jobs: dict[str, Job]
) -> None:
    """210.00 is owed and not invoiced, so 222.50 for the account stay the customer's credit: nobody is to be rung."""
    customer = jobs["owed"].customer_id
    owes = owner_client.get("/day").text.partition('id="owes"')[2]
    assert "$210.00" in owes and "credit" not in owes
    take_account_payment(work, customer, AccountForm(222_50, "check", work.today, "a-token"))
    owes = owner_client.get("/day").text.partition('id="owes"')[2]
    assert f'$210.00<br><a href="/customers/{customer}/account">credit $222.50</a>' in owes
    assert "Paid more than is owed" in owner_client.get(f"/customers/{customer}/account").text


def test_each_figure_leads_to_rows_that_are_there(owner_client: FormClient, jobs: dict[str, Job]) -> None:
    page = owner_client.get("/day").text
    main = page[page.index("<main") :]
    links = {unescape(link) for link in re.findall(r'href="(/(?:day|ledger)[^"#]*)', main)}
    assert len(links) > 20
    links = {link for link in links if not link.startswith("/day/rises")}  # it reads the quotes, and these are bare
    for link in links:
        answer = owner_client.get(link)
        assert answer.status_code == 200, link
        if not link.endswith(".xlsx") and ".xlsx?" not in link and link.startswith("/day/"):
            assert re.search(r"/(jobs|quotes)/10\d\d", answer.text), link


@pytest.mark.parametrize(
    ("address", "shown"),
    [
        ("/day/waiting?whom=bench", ["late"]),
        ("/day/waiting", ["late", "week", "owed", "lapsing"]),
        ("/day/promised", ["week"]),
        ("/day/promised?day=overdue", ["late"]),
        ("/day/start", ["week"]),
        ("/day/bench", ["late", "week"]),
        ("/day/won?days=30", ["week"]),
        ("/day/lost?reason=bought+%3Conline%3E.", ["lost"]),
        ("/day/owed", ["owed"]),
        ("/day/jobs?stage=approved", ["week"]),
        ("/day/jobs?late=yes", ["late"]),
    ],
)
def test_a_list_on_the_page_is_the_list_in_the_spreadsheet(
    owner_client: FormClient, jobs: dict[str, Job], address: str, shown: list[str]
) -> None:
    numbers = {jobs[name].number for name in shown}
    page = owner_client.get(address).text
    table = page[page.index("<tbody>") : page.index("</tbody>")]
    assert {int(number) for number in re.findall(r"/jobs/(\d+)", table)} == numbers
    sheet_url = unescape(re.search(r'href="(/day/[a-z]+\.xlsx[^"]*)"', page)[1])  # type: ignore[index]
    answer = owner_client.get(sheet_url)
    assert answer.mimetype.endswith("spreadsheetml.sheet")
    rows = list(openpyxl.load_workbook(io.BytesIO(answer.data)).active.values)
    assert rows[0][0] == "Job" and {row[0] for row in rows[1:]} == numbers
    if "start" not in address and "bench" not in address:
        assert 200 in rows[1] or 210 in rows[1]  # money is a number


def test_what_was_won_and_canceled_since_is_told(owner_client: FormClient, jobs: dict[str, Job]) -> None:
    assert "canceled since" not in owner_client.get("/day").text
    factories.JobFactory(number=1990, stage=Stage.CANCELED, accepted_on=TODAY, value_cents=123_456, reason="x")
    page = " ".join(re.sub("<[^>]+>", " ", owner_client.get("/day").text).split())
    assert "of those, canceled since 1 $1,234.56" in page


def test_what_nobody_accepted_is_offered_not_promised(owner_client: FormClient, jobs: dict[str, Job]) -> None:
    factories.JobFactory(number=1991, stage=Stage.ASKED, promised_on=TODAY, title="Only asked for")
    for address in ("/day", "/ledger"):
        page = " ".join(re.sub("<[^>]+>", " ", owner_client.get(address).text).split())
        assert "Only asked for asked 25 Nov 2026 offered" in page and page.count("offered") == 1
    page = owner_client.get("/jobs/1991").text
    assert "<dt>Offered for</dt>" in page and "<dt>Promised</dt>" not in page
    sheet = openpyxl.load_workbook(io.BytesIO(owner_client.get("/day/jobs.xlsx").data)).active
    head, *rows = sheet.iter_rows(values_only=True)
    (row,) = [dict(zip(head, row, strict=True)) for row in rows if row[0] == 1991]
    assert not row["Promised"]


def test_a_list_that_is_cut_says_so(
    owner_client: FormClient, jobs: dict[str, Job], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.web.reports.day.MOST_ROWS", 1)
    page = owner_client.get("/day/waiting").text
    assert "What waits on whom: the first 1 of 4" in page and "1 in this list" in page


def test_typed_text_is_no_formula_and_no_tag(owner_client: FormClient, jobs: dict[str, Job]) -> None:
    book = openpyxl.load_workbook(io.BytesIO(owner_client.get("/day/jobs.xlsx").data))
    cells = [cell for row in book.active for cell in row if cell.value == "=cmd|late"]
    assert [cell.data_type for cell in cells] == ["s"]
    assert "Bought &lt;online&gt;" in owner_client.get("/day").text


@pytest.mark.parametrize(
    ("role", "theirs"),
    [
        (Role.COUNTER, {"start", "bench", "late", "came", "order", "call", "owed"}),
        (Role.BENCH, {"start", "bench", "late", "came"}),
    ],
)
def test_each_sees_what_is_theirs_and_no_figure_of_the_owners(
    client_as: ClientAs, jobs: dict[str, Job], role: Role, theirs: set[str]
) -> None:
    client = client_as(role)
    for name in LISTS:
        for address in (f"/day/{name}", f"/day/{name}.xlsx"):
            assert client.get(address).status_code == (200 if name in theirs else 403), address
    page = client.get("/day").text
    main = page[page.index("<main") :]
    assert "the week one" in main and "margin" not in main.lower() and "77.77" not in main
    assert ("$210.00" in main) is (role is Role.COUNTER)
    for link in set(re.findall(r'href="(/day/[^"#?]*)', main)) - {"/day/follow-up"}:
        assert link.removeprefix("/day/").removesuffix(".xlsx") in theirs, link
    assert "Day</a>" in client.get("/ledger").text and "$77.77" not in client.get("/day/start").text


def test_nonsense_in_an_address_is_no_fault(owner_client: FormClient, jobs: dict[str, Job]) -> None:
    for address in (
        "/day?days=x", "/day/waiting?whom=x", "/day/promised?day=2026-99-01", "/day/won?days=-5",
        "/day/lost?reason=" + "x" * 3000, "/day/jobs?stage=x", "/day/follow-up?within=0",
    ):  # fmt: skip
        assert owner_client.get(address).status_code == 200, address
    for address in ("/day/nothing", "/day/nothing.xlsx", "/day/owed?customer=99999", "/day/follow-up.pdf"):
        assert owner_client.get(address).status_code == 404, address


def test_the_counter_rings_and_writes_why_a_quote_was_lost(client_as: ClientAs, jobs: dict[str, Job]) -> None:
    client = client_as(Role.COUNTER)
    page = client.get("/day/follow-up").text
    assert 'href="tel:555-0100"' in page and "2 days left" in page and "Bought &lt;online&gt;" in page
    assert "margin" not in page.lower() and "cost" not in page.lower()
    quote = re.search(r'name="quote" value="(\d+)"', page)[1]  # type: ignore[index]
    refused = client.post("/day/follow-up?within=14", data={"quote": quote, "reason": "  "})
    assert refused.status_code == 422 and "Say why it was lost" in refused.text
    long = client.post("/day/follow-up", data={"quote": quote, "reason": "x" * 501})
    assert long.status_code == 422 and "x" * 501 in long.text and "At most 500" in long.text
    done = client.post("/day/follow-up?within=14", data={"quote": quote, "reason": "Gone quiet"})
    assert (done.status_code, done.headers["Location"]) == (303, "/day/follow-up?within=14")
    assert "Job 1005 is lost, because: Gone quiet" in client.get("/day/follow-up").text
    again = client.post("/day/follow-up", data={"quote": quote, "reason": "Gone quiet"})
    assert again.status_code == 422 and "From lost this job cannot go to lost" in again.text
    assert client.post("/day/follow-up", data={"quote": "x", "reason": "y"}).status_code == 422
    assert client.post("/day/follow-up", data={"quote": "999999", "reason": "y"}).status_code == 404


def test_a_backup_of_yesterday_is_said_aloud_on_the_day(owner_client: FormClient, work: Work) -> None:
    record(work, MADE, "house", "Backup made", name="x.backup", bytes=12)
    work.session.commit()
    assert "backup is" not in owner_client.get("/day").text
    owner_client.application.extensions["clock"] = lambda: NOW + timedelta(hours=25)
    owner_client.log_in(work.session.get_one(User, work.actor.user_id))
    assert "the last good backup is of 25 Nov 2026" in owner_client.get("/day").text
