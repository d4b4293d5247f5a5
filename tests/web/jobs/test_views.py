"""The ledger page and a job's own page: who sees what, in which order, and which moves are taken."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.snapshot import HouseHead, QuoteSnapshot, SnapshotLine
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, Key, KeyState, Role, Stage
from app.pricing import Totals
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.keyed import bitting_in, counted, keyed_job, put, the, tick_off
from tests.reading import pdf_text, words_of

ClientAs = Callable[[Role | None], FormClient]
TODAY = NOW.date()
EVIL = "<script>alert(1)</script>"


def reread(work: Work, job: Job) -> Job:
    work.session.rollback()
    work.session.refresh(job)
    return job


def test_the_ledger_shows_late_jobs_first_and_says_so_in_words(client_as: ClientAs) -> None:
    factories.JobFactory(number=1, stage=Stage.APPROVED, promised_on=TODAY + timedelta(days=3))
    factories.JobFactory(number=2, stage=Stage.READY, promised_on=TODAY - timedelta(days=1))
    factories.JobFactory(number=3, stage=Stage.READY, promised_on=TODAY - timedelta(days=12))
    page = client_as(Role.COUNTER).get("/ledger").text
    assert re.findall(r'href="/jobs/(\d+)"', page) == ["3", "2", "1"]
    assert "late 12 days" in page and "late 1 day<" in page


def test_only_the_owner_sees_cost_and_margin(client_as: ClientAs) -> None:
    factories.JobFactory(number=1, value_cents=20_000, cost_cents=15_001)
    assert "$150.01" in client_as(Role.OWNER).get("/ledger").text
    for role in (Role.COUNTER, Role.BENCH):
        page = client_as(role).get("/ledger").text
        assert "$200.00" in page
        assert "$150.01" not in page and "Margin" not in page and "Cost" not in page
        story = client_as(role).get("/jobs/1").text
        assert "$200.00" in story and "$150.01" not in story and "margin" not in story


def test_the_ledger_is_sifted_by_stage_text_and_lateness(client_as: ClientAs) -> None:
    customer = factories.CustomerFactory(name="Lantern Row Dental")
    factories.JobFactory(number=11, stage=Stage.QUOTED, customer=customer)
    factories.JobFactory(number=12, stage=Stage.READY, promised_on=TODAY - timedelta(days=1))
    factories.JobFactory(number=13, stage=Stage.LOST)
    client = client_as(Role.COUNTER)

    def shown(query: str) -> set[str]:
        return set(re.findall(r'href="/jobs/(\d+)"', client.get(f"/ledger?{query}").text))

    assert shown("") == {"11", "12"}
    assert shown("over=yes") == {"11", "12", "13"}
    assert shown("stage=quoted") == {"11"}
    assert shown("q=lantern") == {"11"}
    assert shown("late=yes") == {"12"}
    assert shown("stage=nonsense&page=-4") == {"11", "12"}


@pytest.mark.parametrize("query", ["q=" + "x" * 10_000, "page=" + "9" * 40, "page=1.5", "q=%00%25_", "stage[]=a"])
def test_a_strange_address_is_no_fault(client_as: ClientAs, query: str) -> None:
    assert client_as(Role.COUNTER).get(f"/ledger?{query}").status_code == 200


def test_fifty_jobs_a_page(client_as: ClientAs) -> None:
    customer, user = factories.CustomerFactory(), factories.UserFactory()
    for number in range(1, 54):
        factories.JobFactory(number=number, customer=customer, opened_by=user)
    client = client_as(Role.COUNTER)
    assert len(re.findall(r'href="/jobs/\d+"', client.get("/ledger").text)) == 50
    second = client.get("/ledger?page=2").text
    assert re.findall(r'href="/jobs/(\d+)"', second) == ["51", "52", "53"]
    assert "Page 2 of 2" in second and "53 jobs" in second


def _statements(work: Work, client: FormClient, address: str) -> int:
    client.get("/doors")  # what the first request alone asks is asked by now
    with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
        assert client.get(address).status_code == 200
    return len(statements)


def test_pages_ask_as_often_for_many_jobs_as_for_few(work: Work, client_as: ClientAs) -> None:
    client = client_as(Role.OWNER)
    customer, user = factories.CustomerFactory(), factories.UserFactory()
    factories.JobFactory(number=1, customer=customer, opened_by=user)
    few = _statements(work, client, "/ledger")
    for number in range(2, 45):
        factories.JobFactory(number=number, customer=factories.CustomerFactory(), opened_by=user)
    assert _statements(work, client, "/ledger") == few <= 6


def test_a_job_page_asks_as_often_for_many_cylinders_as_for_few(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    client = client_as(Role.OWNER)
    few = _statements(work, client, f"/jobs/{keyed.job.number}")
    for number in range(30):
        door = factories.DoorFactory(site=keyed.doors[0].site, opening_number=f"G{number}")
        factories.LockFactory(door=door)
        keyset = factories.KeysetFactory(system=keyed.system, symbol=f"{number + 10}AA")
        factories.KeyFactory(keyset=keyset, job_id=keyed.job.id)
        factories.CylinderFactory(job_id=keyed.job.id, door=door, keyset=keyset)
    assert _statements(work, client, f"/jobs/{keyed.job.number}") == few <= 27


def test_a_long_job_lists_its_first_cylinders_and_all_when_asked(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    for number in range(1, 45):
        door = factories.DoorFactory(site=keyed.doors[0].site, opening_number=f"G{number:02}", is_egress=number == 44)
        factories.CylinderFactory(job_id=keyed.job.id, door=door, keyset=keyed.cylinders[0].keyset)
    client = client_as(Role.COUNTER)
    some, whole = (client.get(f"/jobs/{keyed.job.number}{asked}").text for asked in ("", "?all=yes"))
    assert "Show all 46" in some and "G10<" in some and "G11<" not in some and some.count("</svg>exit<") == 2
    assert "exit</span> further on: G44<" in some and "further on" not in whole
    assert "Show all" not in whole and "G44<" in whole and whole.count("</svg>exit<") == 2


def test_a_jobs_story_is_on_one_page(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    factories.JobLineFactory(job=keyed.job, number=1, description="Bored-lock cylinder", quantity=2, unit_cents=4_200)
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=21_450, issued_by=keyed.job.opened_by)
    factories.PaymentFactory(job_id=keyed.job.id, cents=10_000, means="check")
    record(work, "quote accepted", f"job {keyed.job.number}", "Accepted by P. Harbour", job_id=keyed.job.id)
    work.session.commit()
    page = client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}").text
    for told in (
        "Harbourmaster&#39;s Flats", "The Flats", "on the bench", "30 Nov 2026", "$200.00", "Bored-lock cylinder",
        "$42.00", f"{keyed.job.number}-1", "$214.50", "$100.00", "$114.50", "F1", "F2", "1AA", "2AA", "exit",
        "fire-rated", "Accepted by P. Harbour", "AD-Q1-66",
    ):  # fmt: skip
        assert told in page, told


def test_names_are_shown_as_text_and_never_run(client_as: ClientAs) -> None:
    customer = factories.CustomerFactory(name=EVIL)
    factories.JobFactory(number=1, customer=customer, title=EVIL, po_number=EVIL[:60], reason=EVIL)
    for address in ("/ledger", "/jobs/1", "/search?q=script"):
        page = client_as(Role.OWNER).get(address).text
        assert EVIL not in page and "&lt;script&gt;alert(1)" in page


def test_overrides_are_the_owners_and_reveals_the_benchs(work: Work, client_as: ClientAs) -> None:
    job = factories.JobFactory(number=1)
    record(work, "keying overridden", "job 1", "shop, not factory: he is my cousin", job_id=job.id)
    record(work, "bittings revealed", "key system 1", "Bittings shown to Bram", job_id=job.id)
    work.session.commit()
    seen = {role: client_as(role).get("/jobs/1").text for role in Role}
    assert ["cousin" in seen[role] for role in (Role.COUNTER, Role.BENCH, Role.OWNER)] == [False, False, True]
    assert ["shown to Bram" in seen[role] for role in (Role.COUNTER, Role.BENCH, Role.OWNER)] == [False, True, True]


def test_a_stage_is_moved_by_its_button(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    client = client_as(Role.BENCH)
    address = f"/jobs/{keyed.job.number}"
    assert 'value="checked"' in client.get(address).text
    tick_off(work, keyed.job)
    answer = client.post(f"{address}/move", data={"version": keyed.job.version, "to": "checked"})
    assert answer.status_code == 303 and answer.location == address
    assert reread(work, keyed.job).stage is Stage.CHECKED
    assert "on the bench → checked" in client.get(address).text


def test_checked_is_no_button_of_the_counters_and_refused_when_forged(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    client = client_as(Role.COUNTER)
    assert 'value="checked"' not in client.get(f"/jobs/{keyed.job.number}").text
    sent = {"version": keyed.job.version, "to": "checked"}
    assert client.post(f"/jobs/{keyed.job.number}/move", data=sent).status_code == 403
    assert reread(work, keyed.job).stage is Stage.ON_THE_BENCH


@pytest.mark.parametrize(
    ("to", "reason", "said"),
    [
        ("closed", "", "it can go to"),
        ("cancelled", "  ", "Say why the job is canceled."),
        ("sideways", "", "Press one of the stages shown."),
        ("", "", "Press one of the stages shown."),
        ("cancelled", "x" * 501, "At most 500 characters fit here."),
    ],
)
def test_a_move_that_is_not_allowed_says_what_is(
    work: Work, client_as: ClientAs, to: str, reason: str, said: str
) -> None:
    keyed = keyed_job(work)
    sent = {"version": keyed.job.version, "to": to, "reason": reason}
    answer = client_as(Role.COUNTER).post(f"/jobs/{keyed.job.number}/move", data=sent)
    assert answer.status_code == 422 and said in answer.text
    assert reread(work, keyed.job).stage is Stage.ON_THE_BENCH


def test_a_reason_is_kept_with_a_canceled_job(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    sent = {"version": keyed.job.version, "to": "cancelled", "reason": "The house is sold."}
    client_as(Role.COUNTER).post(f"/jobs/{keyed.job.number}/move", data=sent)
    job = reread(work, keyed.job)
    assert (job.stage, job.reason) == (Stage.CANCELED, "The house is sold.")


@pytest.mark.parametrize("version", ["0", "", "many", "9" * 40])
def test_a_move_from_an_older_page_is_stale_and_keeps_what_was_typed(
    work: Work, client_as: ClientAs, version: str
) -> None:
    keyed = keyed_job(work)
    sent = {"version": version, "to": "cancelled", "reason": "Sold to another."}
    answer = client_as(Role.COUNTER).post(f"/jobs/{keyed.job.number}/move", data=sent)
    assert answer.status_code == 409 and "Sold to another." in answer.text
    assert reread(work, keyed.job).stage is Stage.ON_THE_BENCH


def test_two_people_move_one_job_and_the_second_is_told(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    tick_off(work, keyed.job)
    version = keyed.job.version
    address = f"/jobs/{keyed.job.number}/move"
    assert client_as(Role.BENCH).post(address, data={"version": version, "to": "checked"}).status_code == 303
    second = client_as(Role.COUNTER).post(address, data={"version": version, "to": "parts on order"})
    assert second.status_code == 409 and "on the bench → checked" in second.text


def test_a_move_needs_its_token(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    sent = {"version": keyed.job.version, "to": "cancelled", "reason": "x"}
    assert client_as(Role.OWNER).post(f"/jobs/{keyed.job.number}/move", data=sent, csrf=False).status_code == 400
    assert reread(work, keyed.job).stage is Stage.ON_THE_BENCH


def test_the_schedule_is_for_everybody_and_tells_no_bitting(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    answer = client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}/keying-schedule.pdf")
    assert answer.mimetype == "application/pdf" and answer.headers["Cache-Control"] == "no-store"
    text = pdf_text(answer.data)
    for told in ("F1", "F2", "1AA", "2AA", "The Flats"):
        assert told in text
    assert bitting_in(text) is None
    table = client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}/keying-schedule.csv")
    assert "F2" in table.text and bitting_in(table.text) is None
    sheet = client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}/keying-schedule.xlsx")
    assert sheet.data[:2] == b"PK" and "attachment" in sheet.headers["Content-Disposition"]


def test_a_schedule_of_nothing_says_why(client_as: ClientAs) -> None:
    factories.HouseFactory()
    factories.JobFactory(number=1)
    for kind in ("pdf", "csv", "xlsx"):
        answer = client_as(Role.COUNTER).get(f"/jobs/1/keying-schedule.{kind}")
        assert answer.status_code == 404 and "no cylinders yet" in answer.text


def test_the_bench_sheet_is_a_recorded_reveal_for_the_bench(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    address = f"/jobs/{keyed.job.number}/bench-sheet.pdf"
    client = client_as(Role.BENCH)
    assert client.get(address).status_code == 405
    answer = client.post(address)
    assert answer.mimetype == "application/pdf" and answer.headers["Cache-Control"] == "no-store"
    text = pdf_text(answer.data)
    assert bitting_in(text) is not None
    event = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).one()
    assert event.job_id == keyed.job.id and event.at == NOW and event.actor_name.startswith("Person")
    assert bitting_in(event.summary) is None


def test_the_counter_gets_no_bench_sheet(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    address = f"/jobs/{keyed.job.number}/bench-sheet.pdf"
    client = client_as(Role.COUNTER)
    assert client.post(address).status_code == 403
    assert address not in client.get(f"/jobs/{keyed.job.number}").text
    assert work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all() == []


def test_a_job_that_is_not_there_is_a_calm_page(client_as: ClientAs) -> None:
    for address in ("/jobs/404", "/jobs/404/keying-schedule.pdf", f"/jobs/{10**30}"):
        assert client_as(Role.COUNTER).get(address).status_code == 404


def test_a_quoted_job_shows_the_lines_of_its_newest_quote(client_as: ClientAs) -> None:
    job = factories.JobFactory(number=7, stage=Stage.QUOTED)
    for revision, words in ((1, "first thoughts"), (2, "second thoughts")):
        line = SnapshotLine("1", "cylinder", words, "AD-Q1-66", "keyed alike (KA)", 3, 4_200, 12_600, False, 6_001)
        snapshot = QuoteSnapshot(
            house=HouseHead("House", "", "", "", "Letter"), job_number=7, revision=revision, issued_on=TODAY,
            valid_until=TODAY, issued_by="Cora", customer_name="C", customer_phone="", customer_address="",
            site_name="", site_address="", title="", need_by=None, ready_on=None, lead_time="", lines=(line,),
            totals=Totals(12_600, 0, 12_600, 0, 12_600, "", ""), keying=(), exclusions="", terms="",
            cautions=(), cost_cents=6_001, ask={},
        )  # fmt: skip
        factories.QuoteRevisionFactory(
            job=job, revision=revision, issued_by=job.opened_by, snapshot=snapshot.to_text()
        )
    page = client_as(Role.COUNTER).get("/jobs/7").text
    assert "second thoughts, keyed alike (KA)" in page and "$126.00" in page
    assert "first thoughts" not in page and "$60.01" not in page
    assert "Q-7-1" in page and "Q-7-2" in page


def test_the_counter_hands_over_by_what_the_page_says(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.READY)
    factories.JobLineFactory(job=keyed.job)
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=10_725)
    put(work, "1AA", KeyState.CUT)
    client, address = client_as(Role.COUNTER), f"/jobs/{keyed.job.number}"
    page = client.get(address).text
    assert "2 keys are not cut yet: AA copy 1; 2AA copy 1." in page
    assert "$107.25 of $107.25 is not paid." in page and "Handed over all the same" in page
    assert "1 key goes with it: 1AA copy 1." in page and "Nothing is owed" not in page
    sent = {"version": keyed.job.version}
    silent = client.post(f"{address}/hand-overs", data=sent)
    assert silent.status_code == 422 and "Enter who takes it" in silent.text
    named = client.post(f"{address}/hand-overs", data={**sent, "taken_by": "R. Teal"})
    assert named.status_code == 422 and 'value="R. Teal"' in named.text
    assert "Tick that it is handed over all the same, and press again." in named.text
    assert reread(work, keyed.job).stage is Stage.READY
    known = re.search(r'name="known" id="known" value="([^"]+)"', named.text)
    assert known is not None
    done = client.post(f"{address}/hand-overs", data={**sent, "taken_by": "R. Teal", "known": known[1]})
    assert done.status_code == 303
    page = client.get(address).text
    assert "<dt>Taken by</dt><dd>R. Teal</dd>" in page and "ready → handed over: taken by R. Teal." in page
    receipt = client.get(f"{address}/key-receipt.pdf").data
    text = pdf_text(receipt)
    assert "R. Teal" in text and "P. Harbour" not in text and "the key listed" in text
    assert [the(work, symbol).state for symbol in ("AA", "1AA", "2AA")] == ["ordered", "out", "ordered"]
    # What is cut later lies in the shop until it is issued, with a receipt of its own.
    put(work, "AA", KeyState.CUT)
    receipt = client.get(f"{address}/key-receipt.pdf").data
    text = pdf_text(receipt)
    assert "the key listed" in text


def test_who_puts_a_job_on_the_bench_reads_what_is_missing_of_the_deposit(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.APPROVED)
    keyed.job.deposit_cents = 5_363
    work.session.commit()
    told = "$53.63 of the deposit of $53.63 is not paid yet."
    address = f"/jobs/{keyed.job.number}"
    assert told in client_as(Role.COUNTER).get(address).text
    assert told in client_as(Role.BENCH).get(f"/bench{address}").text
    keyed.job.stage = Stage.ON_THE_BENCH
    work.session.commit()
    assert told not in client_as(Role.BENCH).get(f"/bench{address}").text


def test_a_job_of_keys_alone_leads_to_where_they_are_cut(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work)
    job = factories.JobFactory(number=7, customer=keyed.job.customer, stage=Stage.READY)
    factories.KeyFactory(keyset=keyed.cylinders[0].keyset, job_id=job.id, copy_number=2)
    page = client_as(Role.COUNTER).get("/jobs/7").text
    assert "1 key is not cut yet: 1AA copy 2." in page
    assert f'href="/keys/system/{keyed.system.id}"' in page
    bench = client_as(Role.BENCH)
    assert 'href="/bench/jobs/7"' in bench.get("/jobs/7").text
    assert "<dt>Keys to cut</dt><dd>1 of 1</dd>" in bench.get("/bench/jobs/7").text
    cut = {"as": "cut", "keys": [keyed.cylinders[0].keyset_id]}
    assert bench.post("/bench/jobs/7/ticks", data=cut).status_code == 303
    assert "not cut yet" not in client_as(Role.COUNTER).get("/jobs/7").text


def test_a_part_is_handed_over_from_its_page_with_a_receipt_of_just_that(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.READY)
    job, first = keyed.job, keyed.cylinders[0]
    job.po_number = "HF-24"
    factories.JobLineFactory(job=job, number=2, kind="hardware", description="Ring set", quantity=10)
    factories.QuoteRevisionFactory(job=job, total_cents=10_725)
    for symbol in ("AA", "1AA", "2AA"):
        put(work, symbol, KeyState.CUT)
    client, address = client_as(Role.COUNTER), f"/jobs/{job.number}"
    assert f'href="{address}/hand-over"' in client.get(address).text
    page = client.get(f"{address}/hand-over").text
    assert "$107.25 of $107.25 is not paid." in page and "Keys to 1AA" in page and "of 10" in page
    (seen,) = re.findall(r'name="version"[^>]*value="(\d+)"', page)
    sent = {"version": seen, "taken_by": "R. Teal", "cylinder": first.id, f"keys-{first.keyset_id}": "1"}
    refused = client.post(f"{address}/hand-over", data={**sent, "goods-2": "a few"})
    assert refused.status_code == 422 and 'value="a few"' in refused.text
    # Below its own box, beside the head of the page.
    assert (
        '<p class="error" id="goods-2-error">' in refused.text and "Enter a whole number of pieces." in refused.text
    )
    # What else is wrong is told with it, and pieces that cannot be read are not said to be missing.
    unread = {**sent, "goods-2": "a few", "taken_by": ""}
    refused = client.post(f"{address}/hand-over", data={**unread, f"keys-{first.keyset_id}": "2"})
    told = {
        "goods-2": "Enter a whole number",
        "taken_by": "Enter who takes it",
        f"keys-{first.keyset_id}": "1 key of",
    }
    for box, said in told.items():
        assert said in refused.text.partition(f'id="{box}-error">')[2].partition("</p>")[0], box
        assert refused.text.count(f'href="#{box}"') == 1, box
    refused = client.post(f"{address}/hand-over", data={"version": seen, "taken_by": "", "goods-2": "a few"})
    assert "Enter who takes it" in refused.text and "Say what goes" not in refused.text
    refused = client.post(f"{address}/hand-over", data={**sent, "goods-2": "11", f"keys-{first.keyset_id}": "2"})
    for told, box in (("Of line 2, 10 can go", "goods-2"), ("1 key of 1AA can go", f"keys-{first.keyset_id}")):
        below = refused.text.partition(f'<p class="error" id="{box}-error">')[2].partition("</p>")[0]
        assert f"{told}: enter at most that." in below, box
    assert 'value="R. Teal"' in refused.text and f'value="{first.id}" checked' in refused.text
    done = client.post(f"{address}/hand-over", data={**sent, "goods-2": "4"})
    assert done.status_code == 303
    number = f"H-{job.number}-1"
    page = client.get(address).text
    assert f"Have receipt {number} signed." in page and f"Hand-over receipt {number}, R. Teal" in page
    stale = client.post(f"{address}/hand-over", data={**sent, "goods-2": "4"}).text
    (again,) = re.findall(r'href="([^"]+)">Load it with what you typed', stale)
    late = words_of(stale)
    assert "Who takes it R. Teal Cylinders F1 1AA" in late and "Keys to 1AA 1" in late and "Ring set 4" in late
    assert "as it is now: Keys to 1AA 1" in words_of(client.get(again.replace("&amp;", "&")).text)
    text = " ".join(pdf_text(client.get(f"{address}/hand-overs/1.pdf").data).split())
    for told in (f"Hand-over receipt {number}", "R. Teal", "F1", "AD-Q1-66", "1AA", "copy 1", "4 Ring set", "HF-24"):
        assert told in text, told
    assert "Still to come: 1 cylinder, 2 keys, 6 other pieces" in text
    assert "F2" not in text and "2AA" not in text and bitting_in(text) is None
    assert f'name="cylinder" id="cylinder-{first.id}"' not in client.get(f"{address}/hand-over").text
    assert client.get(f"{address}/hand-overs/2.pdf").status_code == 404
    reread(work, job).stage = Stage.CANCELED
    work.session.commit()
    assert client.get(f"{address}/hand-over").status_code == 303


def test_what_is_there_is_offered_only_once_something_can_go(work: Work, client_as: ClientAs) -> None:
    """A job on the bench: nothing is checked or cut, then a key is cut, then only a cylinder is checked."""
    keyed = keyed_job(work, Stage.ON_THE_BENCH)
    client, address = client_as(Role.COUNTER), f"/jobs/{keyed.job.number}"
    assert "Hand over what is there" not in client.get(address).text
    put(work, "1AA", KeyState.CUT)
    assert "Hand over what is there" in client.get(address).text
    put(work, "1AA", KeyState.ORDERED)
    assert "Hand over what is there" not in client.get(address).text
    cylinder = work.session.scalars(sa.select(Cylinder)).first()
    assert cylinder is not None
    cylinder.state = CylinderState.CHECKED
    work.session.commit()
    assert "Hand over what is there" in client.get(address).text


def test_nothing_is_offered_to_be_handed_over_once_all_of_it_went(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.HANDED_OVER)
    for one in work.session.scalars(sa.select(Cylinder)):
        one.state = CylinderState.FITTED
    for key in work.session.scalars(sa.select(Key)):
        key.state = KeyState.OUT
    work.session.commit()
    put(work, "1AA", KeyState.ORDERED)
    client, address = client_as(Role.COUNTER), f"/jobs/{keyed.job.number}"
    assert f'href="{address}/hand-over"' not in client.get(address).text  # a key is still to be cut
    put(work, "1AA", KeyState.CUT)
    assert f'href="{address}/hand-over"' in client.get(address).text
    put(work, "1AA", KeyState.OUT)
    assert f'href="{address}/hand-over"' not in client.get(address).text
    assert client.get(f"{address}/hand-over").status_code == 303


def test_the_owner_reads_what_a_job_earned_as_it_became(client_as: ClientAs, session: Session) -> None:
    """240.00 less 120.00 is 120.00, 50 %; 10 minutes of 30 recorded, 20.00 less at 60.00 an hour: 140.00."""
    factories.BenchTermsFactory(terms={**factories.BENCH_TERMS, "labour_cents_per_hour": 6000})
    day = NOW.astimezone().date()
    job = factories.JobFactory(number=1001, stage=Stage.CLOSED, accepted_on=day, bench_minutes=30)
    factories.SoldLineFactory(job_id=job.id, amount_cents=24_000, cost_cents=12_000)
    owner = client_as(Role.OWNER)
    assert "As it became" not in owner.get("/jobs/1001").text
    time = {"task": "pinning", "pieces": 4, "minutes": "10", "finished": day, "recorded_by_id": job.opened_by_id}
    session.add(factories.models.BenchTimeRow(job_id=job.id, **time))
    session.commit()
    page = " ".join(re.sub("<[^>]+>", " ", owner.get("/jobs/1001").text).split())
    said = "As accepted 50 % $120.00 Bench 10 min of 30 min reckoned $20.00 As it became 58 % $140.00"
    assert said in page
    assert "As it became" not in client_as(Role.COUNTER).get("/jobs/1001").text
