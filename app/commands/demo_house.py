"""Load the invented supply house and its story from `demo_data`, through what a real house is entered with."""

import csv
import json
import random
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from app.errors import Problems
from app.keying import PinSize
from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.bench.pins import pin_sizes, set_stock
from app.ledger.bench.times import job_tasks, record_times
from app.ledger.care.opening import Ledger
from app.ledger.catalog.house_settings import HouseForm, set_bench_terms, set_factory_terms, set_house
from app.ledger.catalog.items import item_form, save_item
from app.ledger.catalog.maker_papers import PaperForm, add_paper, note_page
from app.ledger.catalog.maker_queries import get_item, list_makers
from app.ledger.catalog.makers import Ordering, import_maker, set_ordering
from app.ledger.catalog.price_book import price_changes, put_prices
from app.ledger.catalog.price_editing import set_tax_rule, set_tier
from app.ledger.catalog.specs import list_specs
from app.ledger.goods.handing_over import HandOverForm, hand_over, still_open
from app.ledger.goods.orders import ChosenToOrder, Ticked, make_drafts, send_order
from app.ledger.goods.to_order import what_to_order
from app.ledger.jobs.appointments import AppointmentForm, make_appointment
from app.ledger.jobs.notes import add_note
from app.ledger.jobs.queries import get_job
from app.ledger.jobs.reminders import ReminderForm, set_reminder
from app.ledger.jobs.stages import move_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keys.keys import KeyIssueForm, issue_keys, return_key
from app.ledger.keys.losses import lose_key
from app.ledger.keysystems.authority import change_records
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.money.invoicing import InvoiceForm, Invoicing, invoice_job, papers_of_money
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.people.users import add_user, list_users
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import QuoteRequest
from app.ledger.sites.customer_queries import find_customers
from app.ledger.sites.customers import CustomerForm, SiteForm, add_customer, add_site
from app.ledger.sites.door_paste import DoorRow, read_doors
from app.ledger.stock.counts import CountChoice, Found, begin_stock_count, enter_counts, plan_count, save_count
from app.ledger.stock.items import unpinned_item
from app.ledger.store.work import Actor, Work
from app.ledger.tables import CylinderState, Job, Key, KeyState, KeySystem, PageTopic, Role, Stage
from app.pricing import BenchTask, PriceKind, PriceRow, TaxRule, is_working_day, read_cents

# Invented, for the demo alone; a real house has no default account.
DEMO_LOGINS = (
    ("Cora", Role.COUNTER, "tide-counter-1"),
    ("Bram", Role.BENCH, "tide-bench-12"),
    ("Wren", Role.OWNER, "tide-owner-12"),
)
PINS_A_BIN = 1000
# Working days from an order to its promise, behind the college's on the bench.
_DAYS_TO_PROMISE = 8
# Minutes a piece: keys take longer than the book says, the rest as it says.
_MINUTES = {BenchTask.SET_UP: Decimal(40), BenchTask.PINNING: Decimal("9.5"), BenchTask.CUTTING: Decimal("1.5")}
_Step = Mapping[str, Any]


def load_people(work: Work) -> None:
    """The three demo logins."""
    for name, role, password in DEMO_LOGINS:
        add_user(work, name, role, password)


