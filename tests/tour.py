"""A tour of the demo house: an address for every page, so that a check can look at all of them.

A route whose address cannot be filled in from the demo's records fails the tour; none is passed by in silence.
"""

import io
import json
import random
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import sqlalchemy as sa
from flask import Flask, url_for
from PIL import Image
from sqlalchemy.orm import Session
from werkzeug.routing import Rule

from app import create_app
from app.commands.demo import ROOT, build
from app.commands.demo_house import DemoShop
from app.config import Config
from app.ledger import tables as models
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.catalog.maker_papers import PaperForm, add_paper, note_page
from app.ledger.catalog.maker_pictures import put_picture
from app.ledger.catalog.sheets import sheets_of
from app.ledger.jobs.files import keep_file
from app.ledger.jobs.stages import move_job
from app.ledger.keys.counting import start_count
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies
from app.ledger.merging.customer_merging import CUSTOMERS_MERGED, MergeForm, merge_customers
from app.ledger.merging.customer_splitting import CUSTOMER_SPLIT, SplitForm, split_customer
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.quoting.issuing import keep_requote
from app.ledger.sites.customers import (
    ContactForm,
    CustomerForm,
    SiteForm,
    add_contact,
    add_customer,
    add_site,
)
from app.ledger.sites.door_moves import DOORS_MOVED, move_doors
from app.ledger.sites.doors import DoorForm, add_door, change_doors
from app.ledger.sites.site_merging import SITES_MERGED, merge_sites
from app.ledger.store.events import record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role
from tests import houses
from tests.conftest import NOW
from tests.factories import FormClient
from tests.plain_pdf import plain_pdf

_JOBS = "jobs.json"
_ROWS: dict[str, type[models.Base]] = {
    "appointment_id": models.Appointment,
    "contact_id": models.Contact,
    "count_id": models.KeyCount,
    "customer_id": models.Customer,
    "cylinder_id": models.Cylinder,
    "door_id": models.Door,
    "file_id": models.JobFile,
    "import_id": models.Import,
    "key_id": models.Key,
    "keyset_id": models.Keyset,
    "loss_id": models.Loss,
    "maker_id": models.Maker,
    "order_id": models.PurchaseOrder,
    "paper_id": models.MakerPaper,
    "picture_id": models.MakerPicture,
    "reminder_id": models.Reminder,
    "row_id": models.PriceBookRow,
    "rule_id": models.PriceRuleRow,
    "spec_id": models.SpecRow,
    "system_id": models.KeySystem,
    "tier_id": models.PriceTier,
    "user_id": models.User,
    "subject_id": models.Customer,
}
_SINCE = "?fitted_from=2020-01-01"
_ASKED = {
    **{f"reports.{page}": _SINCE for page in ("show", "csv", "xlsx")},
    "prices.set_one": "?item=1",
    "keys.person": "?customer=2&name=Dr+A.+Lantern",
    "books.download": "?first=2026-01-01&last=2026-12-31",
}
_WORDS_OF: dict[tuple[str, str], str] = {
    ("day.show", "name"): "start",
    ("day.sheet", "name"): "start",
    **{(f"reports.{page}", "name"): "cylinders" for page in ("show", "csv", "xlsx")},
    ("moving.download", "kind"): "zip",
    ("papers.show", "name"): "keying-schedule.pdf",
}
_UNDONE = {
    "customers.unmerge": CUSTOMERS_MERGED,
    "customers.unsplit": CUSTOMER_SPLIT,
    "doors.move_back": DOORS_MOVED,
    "doors.unmerge": SITES_MERGED,
}
_WORDS: dict[str, object] = {"who": "customer", "name": "quotes", "kind": "csv", "slug": "length"} | {
    "revision": 1,
    "place": 1,
    "page_number": 1,
}

