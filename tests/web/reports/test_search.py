"""The search page: what a few characters can mean, and that a bitting is never among it."""

import re
from collections.abc import Callable, Iterator

import pytest

from app.ledger.keys.keys import KeyIssueForm, issue_keys
from app.ledger.reports.found_jobs import jobs_found
from app.ledger.reports.search import search
from app.ledger.store.work import Work
from app.ledger.tables import (
    AccountPayment,
    GoodsReturn,
    Invoice,
    InvoiceKind,
    KeyState,
    OrderKind,
    OrderState,
    PurchaseOrder,
    Role,
    Stage,
)
from tests import factories, tour
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, counted, keyed_job, put

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    found = keyed_job(work)
    factories.QuoteRevisionFactory(job=found.job, revision=1, issued_by=found.job.opened_by)
    factories.QuoteRevisionFactory(job=found.job, revision=2, issued_by=found.job.opened_by)
    factories.CatalogItemFactory(
        code="AD-Q1-66", words="bored-lock cylinder", maker=factories.MakerFactory(name="Ardent Brass")
    )
    return found


@pytest.mark.parametrize("text", ["555-0147", "(555) 0147", "harbourm", "the flats"])
def test_a_customer_by_phone_name_or_site(work: Work, keyed: Keyed, text: str) -> None:
    assert [one.name for one in search(work.session, text).customers] == ["Harbourmaster's Flats"]


def test_a_job_by_its_number_comes_first(work: Work, keyed: Keyed) -> None:
    number = keyed.job.number
    factories.JobFactory(number=number + 1, title=f"As job {number}, again")
    found = search(work.session, str(number))
    assert [job.number for job in found.jobs] == [number, number + 1]
    assert [(one.job_number, one.revision) for one in found.quotes] == [(number, 2), (number, 1)]


def test_a_quote_by_job_and_revision(work: Work, keyed: Keyed) -> None:
    found = search(work.session, f"{keyed.job.number}-1")
    assert [(one.job_number, one.revision) for one in found.quotes] == [(keyed.job.number, 1)]
    assert search(work.session, f"{keyed.job.number}-9").quotes == []


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("Q-1042-1", ["quote"]),
        ("q1042-1", ["quote"]),
        ("quote 1042-1", ["quote"]),
        ("1042, revision 1", ["quote", "payment"]),  # as papers said it before they had letters
        ("1042-1", ["quote", "payment"]),
        ("R-1042-1", ["payment"]),
        ("receipt 1042-1", ["payment"]),
        ("1042", ["job", "quote"]),
        ("job 1042", ["job"]),
        ("J-1042", ["job"]),
        ("#1042", ["job", "quote"]),
        ("F-1042-1", ["job"]),  # a factory order leads to its job
        ("F1042", ["job"]),
        ("F-1042-1, revision 2", ["job"]),  # as the order prints it
        ("Q-1042-1B", ["quote"]),  # with the option that was accepted, as the books say it
        ("K-0001", ["key receipt"]),
        ("k1", ["key receipt"]),
        ("receipt 1", ["key receipt"]),
        ("1", ["job", "quote", "key receipt"]),  # job 1 and key receipt 1: both are shown
        ("2", []),
        ("K-0002", []),
        ("R-1042-9", []),
    ],
)
def test_a_paper_by_its_number_with_its_letter_without_it_and_as_it_was_printed_before(
    work: Work, text: str, kinds: list[str]
) -> None:
    keyed = keyed_job(work, Stage.READY)
    keyed.job.number = 1042
    small = factories.JobFactory(number=1, customer=keyed.job.customer)
    for job in (keyed.job, small):
        factories.QuoteRevisionFactory(job=job, revision=1, issued_by=job.opened_by)
    factories.PaymentFactory(job_id=keyed.job.id, taken_by_id=keyed.job.opened_by_id)
    put(work, "1AA", KeyState.CUT)
    assert issue_keys(work, KeyIssueForm(keyed.system.id, "1AA", (1,), "P. Harbour")) == 1
    found = search(work.session, text)
    wanted = 1 if text == "1" else 1042
    shown = [
        *("job" for one in found.jobs if one.number == wanted),
        *("quote" for one in found.quotes),
        *("payment" for one in found.payments),
        *("key receipt" for number, one in found.key_receipts if one.number == "K-0001"),
    ]
    assert shown == kinds