def load_house(work: Work, folder: Path, first_day: date) -> None:
    """Everything in the demo's data folder that is not a job; prices and terms hold from `first_day` on."""

    def read(name: str) -> Any:
        return json.loads((folder / name).read_text("utf-8"))

    def rows(name: str) -> "csv.DictReader[str]":
        return csv.DictReader((folder / name).read_text("utf-8").splitlines())

    set_house(work, HouseForm(**read("house.json")))
    for file in sorted((folder / "makers").glob("*.json")):
        maker = import_maker(work, read(f"makers/{file.name}"))
        set_ordering(work, maker.id, maker.version, Ordering(**read("ordering.json")[maker.code]))
    for row in rows("tiers.csv"):
        set_tier(work, row["name"], Decimal(row["percent off"]))
    prices = [_price(row, first_day) for row in rows("prices.csv")]
    put_prices(work, [*filter(None, price_changes(work.session, prices))])
    for row in rows("tax_rules.csv"):
        goods, labor = (row[name] == "yes" for name in ("goods taxed", "labor taxed"))
        set_tax_rule(work, TaxRule(row["place"], Decimal(row["rate percent"]), goods, labor, first_day))
    set_bench_terms(work, first_day, read("terms/bench.json"))
    for file in sorted((folder / "terms").glob("factory_*.json")):
        code = file.stem.removeprefix("factory_").upper()
        set_factory_terms(work, code, first_day, read(f"terms/{file.name}"))
    for row in rows("customers.csv"):
        _add_customer(work, row)
    for use in list_specs(work.session):
        sizes = pin_sizes(use.spec).items()
        set_stock(work, use.row.id, {PinSize(kind, size): PINS_A_BIN for kind, bins in sizes for size in bins})


def _price(row: Mapping[str, str], first_day: date) -> PriceRow:
    return PriceRow(
        code=row["code"],
        description=row["description"],
        category=row["category"],
        kind=PriceKind(row["kind"]),
        unit_cents=read_cents(row["price"], "price"),
        cost_cents=read_cents(row["cost"], "cost"),
        valid_from=first_day,
        tier=row["tier"] or None,
        quantity_from=int(row["quantity from"]),
    )


def load_papers(work: Work, folder: Path, files_folder: Path) -> None:
    """The makers' manuals, each named as its maker's code; what is known from which page is noted there."""
    for maker, _, _ in list_makers(work.session):
        file = folder / "papers" / f"{maker.code}.pdf"
        if file.exists():
            form = PaperForm("Cylinder manual", "Edition 7", work.today - timedelta(days=200))
            paper = add_paper(work, files_folder, maker.id, file.name, file.read_bytes(), form)
            note_page(work, paper.id, 4, PageTopic.CAM, "standard")


def load_shelf(work: Work, folder: Path) -> None:
    """The shelf counted for the first time, by part number, with bins and when each item is ordered anew."""
    makers = {maker.code: maker.id for maker, _, _ in list_makers(work.session)}
    count = begin_stock_count(work, CountChoice(is_first=True))
    found: dict[int, Found] = {}
    for row in csv.DictReader((folder / "stock.csv").read_text("utf-8").splitlines()):
        item = get_item(work.session, makers.get(row["maker"]), row["number"])
        if item is None:
            raise LookupError(row["number"])
        form = item_form(item)
        kept = replace(
            form,
            bin=row["bin"],
            pack_size=int(row["pack"]),
            reorder_point=int(row["reorder point"]),
            reorder_to=int(row["reorder to"]),
        )
        save_item(work, kept, item.id, item.version)
        found[item.id] = Found(int(row["count"]))
    unpinned = json.loads((folder / "terms" / "bench.json").read_text("utf-8"))["uncombinated_on_hand"]
    found |= {unpinned_item(work, sort).id: Found(there) for sort, there in unpinned.items()}
    enter_counts(work, count.id, found)
    save_count(work, count.id, plan_count(work.session, count).seal)


def _add_customer(work: Work, row: Mapping[str, str]) -> None:
    """A customer with sites of the same address; an exemption counts its days from today."""
    until = work.today + timedelta(days=int(row["exempt days"])) if row["exempt days"] else None
    names = ("name", "phone", "email", "address", "tier", "tax place", "exempt certificate", "notes")
    given = {name.replace(" ", "_"): row[name] for name in names}
    customer = add_customer(work, CustomerForm(**given, exempt_until=until))
    for site in row["sites"].split("|"):
        add_site(work, customer.id, SiteForm(site, row["address"], row["tax place"]))


@dataclass(slots=True)
class DemoShop:
    """The demo's hands: works as one of its people on a day before today, with a fixed seed."""

    ledger: Ledger
    folder: Path
    now: datetime
    rng: random.Random

    def work(self, base: Work, role: Role, days_ago: int = 0) -> Work:
        """The work of the person with this role, `days_ago`."""
        user = next(user for user in list_users(base.session) if user.role is role)
        return Work(base.session, base.vault, Actor.of(user), self.now - timedelta(days=days_ago), self.rng)


