"""The demo's jobs: asked, quoted, accepted and moved on through the same use cases as in the shop."""

from __future__ import annotations

import random
import secrets
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from fractions import Fraction
from pathlib import Path

from app.errors import Problems
from app.fitting import CylinderAttributes
from app.ledger.bench.checkoff import check_off, cut_off, pin_off
from app.ledger.care.opening import Ledger
from app.ledger.jobs.handing_over import HandOver, still_open
from app.ledger.jobs.notes import add_note
from app.ledger.jobs.stages import move_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.authority import change_records
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.people.users import list_users
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.replacing import AGREED
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.customer_queries import find_customers
from app.ledger.sites.customers import CustomerForm
from app.ledger.sites.door_paste import DoorRow, read_doors
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Customer, Job, LineKind, Role, Stage
from app.pricing import KeyingKind, is_working_day

MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
COLLEGE_MORTISE = replace(MORTISE, keyway="AQ3")
COLLEGE_RIM = CylinderAttributes("rim", Fraction(9, 8), 6, 6, "AQ3", None, "flat", "626")
BORED = CylinderAttributes("bored", None, 6, 6, "AQ1", None, "half-round", "626")
CORE = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
# The two stores are the last of North Hall's cylinders; their numbers are issued in no other hall.
STORES = ("N309", "N310")
FLATS_TAKE = 8  # working days from the flats' order to their promise, behind the college's on the bench


@dataclass(slots=True)
class DemoShop:
    """The demo's hands: works as one of its people on a day before today, with a fixed seed."""

    ledger: Ledger
    folder: Path
    now: datetime
    rng: random.Random

    def work(self, session_work: Work, role: Role, days_ago: int = 0) -> Work:
        """The work of the person with this role, `days_ago`."""
        user = next(user for user in list_users(session_work.session) if user.role is role)
        moment = self.now - timedelta(days=days_ago)
        return Work(session_work.session, session_work.vault, Actor.of(user), moment, self.rng)

    def doors(self, name: str) -> tuple[DoorRow, ...]:
        """A door list of the demo's data, read as the accept page reads a paste."""
        rows, problems = read_doors((self.folder / name).read_text("utf-8"))
        if problems:
            raise Problems(problems)
        return tuple(rows)


def _customer(work: Work, start: str) -> Customer:
    (found,) = [one for one in find_customers(work.session, start) if one.name.startswith(start)]
    return found


def _site(customer: Customer, name: str) -> int:
    return next(site.id for site in customer.sites if site.name == name)


def _quote(work: Work, ask: QuoteRequest, customer: CustomerForm | None = None) -> Job:
    revision = issue_quote(work, IssueForm(ask, secrets.token_hex(16), new_customer=customer))
    return work.session.get_one(Job, revision.job_id)


def _accept(work: Work, job: Job, by: str, po: str = "", doors: tuple[DoorRow, ...] = (), site: str = "") -> Job:
    return accept_quote(work, job.id, AcceptForm(by, work.today, job.version, po, site, doors))


def _move(work: Work, job: Job, *stages: Stage, reason: str = "") -> None:
    for stage in stages:
        if stage is Stage.CHECKED:
            every = [cylinder.id for cylinder in job.cylinders]
            pin_off(work, job.number, every)
            check_off(work, job.number, every)
            cut_off(work, job.number, {key.keyset_id for key in keys_of_job(work.session, job.id)})
        handing = HandOver(job.accepted_by, still_open(work.session, job).mark)
        said = reason if stage in (Stage.LOST, Stage.CANCELED) else ""
        move_job(work, job.id, job.version, stage, said, handing=handing)


def load_jobs(shop: DemoShop, base: Work) -> dict[str, int]:
    """Load every job of the demo; gives the job numbers by a short name: flats, college, walk-in, …."""
    jobs = {
        "closed": _corner_shop(shop, base),
        "lost": _lost(shop, base),
        "dental": _dental(shop, base),
        "college": _college(shop, base),
        "rekey": _rekey(shop, base),
        "walk-in": _walk_in(shop, base),
        "flats": _flats(shop, base),
        "office door": _office_door(shop, base),
        "two ways": _two_ways(shop, base),
        "factory": _factory(shop, base),
    }
    return {name: job.number for name, job in jobs.items()}