PASSED_BY: dict[str, str] = {
    "static": "files as they lie there",
    **dict.fromkeys(
        ("imports.show", "imports.columns", "imports.aside", "imports.one", "price_lists.show"),
        "a table that somebody sent (tests/web/importing)",
    ),
    "accounts.receipt": "a payment to a customer's account (tests/web/money/test_money_pages.py)",
    "bitting_lists.show": "a bitting list that waits (tests/web/importing/test_bitting_lists.py)",
    "keying.row_aside": "a list that was taken over (tests/web/importing/test_bitting_lists.py)",
    "login.first_start": "only a house without anybody has it",
    "imports.saving": "the token of a table that is being saved",
    "imports.undoing": "an import that is being undone",
    "maker_papers.progress": "the token of a paper that is being read",
    **dict.fromkeys(("maker_learning.columns", "maker_learning.show"), "the token of a price list that waits"),
    "first_day.index": "only a house on its first day has it",
    "keying.matrix_run": "the token of a search that is going on",
    "keying.cross_run": "the token of a search that is going on",
    "keying.extend_run": "the token of a search that is going on",
    "keying.matrix_doors": "the token of a search that is going on",
    "keys.call_in_letters": "a key system that is retired (tests/web/keys/test_calling_in.py)",
    "keying.loss_letter": "a planned loss in a factory's system (tests/web/keying/test_loss_plans.py)",
    "keying.customers_key": "a job that waits for a customer's key (tests/web/counter/test_customers_key.py)",
    "returns.slip": "a job of which goods came back (tests/web/jobs/test_returns.py)",
    "construction.page": "a construction keyed job (tests/browser/test_construction.py)",
    "claims.show": "a claim to a maker (tests/web/jobs/test_returns.py)",
}
"""The endpoints that the tour leaves out, each with the reason."""


def _load(folder: Path) -> None:
    shop, jobs = build(folder, ROOT / "demo_data", NOW)
    shop.ledger.close()
    folder.with_name(_JOBS).write_text(json.dumps(jobs))


def _loaded() -> Path:
    """The demo house as `bittern demo` loads it; beside the folder are its job numbers."""
    return houses.made_once("demo", _load)


def _tour(folder: Path) -> None:
    loaded = _loaded()
    shutil.copytree(loaded, folder)
    jobs = json.loads(loaded.with_name(_JOBS).read_text())
    ledger = open_ledger(_config_of(folder))
    shop = DemoShop(ledger, ROOT / "demo_data", NOW, random.Random(0))
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as base:
        _add_the_rest(shop.work(base, Role.COUNTER), folder, jobs["flats"])
        flats = base.session.scalars(sa.select(models.Job).where(models.Job.number == jobs["flats"])).one()
        move_job(shop.work(base, Role.BENCH), flats.id, flats.version, models.Stage.ON_THE_BENCH)
        # The day's work shows the flats alone: the college's 140 doors have the same marks and take long to print.
        college = base.session.scalars(sa.select(models.Job).where(models.Job.number == jobs["college"])).one()
        college.stage = models.Stage.APPROVED
        # Its story ends there too: an export whose jobs stand elsewhere than their story is refused.
        record(base, "stage moved", f"job {college.number}", "on the bench → approved: not today", job_id=college.id)
        base.session.commit()
    ledger.close()


def _photo() -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (40, 30), "#a06030").save(made, "PNG")
    return made.getvalue()


def _add_the_rest(work: Work, folder: Path, number: int) -> None:
    """What a page shows and the demo may lack: a contact, a job's file and payment, a key in somebody's hands."""
    job = work.session.scalars(sa.select(models.Job).where(models.Job.number == number)).one()
    add_contact(work, job.customer_id, ContactForm("P. Wader", "caretaker"))
    counts = {"new": 1, "changed": 0, "unchanged": 0, "aside": 0}
    work.session.add(models.Import(kind="contacts", file_name="contacts.csv", made_at=work.now, written={}, **counts))
    work.session.commit()
    owner = Work(work.session, work.vault, Actor(None, "the house", Role.OWNER), work.now)
    paper = add_paper(owner, folder / "files", 1, "m.pdf", plain_pdf([["cams"]]), PaperForm("Manual"))
    put_picture(owner, 1, models.PageTopic.KEYWAY, "AQ1", _photo())
    note_page(owner, paper.id, 1, models.PageTopic.CAM, "standard")
    keep_file(work, folder / "files", number, "old cylinder.png", _photo(), "from the counter")
    take_payment(work, number, len(job.payments) + 1, PaymentForm(PaymentKind.DEPOSIT, 5000, "check", work.today))
    door = work.session.scalars(sa.select(models.Door).order_by(models.Door.site_id).limit(1)).one()
    change_doors(work, door.site_id, {door.id: door.version}, {"function": "storeroom"})
    awaits = sa.select(models.Job).where(models.Job.stage == models.Stage.QUOTED).order_by(models.Job.number)
    quoted = work.session.scalars(awaits).first()
    assert quoted is not None
    keep_requote(work, quoted, "t" * 32, quoted.version)
    work.session.add(models.PriceRuleRow(basis="margin", figure="40", category="hardware", valid_from=work.today))
    work.session.commit()
    _merge_and_part(replace(work, actor=replace(work.actor, role=Role.OWNER)))
    system = work.session.scalars(sa.select(models.KeySystem).where(models.KeySystem.name == "The Flats")).one()
    order_copies(work, system.id, "1AA", 1)
    cut_copies(work, system.id, "1AA", (1,))
    issue_keys(work, KeyIssueForm(system.id, "1AA", (1,), "P. Wader", "555-0155"))
    start_count(work, system.customer_id)