def load_jobs(shop: DemoShop, base: Work) -> dict[str, int]:
    """Every job of the story, quoted, accepted and moved on; the job numbers by a short name: flats, college, …."""
    jobs: dict[str, int] = {}
    _play(shop, base, "jobs", jobs)
    return jobs


def load_records(shop: DemoShop, base: Work, jobs: dict[str, int]) -> None:
    """What the jobs leave on record: keys with holders, one back, one overdue, one lost; money; bench times."""
    _play(shop, base, "records", jobs)
    bench = shop.work(base, Role.BENCH)
    for place, number in enumerate(jobs.values()):  # a little more with each
        tasks = job_tasks(bench.session, get_job(bench.session, number))
        slower = 1 + Decimal(place) / 20
        taken = {task.key: round(_MINUTES[task.task] * task.pieces * slower, 1) for task in tasks}
        record_times(bench, number, taken)


def _play(shop: DemoShop, base: Work, part: str, jobs: dict[str, int]) -> None:
    """One part of `story.json`, step by step: `do` names what `who` does to `job`, so many days ago."""
    story = json.loads((shop.folder / "story.json").read_text("utf-8"))
    for step in story[part]:
        days = _days_to_friday(shop.now.date()) if step.get("promised_on") == "friday" else step["days_ago"]
        work = shop.work(base, Role(step["who"]), days)
        if step["do"] == "quote":
            jobs[step["job"]] = _quote(work, step, story["cylinders"], jobs)
        else:
            _ACTS[step["do"]](shop, work, get_job(work.session, jobs[step["job"]]), step)


def _days_to_friday(today: date) -> int:
    """How many days ago a quote was accepted whose promise falls on this week's Friday."""
    day, count = today + timedelta(days=4 - today.weekday()), _DAYS_TO_PROMISE
    while count:
        day -= timedelta(days=1)
        count -= is_working_day(day)
    return (today - day).days


def _quote(work: Work, step: _Step, cylinders: _Step, jobs: Mapping[str, int]) -> int:
    """The number of the job that is quoted, or quoted anew. A line names a cylinder of `story.json` by its name."""
    ask = {"customer_id": 0, **step["ask"]}
    ask["lines"] = [
        {**line, "attributes": cylinders[line["attributes"]]} if "attributes" in line else line
        for line in ask["lines"]
    ]
    if "need_by_days" in step:
        ask["need_by"] = (work.now + timedelta(days=step["need_by_days"])).date().isoformat()
    if "customer" in step:
        customer = find_customers(work.session, step["customer"])[0]
        ask["customer_id"] = customer.id
        ask["site_id"] = next((site.id for site in customer.sites if site.name == step.get("site")), None)
    new = CustomerForm(**step["new_customer"]) if "new_customer" in step else None
    former = get_job(work.session, jobs[step["job"]]) if step["job"] in jobs else None
    form = IssueForm(
        QuoteRequest.from_json(ask),
        secrets.token_hex(16),
        new,
        job_id=former.id if former else None,
        job_version=former.version if former else None,
    )
    return work.session.get_one(Job, issue_quote(work, form).job_id).number