def _corner_shop(shop: DemoShop, base: Work) -> Job:
    counter, bench = shop.work(base, Role.COUNTER, 61), shop.work(base, Role.BENCH, 58)
    customer = _customer(counter, "Gull")
    lines = (
        LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.KA)),
        LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET"),
    )
    ask = QuoteRequest(customer.id, lines, _site(customer, "Shop"), "Front and back door alike")
    job = _quote(counter, ask)
    doors = (
        DoorRow(1, "FRONT", "Shop front", "RH", "Mortise lock"),
        DoorRow(2, "BACK", "Yard door", "LH", "Mortise lock"),
    )
    _accept(counter, job, "T. Gull", doors=doors)
    _move(bench, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    _move(shop.work(base, Role.COUNTER, 57), job, Stage.HANDED_OVER, Stage.CLOSED)
    return job


def _lost(shop: DemoShop, base: Work) -> Job:
    counter = shop.work(base, Role.COUNTER, 40)
    customer = _customer(counter, "Otterburn")
    cylinder = CylinderAttributes("rim", Fraction(9, 8), 5, None, "PR-P", None, "flat", "626")
    line = LineRequest(LineKind.CYLINDER, 8, "PAR", attributes=cylinder, keying=KeyingInstruction(KeyingKind.KD))
    job = _quote(counter, QuoteRequest(customer.id, (line,), _site(customer, "Mill Lane"), "Mill Lane rim locks"))
    _move(shop.work(base, Role.COUNTER, 30), job, Stage.LOST, reason="The landlord bought online.")
    return job


def _dental(shop: DemoShop, base: Work) -> Job:
    counter, bench = shop.work(base, Role.COUNTER, 16), shop.work(base, Role.BENCH, 12)
    customer = _customer(counter, "Lantern")
    line = LineRequest(LineKind.CYLINDER, 6, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    masters = LineRequest(LineKind.KEYS, 2, symbol="AA", attributes=replace(CORE, maker="NOR"))
    ask = QuoteRequest(
        customer.id,
        (line, masters),
        _site(customer, "Lantern Row"),
        "Cores for the practice",
        system=SystemRequest(name="Lantern Row Dental"),
    )
    job = _quote(counter, ask)
    rooms = ("Reception", "Surgery 1", "Surgery 2", "X-ray", "Records", "Staff")
    doors = tuple(
        DoorRow(n, f"D{n}", room, "RH", "Housing for small-format cores") for n, room in enumerate(rooms, start=1)
    )
    _accept(counter, job, "Dr A. Lantern", "LRD-88", doors)
    _move(bench, job, Stage.ON_THE_BENCH, Stage.CHECKED)
    return job


def _college(shop: DemoShop, base: Work) -> Job:
    counter = shop.work(base, Role.COUNTER, 4)
    customer = _customer(counter, "Saltmarsh Maritime")
    doors = shop.doors("college_doors.csv")
    halls = {"N": "AA", "S": "AB", "B": "AC"}
    lines = []
    for letter, master in halls.items():
        for cylinder, is_rim in ((COLLEGE_RIM, True), (COLLEGE_MORTISE, False)):
            count = sum(row.opening.startswith(letter) and ("Rim" in row.lock) is is_rim for row in doors)
            keying = KeyingInstruction(KeyingKind.GMK, master=master)
            lines.append(
                LineRequest(LineKind.CYLINDER, count, "ARD", attributes=cylinder, keying=keying, keys_each=2)
            )
    for symbol, count in (("A", 2), ("AA", 3), ("AB", 3), ("AC", 3)):
        lines.append(LineRequest(LineKind.KEYS, count, symbol=symbol, attributes=COLLEGE_MORTISE))
    ask = QuoteRequest(
        customer.id,
        tuple(lines),
        title="Three halls rekeyed before term",
        # Sooner than the factory could: the bench keys it.
        need_by=(counter.now + timedelta(days=20)).date(),
        system=SystemRequest(name="Saltmarsh Maritime College", levels=3, masters=3),
    )
    job = _quote(counter, ask)
    _accept(counter, job, "M. Sheldrake, bursar", "SMC-2207", doors, "Main campus")
    bench = shop.work(base, Role.BENCH, 3)
    for opening in STORES:
        store = next(one for one in job.cylinders if one.door and one.door.opening_number == opening)
        cross_key(bench, store.id, ["AB", "AC"])
    owner = shop.work(base, Role.OWNER, 3)
    (system,) = list_systems(owner.session, customer.id)
    change_records(owner, system.id, system.version, customer.name, "Letter of the bursar, M. Sheldrake")
    add_note(shop.work(base, Role.COUNTER, 3), job.number, "Ring the bursar the day before the keys are ready.")
    _move(bench, job, Stage.ON_THE_BENCH)
    return job


def _factory(shop: DemoShop, base: Work) -> Job:
    """Enough doors under one master that the factory keys them."""
    counter = shop.work(base, Role.COUNTER, 1)
    customer = _customer(counter, "Otterburn")
    attributes = replace(MORTISE, keyway="AQ2")
    count = 36
    line = LineRequest(
        LineKind.CYLINDER, count, "ARD", attributes=attributes, keying=KeyingInstruction(KeyingKind.MK)
    )
    ask = QuoteRequest(
        customer.id,
        (line, LineRequest(LineKind.KEYS, 2, symbol="AA", attributes=attributes)),
        _site(customer, "Upper Road"),
        "Upper Road, 36 lettings under one master",
        system=SystemRequest(name="Upper Road lettings"),
        keyed_at="factory",
        override_reason="The landlord wants the factory to keep the records",
    )
    job = _quote(counter, ask)
    doors = tuple(
        DoorRow(n, f"U{n:02}", f"Letting {n}", "LH" if n % 2 else "RH", "Mortise lock") for n in range(1, count + 1)
    )
    _accept(counter, job, "R. Otter", "OPC-310", doors)
    _move(counter, job, Stage.PARTS_ON_ORDER)
    return job


def _rekey(shop: DemoShop, base: Work) -> Job:
    counter = shop.work(base, Role.COUNTER, 26)  # the quote holds thirty days: somebody should ring
    customer = _customer(counter, "Gull")
    own = replace(MORTISE, length=None, drilled=None, cam=None, finish=None)
    lines = (
        LineRequest(LineKind.REKEY, 3, attributes=own, keying=KeyingInstruction(KeyingKind.KA), keys_each=2),
        LineRequest(LineKind.TRIP, 1, price_code="TRIP"),
        LineRequest(LineKind.LABOR, 2, price_code="LABOR-QUARTER"),
    )
    return _quote(counter, QuoteRequest(customer.id, lines, _site(customer, "Shop"), "Key lost, rekey three"))


def _walk_in(shop: DemoShop, base: Work) -> Job:
    counter = shop.work(base, Role.COUNTER)
    lines = (
        LineRequest(LineKind.PART, 2, part_number="A18M-Q1-66.SC", keying=KeyingInstruction(KeyingKind.KA)),
        LineRequest(LineKind.PART, 2, part_number="AC-10"),
        LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET"),
    )
    return _quote(counter, QuoteRequest(0, lines, title="Pair alike"), CustomerForm("I. Plover", "555-0191"))


def _working_days_before(day: date, count: int) -> date:
    while count:
        day -= timedelta(days=1)
        count -= is_working_day(day)
    return day


def _flats(shop: DemoShop, base: Work) -> Job:
    """Accepted so long ago that its promise falls into this week, on its Friday."""
    today = shop.now.date()
    friday = today + timedelta(days=4 - today.weekday())
    counter = shop.work(base, Role.COUNTER, (today - _working_days_before(friday, FLATS_TAKE)).days)
    customer = _customer(counter, "Harbourmaster")
    lines = (
        LineRequest(LineKind.CYLINDER, 24, "ARD", attributes=BORED, keying=KeyingInstruction(KeyingKind.MK)),
        LineRequest(LineKind.KEYS, 3, symbol="AA", attributes=BORED),
        LineRequest(LineKind.TRIP, 1, price_code="TRIP"),
    )
    ask = QuoteRequest(
        customer.id,
        lines,
        _site(customer, "The Flats"),
        "24 flats under one master",
        need_by=(counter.now + timedelta(days=18)).date(),
        system=SystemRequest(name="The Flats"),
    )
    job = _quote(counter, ask)
    return _accept(counter, job, "P. Harbour", "HF-24", shop.doors("flats_doors.csv"))


def _office_door(shop: DemoShop, base: Work) -> Job:
    """A door whose length needs a ring, in place of another make's cylinder, and a stile for the 2 in backset."""
    counter = shop.work(base, Role.COUNTER, 1)
    customer = _customer(counter, "Otterburn")
    cylinder = LineRequest(
        LineKind.PART,
        1,
        part_number="A20M-Q1-66.SC",
        keying=KeyingInstruction(KeyingKind.KD),
        replaces="31.114.P26",
        face_asked="The face will be Ardent Brass's instead of Pell & Rowe's.",
        face_answer=AGREED,
        fit=(("fit_lock", "Ferry 40 passage lock"), ("fit_door", "1-7/8")),
    )
    lines = (
        cylinder,
        LineRequest(LineKind.PART, 1, part_number="AG-01"),
        LineRequest(LineKind.PART, 1, part_number="AC-10"),
        LineRequest(
            LineKind.PART,
            1,
            part_number="A-CAPSTAN-2",
            fit=(("fit_lock", "Capstan 2 deadbolt"), ("fit_stile", "4"), ("fit_hole", "2-1/8")),
        ),
    )
    site = _site(customer, "Mill Lane")
    return _quote(counter, QuoteRequest(customer.id, lines, site, "Office door and yard gate"))


def _two_ways(shop: DemoShop, base: Work) -> Job:
    """A quote that was revised and offers both places of keying, with a question answered and one left open."""
    customer = _customer(shop.work(base, Role.COUNTER, 3), "Otterburn")
    line = LineRequest(LineKind.CYLINDER, 16, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(
        customer.id,
        (line,),
        _site(customer, "Upper Road"),
        "Upper Road under one master",
        system=SystemRequest(name="Upper Road"),
        answers=(("no-master-keys", "the caretaker takes one of the keys"),),
    )
    job = _quote(shop.work(base, Role.COUNTER, 3), ask)
    more = (replace(line, quantity=18), LineRequest(LineKind.TRIP, 1, price_code="TRIP"))
    ask = replace(ask, lines=more, option_b="shop")
    issue_quote(
        shop.work(base, Role.COUNTER), IssueForm(ask, secrets.token_hex(16), job_id=job.id, job_version=job.version)
    )
    return job