def _merge_and_part(work: Work) -> None:
    """A customer merged and one parted, doors moved and a site merged, for the pages that would undo it."""
    names = ("Quay Road Nursery", "Quay Rd Nursery")
    kept, gone = (add_customer(work, CustomerForm(name)) for name in names)
    sites = [add_site(work, kept.id, SiteForm(name)) for name in ("Garden", "Garden House", "Shed")]
    door = add_door(work, sites[0].id, DoorForm(opening_number="1"))
    move_doors(work, sites[0].id, {door.id: door.version}, sites[1].id, "", {})
    shed, garden = sites[2], sites[0]
    merge_sites(work, (garden.id, garden.version), (shed.id, shed.version), {})
    merge_customers(work, MergeForm((kept.id, kept.version), (gone.id, gone.version)))
    house = frozenset({sites[1].id})
    split_customer(work, SplitForm(kept.id, kept.version, name="Garden House Trust", sites=house))


def demo_copy(to: Path) -> Config:
    """The settings of a copy of the demo house at `to`; it is made once a run, and is always in SQLite."""
    return _config_of(Path(shutil.copytree(houses.made_once("toured", _tour), to)))


def loaded_demo(to: Path) -> tuple[Config, dict[str, int]]:
    """A copy of the demo house at `to` as `bittern demo` loads it, in SQLite, and its job numbers by short name."""
    made = Path(shutil.copytree(_loaded(), to))
    return _config_of(made), json.loads(_loaded().with_name(_JOBS).read_text())


def _config_of(folder: Path) -> Config:
    return replace(Config(instance=folder), is_demo=True)


@contextmanager
def demo_app(to: Path, *, as_loaded: bool = False) -> Iterator[tuple[Flask, Ledger]]:
    """A copy of the demo house at `to`, in this run's database, with its application, as long as the block runs.

    as_loaded: with nothing in it but what `bittern demo` loads, as for a journey.
    """
    made = loaded_demo(to)[0] if as_loaded else demo_copy(to)
    config = houses.taken_over(made)
    ledger = open_ledger(config)
    app = create_app(config, ledger)
    app.extensions["clock"] = lambda: NOW
    yield app, ledger
    ledger.close()
    houses.remove_database(config)


def client_of(app: Flask, ledger: Ledger, role: Role | None) -> FormClient:
    """A client in the hands of the demo's person with this role; of nobody, not logged in."""
    client = FormClient(app)
    if role is not None:
        with ledger.sessions() as session:
            client.log_in(session.scalars(sa.select(models.User).where(models.User.role == role)).one())
    return client


def pages(app: Flask, session: Session) -> dict[str, str]:
    """'endpoint' → address, of everything that a GET request brings; but not of what PASSED_BY names.

    Raises KeyError for an address whose part nothing here fills in.
    """
    rules = sorted(app.url_map.iter_rules(), key=lambda rule: rule.rule)
    gets = [rule for rule in rules if "GET" in (rule.methods or ()) and rule.endpoint not in PASSED_BY]
    with app.test_request_context():
        return {
            rule.rule: url_for(rule.endpoint, **_parts(rule, session)) + _ASKED.get(rule.endpoint, "")
            for rule in gets
        }