def _accept(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    doors: list[DoorRow] = []
    if "doors" in step:
        doors, problems = read_doors((shop.folder / step["doors"]).read_text("utf-8"))
        if problems:
            raise Problems(problems)
    form = AcceptForm(step["by"], work.today, job.version, step.get("order", ""), step.get("site", ""), tuple(doors))
    accept_quote(work, job.id, form)


def _move(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    for stage in map(Stage, step["to"]):
        if stage is Stage.CHECKED:
            every = [cylinder.id for cylinder in job.cylinders]
            tick_cylinders(work, job.number, every, CylinderState.PINNED)
            tick_cylinders(work, job.number, every, CylinderState.CHECKED)
            tick_keys(work, job.number, {key.keyset_id for key in keys_of_job(work.session, job.id)}, KeyState.CUT)
        if stage is Stage.HANDED_OVER:
            form = HandOverForm(job.accepted_by, still_open(work.session, job).mark)
            hand_over(work, job.id, job.version, form)
        else:
            move_job(work, job.id, job.version, stage, step.get("reason", ""))


def _cross_key(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    for opening in step["openings"]:
        cylinder = next(one for one in job.cylinders if one.door and one.door.opening_number == opening)
        cross_key(work, cylinder.id, step["keysets"])


def _order(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    """What a factory keys of the job is ordered there."""
    keyed = [(one.job.id, int(group.key)) for group in what_to_order(work) for one in group.keying if one.job is job]
    for draft in make_drafts(work, ChosenToOrder(keying=keyed)):
        send_order(work, draft.id, draft.version)


def load_orders(shop: DemoShop, base: Work) -> None:
    """What was down to its reorder point at Pell & Rowe was ordered sixteen days ago, and is late."""
    work = shop.work(base, Role.COUNTER, 16)
    for group in what_to_order(work):
        if group.maker is not None and group.maker.code == "PAR":
            chosen = ChosenToOrder([Ticked(one.item.id, one.quantity, one.mark) for one in group.items])
            for draft in make_drafts(work, chosen):
                send_order(work, draft.id, draft.version)


def _system(job: Job) -> KeySystem:
    (system,) = {cylinder.keyset.system for cylinder in job.cylinders if cylinder.keyset}
    return system


def _change_records(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    system = _system(job)
    change_records(work, system.id, system.version, job.customer.name, step["authority"])


def _issue_keys(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    due = work.today + timedelta(days=step["due_days"]) if "due_days" in step else None
    copies = tuple(step["copies"])
    issue_keys(
        work, KeyIssueForm(_system(job).id, step["symbol"], copies, step["holder"], step.get("phone", ""), due)
    )


def _key(job: Job, step: _Step) -> Key:
    keys = next(keyset.keys for keyset in _system(job).keysets if keyset.symbol == step["symbol"])
    return next(key for key in keys if key.copy_number == step["copy"])


def _return_key(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    key = _key(job, step)
    return_key(work, key.id, key.version)


def _lose_key(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    key = _key(job, step)
    lose_key(work, key.id, key.version, step["reason"])


def _pay(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    """The deposit that was asked, or else one `part`-th of the job's total, comes in or goes back."""
    kind, held = PaymentKind(step["kind"]), payments_of(work.session, job.number)
    asked = held.money.deposit_cents if kind is PaymentKind.DEPOSIT else 0
    cents = asked or held.money.total_cents // step.get("part", 2)
    form = PaymentForm(kind, cents, step["means"], work.today, step.get("note", ""))
    take_payment(work, job.number, held.version, form)


def _appoint(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    day, starts = work.today + timedelta(days=step["in_days"]), time.fromisoformat(step["from"])
    make_appointment(
        work, AppointmentForm(day, step["installer"], starts, step["minutes"], note=step["words"]), job_id=job.id
    )


def _remind(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    form = ReminderForm(work.today + timedelta(days=step["in_days"]), step["words"], Role(step["who"]))
    set_reminder(work, form, job_id=job.id)


def _invoice(shop: DemoShop, work: Work, job: Job, step: _Step) -> None:
    version = len(papers_of_money(work.session, job)) + 1
    invoice_job(work, job.number, version, InvoiceForm(Invoicing(step["which"]), secrets.token_hex(16)))


_ACTS: dict[str, Callable[[DemoShop, Work, Job, _Step], object]] = {
    "accept": _accept,
    "move": _move,
    "cross-key": _cross_key,
    "order": _order,
    "change records": _change_records,
    "note": lambda shop, work, job, step: add_note(work, job.number, step["words"]),
    "issue keys": _issue_keys,
    "return key": _return_key,
    "lose key": _lose_key,
    "pay": _pay,
    "invoice": _invoice,
    "appoint": _appoint,
    "remind": _remind,
}
