"""The demo house, moved: the same bytes out of it again, the same papers and figures, and work that goes on."""

import random
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask import Flask

from app import create_app
from app.config import Config
from app.documents import quote_pdf
from app.keying import write_bitting
from app.ledger import tables as m
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.jobs.notes import add_note
from app.ledger.jobs.stages import move_job, next_stages
from app.ledger.keys.key_queries import find_receipt
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.moving.export_file import export_house
from app.ledger.moving.tables import TABLES
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.reports.open_jobs import load_of_bench, promised_jobs
from app.ledger.reports.quotes import lapsing_quotes
from app.ledger.reports.search import search
from app.ledger.store.events import first_broken_link, missing_at_the_end
from app.ledger.store.work import Actor, Work
from app.ledger.tables import User
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.ledger.moving.conftest import OTHER_OWNER
from tests.moved import OWNER, demo_taken, tables_in
from tests.tour import demo_copy


@pytest.fixture
def config(moved_folder: Path, copied: Callable[[Path], Config]) -> Config:
    """The settings of a copy of the moved house."""
    return copied(moved_folder)


@pytest.fixture
def work(ledger: Ledger) -> Iterator[Work]:
    """The new owner's work in it."""
    with ledger.sessions() as session:
        owner = session.scalars(sa.select(User).where(User.name == OTHER_OWNER)).one()
        yield Work(session, ledger.vault, Actor.of(owner), NOW, random.Random(8))


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Config, Ledger]]:
    """The house that was left, as it stands there."""
    made = replace(demo_copy(tmp_path_factory.mktemp("before") / "instance"), is_demo=False)
    ledger = open_ledger(made)
    yield made, ledger
    ledger.close()


def client_of(config: Config, ledger: Ledger, name: str) -> FormClient:
    app: Flask = create_app(config, ledger)
    app.testing, app.extensions["clock"] = False, lambda: NOW
    client = FormClient(app)
    with ledger.sessions() as session, factories.saving_into(session):
        client.log_in(session.scalars(sa.select(User).where(User.name == name)).one())
    return client


def job_in(work: Work, stage: m.Stage) -> m.Job:
    job = work.session.scalars(sa.select(m.Job).where(m.Job.stage == stage).order_by(m.Job.number.desc())).first()
    assert job is not None
    return job


def test_out_of_the_moved_house_come_the_same_bytes(work: Work) -> None:
    assert export_house(work, "zip") == demo_taken()
    rows = {name: len(rows) - 1 for name, rows in tables_in(demo_taken()).items()}
    assert min(rows[name] for name in ("jobs", "job lines", "quotes", "payments", "bench times")) > 3
    assert rows["story"] > 40 and rows["cylinders"] > 150


def test_the_story_is_chained_anew_with_its_moments_and_people(work: Work, before: tuple[Config, Ledger]) -> None:
    assert first_broken_link(work.session) is None and missing_at_the_end(work.session) == 0
    columns = (m.Event.at, m.Event.actor_name, m.Event.kind, m.Event.subject, m.Event.job_id, m.Event.summary)
    told = sa.select(*columns).where(m.Event.job_id.is_not(None)).order_by(m.Event.id)
    with before[1].work(OWNER, NOW) as old:
        assert work.session.execute(told).all() == old.session.execute(told).all()
        hashes = set(old.session.scalars(sa.select(m.Event.hash)))
    assert not hashes & set(work.session.scalars(sa.select(m.Event.hash)))
    names = sa.select(m.Event.actor_name, m.User.name).join(m.User, m.User.id == m.Event.actor_id)
    assert {(one, two) for one, two in work.session.execute(names) if one != two} == set()


def test_people_whom_the_house_did_not_know_are_on_record_and_cannot_log_in(work: Work) -> None:
    came = work.session.scalars(sa.select(User).where(User.name != OTHER_OWNER).order_by(User.name)).all()
    assert [(one.name, one.role, one.active, one.password_hash) for one in came] == [
        ("Bram", m.Role.COUNTER, False, ""),
        ("Cora", m.Role.COUNTER, False, ""),
        ("Wren", m.Role.COUNTER, False, ""),
    ]
    told = work.session.scalars(sa.select(m.Event.summary).where(m.Event.kind == "person entered")).all()
    assert sorted(told) == [f"{name} came with an export and may not log in" for name in ("Bram", "Cora", "Wren")]


def test_quotes_print_to_the_same_bytes_and_figures_are_the_same(work: Work, before: tuple[Config, Ledger]) -> None:
    newest = sa.select(m.QuoteRevision.job_id, m.QuoteRevision.snapshot).order_by(m.QuoteRevision.id)
    with before[1].work(OWNER, NOW) as old:
        assert work.session.execute(newest).all() == old.session.execute(newest).all()
        for asked in (promised_jobs, load_of_bench, lapsing_quotes):
            assert asked(work.session, NOW.date()) == asked(old.session, NOW.date())
        for number in work.session.scalars(sa.select(m.Job.number)):
            assert payments_of(work.session, number).receipts == payments_of(old.session, number).receipts
        receipts = [find_receipt(one.session, 1) for one in (work, old)]
    assert receipts[0] == receipts[1]