def looks(app: Flask, session: Session) -> set[str]:
    """The address of everything that a GET request brings; a part that nothing here fills in is "x" or 1."""
    rules = [
        one for one in app.url_map.iter_rules() if "GET" in (one.methods or ()) and one.endpoint not in PASSED_BY
    ]
    with app.test_request_context():
        return {url_for(one.endpoint, **{n: _any_part(one, n, session) for n in one.arguments}) for one in rules}


def deeds(app: Flask, session: Session) -> dict[str, tuple[str, str]]:
    """Rule → (endpoint, address) of everything that takes a POST; a word that nothing here fills in is "x"."""
    rules = [rule for rule in app.url_map.iter_rules() if "POST" in (rule.methods or ())]
    with app.test_request_context():
        return {
            rule.rule: (
                rule.endpoint,
                url_for(rule.endpoint, **{n: _any_part(rule, n, session) for n in rule.arguments}),
            )
            for rule in rules
        }


def _any_part(rule: Rule, name: str, session: Session) -> object:
    try:
        return _part(rule.endpoint, name, session)
    except KeyError:
        return 1 if "int" in rule.rule else "x"


def _parts(rule: Rule, session: Session) -> dict[str, object]:
    return {name: _part(rule.endpoint, name, session) for name in rule.arguments}


def _part(endpoint: str, name: str, session: Session) -> object:
    if name == "number":  # of a paper's page, else of a job or what else is numbered
        return 1 if endpoint.startswith("maker_papers.") else _number(endpoint, session)
    if name == "site_id":  # of the first site that has doors
        return session.scalars(sa.select(sa.func.min(models.Door.site_id))).one()
    if name == "gone_id":
        return session.scalars(sa.select(sa.func.min(models.Customer.id)).where(models.Customer.id > 1)).one()
    if name == "event_id" and endpoint in _UNDONE:
        rows = sa.select(models.Event.id).where(models.Event.kind == _UNDONE[endpoint])
        return session.scalars(rows.order_by(models.Event.id).limit(1)).one()
    if endpoint.startswith("goods.") and name == "item_id":  # pins are not for everybody
        goods = models.Item.kind != models.ItemKind.PIN
        return session.scalars(sa.select(sa.func.min(models.Item.id)).where(goods)).one()
    if endpoint.startswith("stock.") and name == "count_id":
        return session.scalars(sa.select(sa.func.min(models.StockCount.id))).one()
    if name in _ROWS:
        return session.scalars(sa.select(sa.func.min(_ROWS[name].__table__.c.id))).one()
    if name == "key":  # a table of the first maker's
        return sheets_of(session.get_one(models.Maker, 1).tables)[0].key
    if name == "event_id":  # a change of the first site's doors, which can be taken back
        changed = models.Event.kind == "doors changed together"
        return session.scalars(sa.select(models.Event.id).where(changed).limit(1)).one()
    return _WORDS_OF.get((endpoint, name)) or _WORDS[name]


def _number(endpoint: str, session: Session) -> int:
    """A job's number: of the one whose keys the bench cuts, or of the one that the endpoint is about."""
    if endpoint == "keys.receipt":
        return 1
    if endpoint in ("invoices.show", "invoices.pdf"):
        return session.scalars(sa.select(sa.func.min(models.Invoice.number))).one()
    job = sa.select(models.Job.number).order_by(models.Job.number)
    if endpoint.startswith("payments."):
        job = job.join(models.Payment, models.Payment.job_id == models.Job.id)
    elif endpoint.startswith("story."):
        job = job.join(models.JobFile, models.JobFile.job_id == models.Job.id)
    elif endpoint == "hand_overs.paper":
        job = job.where(models.Job.stage == models.Stage.CLOSED)
    elif endpoint in ("quotes.accept", "quotes.compare", "quotes.requote_page"):
        job = job.where(models.Job.stage == models.Stage.QUOTED)
    else:
        job = job.where(models.Job.stage == models.Stage.ON_THE_BENCH)  # the flats, whose papers print quickly
    return session.scalars(job.limit(1)).one()