def test_each_paper_found_leads_to_its_place(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    number = keyed.job.number
    factories.PaymentFactory(job_id=keyed.job.id, taken_by_id=keyed.job.opened_by_id, cents=2_500)
    put(work, "1AA", KeyState.CUT)
    issue_keys(work, KeyIssueForm(keyed.system.id, "1AA", (1,), "P. Harbour"))
    clerk = client_as(Role.COUNTER)
    page = clerk.get(f"/search?q={number}-1").text
    assert f'href="/quotes/{number}/1">Q-{number}-1</a>' in page
    assert f'href="/jobs/{number}/payments">R-{number}-1</a>' in page and "$25.00" in page
    page = clerk.get("/search?q=receipt+1").text
    assert 'href="/keys/receipts/1.pdf">K-0001</a>' in page and "1 key to P. Harbour" in page
    bench = client_as(Role.BENCH).get(f"/search?q=R-{number}-1").text  # the bench takes no payments
    assert f'href="/jobs/{number}">R-{number}-1</a>' in bench


def test_a_door_by_its_opening_the_exact_one_first(work: Work, keyed: Keyed) -> None:
    factories.DoorFactory(site=keyed.doors[0].site, opening_number="F10")
    assert [door.opening_number for door in search(work.session, "f1").doors] == ["F1", "F10"]
    assert [door.opening_number for door in search(work.session, "Flat 2").doors] == ["F2"]


@pytest.mark.parametrize("text", ["1AA", "1aa", "X1AA", "1AA(NMK)", "1AA (NMK)"])
def test_a_keyset_by_its_symbol_with_or_without_the_marks_around_it(work: Work, keyed: Keyed, text: str) -> None:
    assert [(one.symbol, one.system_name) for one in search(work.session, text).keysets] == [("1AA", "The Flats")]


def test_a_part_number_listed_or_only_on_cylinders(work: Work, keyed: Keyed) -> None:
    factories.CylinderFactory(door=keyed.doors[0], part_number="AD-Q1-99", words="odd one")
    found = search(work.session, "ad-q1").parts
    assert [(one.part_number, one.maker_name, one.cylinders) for one in found] == [
        ("AD-Q1-66", "Ardent Brass", 2),
        ("AD-Q1-99", "", 1),
    ]


def test_at_most_a_dozen_of_each(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    for number in range(20):
        factories.DoorFactory(site=keyed.doors[0].site, opening_number=f"G{number}")
    assert len(search(work.session, "G").doors) == 12
    assert "The first 12" in client_as(Role.COUNTER).get("/search?q=G").text


@pytest.mark.parametrize("text", [*BITTINGS.values(), "5286", "5 2 8 6 1 4"])
def test_bittings_are_never_found(work: Work, keyed: Keyed, client_as: ClientAs, text: str) -> None:
    assert search(work.session, text).is_empty
    for role in Role:
        page = client_as(role).get("/search", query_string={"q": text}).text
        assert "Nothing on record matches" in page


@pytest.mark.parametrize(
    "text", ["%", "_", "\\", "'", '"', ";--", "x" * 10_000, "9" * 60, "1-2-3", "X", "\x00", "F" * 500]
)
def test_strange_text_is_no_fault_and_no_wildcard(work: Work, keyed: Keyed, client_as: ClientAs, text: str) -> None:
    answer = client_as(Role.COUNTER).get("/search", query_string={"q": text})
    assert answer.status_code == 200
    assert "/doors/1" not in answer.text


def test_a_search_asks_thirteen_times_whatever_there_is(work: Work, keyed: Keyed) -> None:
    def asked(text: str) -> int:
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            search(work.session, text)
        return len(statements)

    for number in range(30):
        factories.JobFactory(number=number + 5000, title="flat")
        factories.CustomerFactory(name=f"Flat {number}")
    assert asked("flat") <= 9 and asked("1") <= 13


def test_no_text_asks_nothing(client_as: ClientAs) -> None:
    page = client_as(Role.COUNTER).get("/search?q=+++").text
    assert "A few characters are enough" in page


def test_the_search_box_is_on_every_page(client_as: ClientAs) -> None:
    assert 'action="/search"' in client_as(Role.COUNTER).get("/doors").text


def test_groups_link_to_their_pages(keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    page = client.get("/search?q=flat").text
    site = keyed.doors[0].site_id
    for address in (f"/jobs/{keyed.job.number}", f"/doors/{keyed.doors[0].id}", f"/sites/{site}/doors"):
        assert f'href="{address}"' in page
    assert f'href="/key-systems/{keyed.system.id}"' in client.get("/search?q=2AA").text


def test_the_answer_is_a_piece_that_typing_swaps(keyed: Keyed, client_as: ClientAs) -> None:
    page = client_as(Role.COUNTER).get("/search?q=flat").text
    assert 'hx-target="#found"' in page and 'hx-select="#found"' in page
    assert page.count('id="found"') == 1 and page.index('id="seek"') < page.index('id="found"')


HALLS = "Job 1004</a> Three halls rekeyed before term"
FLATS = "Job 1007</a> 24 flats under one master"


@pytest.fixture(scope="module")
def demo_clerk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FormClient]:
    """The demo's person at the counter; nothing is saved."""
    with tour.demo_app(tmp_path_factory.mktemp("tour") / "instance", as_loaded=True) as (app, ledger):
        yield tour.client_of(app, ledger, Role.COUNTER)


@pytest.mark.parametrize(
    ("text", "job", "promise"),
    [
        ("N001", HALLS, "on the bench promised 9 Dec 2026"),
        ("Sandpiper, M.", "Job 1003</a> Cores for the practice", "checked promised 9 Nov 2026 late 16 days"),
        ("1aa 2", "Job 1003</a> Cores for the practice", "checked promised 9 Nov 2026 late 16 days"),
        ("1aa 2", "Job 1010</a> Upper Road, 36", "parts on order promised 15 Dec 2026"),
        ("t gull", "Job 1005</a> Key lost, rekey three", "quoted offered for 10 Nov 2026"),  # her keys' job is closed
        ("skd1-1", "Job 1005</a> Key lost, rekey three", "quoted offered for 10 Nov 2026"),
        ("Q-1007-1", FLATS, "approved promised 27 Nov 2026"),
        ("q1007", FLATS, "approved promised 27 Nov 2026"),
        ("1007 - 1", FLATS, "approved promised 27 Nov 2026"),
        ("ad q1 66.sc", FLATS, "approved promised 27 Nov 2026"),
        ("harbour masters", FLATS, "approved promised 27 Nov 2026"),
        ("harbourmaster’s", FLATS, "approved promised 27 Nov 2026"),
        ("+1 (555) 555-0147", "", ""),  # another number altogether
        ("555.0147", FLATS, "approved promised 27 Nov 2026"),
        ("F01", FLATS, "approved promised 27 Nov 2026"),
    ],
)
def test_each_hit_says_its_job_and_its_promise(demo_clerk: FormClient, text: str, job: str, promise: str) -> None:
    page = demo_clerk.get("/search", query_string={"q": text}).text
    found = page[page.index('id="found"') :]
    words = " ".join(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", found, flags=re.DOTALL).split())
    assert job in found and promise in words
    assert bool(job) == ('class="behind"' in found)


def test_a_search_with_its_jobs_asks_one_statement_more(work: Work, keyed: Keyed) -> None:
    found = search(work.session, "flat")
    with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
        told = jobs_found(work.session, found, work.today)
    assert len(statements) == 1
    door, job = keyed.doors[0], keyed.job
    assert [one.number for one in told["door", door.id]] == [job.number]
    assert jobs_found(work.session, search(work.session, "nowhere"), work.today) == {}


def test_papers_with_a_number_of_their_own_are_found_by_it(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    job, day = keyed.job, work.today
    of_job = {"job": job, "at": work.now, "reason": "one too many"}
    amounts = {"subtotal_cents": 5000, "tax_cents": 0, "deposit_cents": 0, "total_cents": 5000}
    invoice = Invoice(
        number=7, kind=InvoiceKind.INVOICE, job=job, issued_at=work.now, issued_by_id=job.opened_by_id,
        invoiced_on=day, due_on=day, snapshot="{}", sha256="0", request_token="i", **amounts,
    )  # fmt: skip
    order = PurchaseOrder(
        number="P-0012", maker=factories.MakerFactory(), kind=OrderKind.GOODS, state=OrderState.SENT, made_at=work.now
    )
    paid = AccountPayment(
        number=3, customer=job.customer, received_on=day, cents=9900, means="check", request_token="m",
        taken_by_id=job.opened_by_id,
    )  # fmt: skip
    work.session.add_all([invoice, GoodsReturn(number=4, **of_job), order, paid])
    work.session.commit()
    counter, bench = client_as(Role.COUNTER), client_as(Role.BENCH)
    for asked, url, said in (
        ("I-0007", "/invoices/7", "Invoice $50.00"),
        ("invoice 7", "/invoices/7", "Invoice $50.00"),
        ("t-4", f"/jobs/{job.number}", "Goods back: one too many"),
        ("order P-0012", f"/stock/orders/{order.id}", "Order, sent"),
        ("m 3", f"/customers/{job.customer_id}/account", "Payment, check $99.00"),
    ):
        page = counter.get("/search", query_string={"q": asked}).text
        assert f'href="{url}"' in page and said in page, asked
    page = bench.get("/search?q=I-0007").text
    assert "/invoices/7" not in page and f'href="/jobs/{job.number}"' in page
    for missing in ("I-0008", "T-5", "P-13", "M-0004"):
        assert "Nothing on record matches" in counter.get(f"/search?q={missing}").text