def test_pages_say_what_they_said(config: Config, ledger: Ledger, work: Work, before: tuple[Config, Ledger]) -> None:
    clients = (client_of(config, ledger, OTHER_OWNER), client_of(*before, "Wren"))
    rows = {stage: job_in(work, stage) for stage in (m.Stage.CLOSED, m.Stage.ON_THE_BENCH, m.Stage.QUOTED)}
    addresses = ["/ledger", "/ledger?with_over=y", "/day", "/day/jobs", "/bench", "/keys", "/prices/bench-times"]
    addresses += [f"/jobs/{job.number}" for job in rows.values()] + ["/search?q=flats"]
    for address in addresses:
        pages = [client.get(address) for client in clients]
        assert {page.status_code for page in pages} == {200}, address
        here, there = (plain(page.text) for page in pages)
        assert here == there, address
    quoted = rows[m.Stage.QUOTED].revisions[-1]
    paper = clients[0].get(f"/quotes/{rows[m.Stage.QUOTED].number}/{quoted.revision}/quote.pdf")
    assert paper.status_code == 200 and paper.data == quote_pdf(read_snapshot(quoted.snapshot))


def plain(text: str) -> str:
    """A page's words without what every login and every press has of its own, and without what does not move: a job's
    files, and bittings, whose lists a house without them does not offer.
    """
    text = re.sub(r'"X-CSRFToken": "[^"]*"|<input[^>]*name="(csrf_token|version|token)"[^>]*>', "", text)
    text = re.sub(r'<ul class="(photos|papers files)">.*?</ul>', "", text, flags=re.DOTALL)
    text = re.sub(r'\s*<li><form[^>]*/bitting-list.pdf">.*?</li>', "", text, flags=re.DOTALL)
    text = re.sub(r"(onfidential): \d+", r"\1", text)
    return re.sub(r"\s+", " ", text.replace(OTHER_OWNER, "Wren"))


def test_work_goes_on_where_it_stood(work: Work) -> None:
    job = job_in(work, m.Stage.PARTS_ON_ORDER)
    paid = payments_of(work.session, job.number)
    form = PaymentForm(PaymentKind.PAYMENT, 100, "cash", work.today)
    taken = take_payment(work, job.number, paid.version, form)
    assert taken.paid_cents == paid.money.paid_cents + 100
    move_job(work, job.id, job.version, next_stages(job)[0])
    add_note(work, job.number, "Moved in, and going on")
    lost = job_in(work, m.Stage.QUOTED)
    move_job(work, lost.id, lost.version, m.Stage.LOST, "another house was quicker")
    assert [found.number for found in search(work.session, str(job.number)).jobs] == [job.number]
    assert first_broken_link(work.session) is None and missing_at_the_end(work.session) == 0
    # Whatever is recorded next gets a number beyond those that came in.
    with factories.saving_into(work.session):
        further = {"job": factories.JobFactory(number=5000)}
        made_next = (factories.QuoteRevisionFactory(**further), factories.PaymentFactory(job_id=further["job"].id))
        for made in (further["job"], *made_next):
            table = type(made).__table__
            assert made.id == work.session.scalar(sa.select(sa.func.max(table.c.id)))


def test_no_bitting_no_token_and_no_password_is_in_the_demos_export(before: tuple[Config, Ledger]) -> None:
    with before[1].work(OWNER, NOW) as old:
        systems = old.session.scalars(sa.select(m.KeySystem)).all()
        opened = open_bittings(old.session, old.vault, systems)
        keysets = {one.id: one for one in old.session.scalars(sa.select(m.Keyset))}
        cuts = {write_bitting(spec_of(keysets[one].system), bitting) for one, bitting in opened.items()}
        tokens = set(old.session.scalars(sa.select(m.QuoteRevision.request_token)))
        hashes = set(old.session.scalars(sa.select(m.User.password_hash)))
    assert len(cuts) > 170 and len(tokens) > 10
    texts = {name: "\n".join("\t".join(row) for row in rows) for name, rows in tables_in(demo_taken()).items()}
    # The hash of a quote is hexadecimal, where six digits may stand by chance.
    everything = re.sub(r"\b[0-9a-f]{64}\b", "", "\n".join(texts.values()))
    runs = set(re.findall(r"[0-9]+", everything))
    assert not runs & cuts and not any(",".join(one) in everything for one in cuts)
    assert not any(secret in everything for secret in tokens | hashes)
    assert '"token"' not in texts["story"] and "file kept" in texts["story"]
    assert not {"drafts", "job_files", "users", "bittings"} & {one.table.name for one in TABLES}
