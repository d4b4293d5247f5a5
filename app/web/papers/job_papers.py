"""A job's papers for the person who asks: what they are printed from, the list on the job page, what goes into the
job folder.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

from flask import abort, url_for

from app import documents
from app.documents import FactoryOrder, PaperTable
from app.ledger.bench.bench_sheet import BenchWork, bench_work
from app.ledger.bench.pins import pick_for_job, short_of_pins
from app.ledger.catalog.price_queries import get_house
from app.ledger.goods.hand_overs import HandOver, hand_overs_of, taker_of
from app.ledger.goods.handing_over import goes_to_site_first
from app.ledger.goods.order_queries import keying_order
from app.ledger.goods.order_snapshot import order_as_sent
from app.ledger.goods.papers import hand_over_sheet
from app.ledger.goods.returns import credit_notes_of, keys_brought, returns_of
from app.ledger.jobs.cylinder_lines import SystemLine, has_cylinders, key_counts
from app.ledger.jobs.papers import KeyHolders, Schedule, holders_of, schedule_of
from app.ledger.jobs.purchasing import HardwareList, factory_makers, factory_work, hardware_of
from app.ledger.jobs.schedule_revisions import print_schedule
from app.ledger.keys.key_queries import (
    KeyReceipt,
    ReceiptKey,
    find_receipt,
    keys_to_sign,
    say_blanks_cut,
    signed_receipts,
)
from app.ledger.keysystems.authority import authority_of, systems_of_job
from app.ledger.keysystems.lost_keysets import exposed_by, where_it_opens
from app.ledger.keysystems.system_queries import with_bittings
from app.ledger.money.invoice_snapshot import read_invoice
from app.ledger.money.invoicing import papers_of_money
from app.ledger.money.payments import payments_of
from app.ledger.quoting.factory_keyed import sent_keysets
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.key_lines import own_copies
from app.ledger.quoting.snapshot import HouseHead, QuoteSnapshot, read_snapshot
from app.ledger.store.numbers import invoice_number, key_receipt_number, quote_number, return_number
from app.ledger.store.work import Work
from app.ledger.tables import Invoice, Job, Key, Keyset, KeySystem, Level, Role
from app.validation import first_of
from app.web.access import may
from app.web.keysystems import bitting_list
from app.web.navigation import address_of
from app.web.services import the_config


class JobSource:
    """One job's view models, made when first asked for. `bench` opens bittings and puts that on record."""

    def __init__(self, work: Work, job: Job) -> None:
        self.work = work
        self.job = job

    @cached_property
    def house(self) -> HouseHead:
        """What stands at the head of its papers."""
        return house_head(get_house(self.work.session))

    @cached_property
    def schedule(self) -> Schedule:
        """The keying schedule; a page that says why where the job has none yet."""
        if not self.schedule_so_far.rows:
            abort(404, f"Job {self.job.number} has no cylinders yet: they come on record when its quote is accepted.")
        return self.schedule_so_far

    @cached_property
    def printed_schedule(self) -> Schedule:
        """The keying schedule as a revision of its own, which goes on record where it says something new."""
        return print_schedule(self.work, self.job) if self.schedule.rows else self.schedule

    @cached_property
    def schedule_so_far(self) -> Schedule:
        """The same, without a row where the job has no cylinder: further keys are sold alone, too."""
        return schedule_of(self.work, self.job)

    @cached_property
    def bench(self) -> BenchWork:
        """The bench's work, bittings open: an event."""
        return bench_work(self.work, self.job)

    @cached_property
    def has_cylinders(self) -> bool:
        """Whether its quote was accepted with something to key."""
        return has_cylinders(self.work.session, self.job.id)

    @cached_property
    def systems(self) -> Sequence[KeySystem]:
        """The key systems of its cylinders and keys."""
        return systems_of_job(self.work.session, self.job.id)

    @cached_property
    def named_systems(self) -> Sequence[SystemLine]:
        """The same by name, which is what their papers are listed by; the job page has found them already."""
        return [SystemLine(system.id, system.name) for system in self.systems]

    @cached_property
    def is_cut_here(self) -> bool:
        """Whether keys come with it that the bench cuts, where its cylinders are keyed at the factory too."""
        session, job = self.work.session, self.job
        return bool(own_copies(job) or set(key_counts(session, job.id)) - sent_keysets(session, job))

    @cached_property
    def hardware(self) -> HardwareList:
        """What purchasing brings in."""
        return hardware_of(self.work, self.job)

    @cached_property
    def holders(self) -> KeyHolders:
        """Who holds which key."""
        return holders_of(self.work, self.job, self.schedule)

    @cached_property
    def to_sign(self) -> tuple[str, Sequence[Key]]:
        """Who signs for keys of the job, and which."""
        session, job = self.work.session, self.job
        taker = taker_of(session, job.id) or job.accepted_by or job.customer.name
        signer, keys = keys_to_sign(session, job.id, taker, is_handed_over=job.stage.is_with_customer)
        of_site = [key for key in keys if key.keyset.level.is_of_construction]
        return signer, of_site if of_site and goes_to_site_first(session, job) else keys

    @cached_property
    def receipt(self) -> KeyReceipt:
        """The receipt that who takes the job's keys, or holds them, signs."""
        holder, keys = self.to_sign
        job, opens = self.schedule_so_far.head, self.schedule_so_far.opened_by
        works = {keyset: self._works(keyset, opens) for keyset in {key.keyset for key in keys}}
        return KeyReceipt(
            number=f"for job {job.job_number}, revision {job.revision}",
            issued_on=job.issued_on,
            issued_by=self.work.actor.name,
            customer_name=job.customer_name,
            site_name=job.site_name,
            holder_name=holder,
            holder_phone=self.job.customer.phone if holder in (self.job.accepted_by, job.customer_name) else "",
            authority="; ".join(filter(None, (authority_of(system) for system in self.systems))),
            keys=tuple(
                ReceiptKey(
                    key.keyset.symbol,
                    key.copy_number,
                    works[key.keyset],
                    key.due_back,
                    key.stamp,
                    blank=blank,
                )
                for key, blank in zip(keys, say_blanks_cut(self.work.session, keys), strict=True)
            ),
            is_handed_over=False,
        )

    def order(self, maker: str) -> FactoryOrder:
        """The order to one maker's factory."""
        on_record = keying_order(self.work.session, self.job.id, maker)
        if on_record is not None:
            known = FactoryOrder.of(order_as_sent(self.work, on_record))
            if known is not None:
                return known
        made = factory_work(self.work, self.job, self.schedule, maker)
        return FactoryOrder(made, self.work.actor.name, self.work.today)

    def bench_sheet(self) -> bytes:
        """The bench sheet, as PDF: the reveal is an event."""
        return documents.bench_sheet_pdf(self.bench, short_of_pins(self.work, self.job))

    def pick_list(self) -> bytes:
        """The pins to pick, as PDF: the reveal is an event."""
        picked = pick_for_job(self.work, self.job)
        return documents.pick_list_pdf(self.schedule.head, picked, self.work.actor.name)

    def _works(self, keyset: Keyset, opens: dict[str, list[str]]) -> str:
        """Where a key works, in a few words: in this job, or of one sold without a cylinder, on record."""
        if keyset.level is Level.CONTROL:
            return where_it_opens(keyset, ())
        if keyset.is_customers_key:
            return "; ".join(filter(None, (first_of(opens.get(keyset.symbol, []), 8), where_it_opens(keyset, ()))))
        if keyset.symbol in opens:
            return first_of(opens[keyset.symbol], 8)
        return where_it_opens(keyset, exposed_by(self.work.session, keyset))

    @staticmethod
    def cylinder_address(cylinder_id: int) -> str:
        """Where a cylinder's page is, as a label's code says it: at the address that phones of this house reach."""
        path = url_for("bench.cylinder", cylinder_id=cylinder_id)
        return (the_config().address or url_for("login.home", _external=True)).rstrip("/") + path


CSV, PDF, XLSX = "CSV", "PDF", "XLSX"


@dataclass(frozen=True, slots=True)
class PaperFile:
    """One form of a paper: its file's name, where it opens, and what makes it."""

    form: str
    name: str
    url: str
    make: Callable[[], bytes] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper in its forms, the first of them the usual one. is_secret: bittings or pins are in it."""

    words: str
    number: str
    files: tuple[PaperFile, ...]
    is_secret: bool = False


def papers_of(source: JobSource) -> tuple[Paper, ...]:
    """Every paper of the job that this person may see, none of them made yet. The quotes come first."""
    return (
        *_quotes(source),
        *_open_papers(source),
        *_invoices(source),
        *_payments(source),
        *_hand_overs(source),
        *_returns(source),
        *_key_receipts(source),
        *_secret_papers(source),
    )


def papers_on_page(source: JobSource) -> tuple[Paper, ...]:
    """The same without quotes and payments: the job page tells of those in sections of their own."""
    return (*_open_papers(source), *_hand_overs(source), *_key_receipts(source), *_secret_papers(source))


def _paper(
    source: JobSource,
    words: str,
    name: str,
    make: Callable[[], bytes],
    table: Callable[[], PaperTable] | None = None,
    *,
    has_csv: bool = True,
    is_secret: bool = False,
) -> Paper:
    """A paper that is opened by its name under the job's address; table: its rows, where it has any."""
    job = source.job.number
    makes = [(PDF, make)]
    if table is not None:
        makes.append((XLSX, lambda: table().xlsx()))
        if has_csv:
            makes.append((CSV, lambda: table().csv()))
    endpoint = "papers.secret" if is_secret else "papers.show"
    files = []
    for form, made_by in makes:
        ending = form.lower()
        url = address_of(endpoint, number=job, name=f"{name}.{ending}")
        files.append(PaperFile(form, f"{name}-{job}.{ending}", url, made_by))
    return Paper(words, f"for job {job}", tuple(files), is_secret)


def _elsewhere(words: str, number: str, name: str, url: str, make: Callable[[], bytes]) -> Paper:
    """A paper in the job's folder that has an address of another room."""
    return Paper(words, number, (PaperFile(PDF, f"{name}.pdf", url, make),))


def _quotes(source: JobSource) -> Iterator[Paper]:
    job = source.job.number
    for row in source.job.revisions:
        number, revision, text = quote_number(job, row.revision), row.revision, row.snapshot
        for words, name, endpoint, printed in (
            ("Quote", "quote", "quotes.pdf", documents.quote_pdf),
            ("Costs of quote", "owner", "quotes.owner_pdf", documents.owner_quote_pdf),
        ):
            if may(endpoint):
                url = address_of(endpoint, number=job, revision=revision)
                make = partial(_printed_quote, printed, text)
                yield _elsewhere(f"{words} {number}", number, f"{name}-{job}-{revision}", url, make)


def _printed_quote(printed: Callable[[QuoteSnapshot], bytes], text: str) -> bytes:
    return printed(read_snapshot(text))


def _open_papers(source: JobSource) -> Iterator[Paper]:
    """What stands on paper for everybody: there is none of it before the quote is accepted."""
    if source.has_cylinders:
        yield _paper(
            source,
            "Keying schedule, by door",
            "keying-schedule",
            lambda: documents.schedule_pdf(source.printed_schedule),
            lambda: documents.schedule_table(source.printed_schedule),
        )
        yield _paper(
            source,
            "Keying schedule, by keyset",
            "keyset-schedule",
            lambda: documents.keyset_schedule_pdf(source.printed_schedule),
        )
        yield _paper(
            source,
            "Keys by holder",
            "key-holders",
            lambda: documents.holders_pdf(source.holders),
            lambda: documents.holders_table(source.holders),
        )
    if source.to_sign[1]:
        yield _paper(
            source,
            "Key receipt, to sign",
            "key-receipt",
            lambda: documents.key_receipt_pdf(source.house, source.receipt),
        )
    if source.job.lines:
        yield _paper(
            source,
            "Hardware list",
            "hardware-list",
            lambda: documents.hardware_list_pdf(source.hardware),
            lambda: documents.hardware_table(source.hardware),
        )
    for place, maker in enumerate(factory_makers(source.work.session, source.job), start=1):
        order = partial(source.order, maker)
        yield _paper(
            source,
            f"Factory order, {maker}",
            f"factory-order-{place}",
            lambda order=order: documents.factory_order_pdf(order()),  # type: ignore[misc]
            lambda order=order: documents.factory_order_table(order()),  # type: ignore[misc]
            has_csv=False,
        )
    if source.has_cylinders:
        yield _paper(
            source, "Labels", "labels", lambda: documents.labels_pdf(source.schedule, source.cylinder_address)
        )


def _invoices(source: JobSource) -> Iterator[Paper]:
    if not may("invoices.pdf"):
        return
    for one in papers_of_money(source.work.session, source.job):
        number, url = invoice_number(one.number), address_of("invoices.pdf", number=one.number)
        make = partial(_printed_invoice, one)
        yield _elsewhere(f"{one.kind.words} {number}", number, f"invoice-{one.number}", url, make)


def _printed_invoice(invoice: Invoice) -> bytes:
    return documents.invoice_pdf(read_invoice(invoice.snapshot))


def _payments(source: JobSource) -> Iterator[Paper]:
    work, job = source.work, source.job
    if may("jobs.receipt") and job.payments:
        for place, receipt in enumerate(payments_of(work.session, job.number).receipts, start=1):
            url = address_of("jobs.receipt", number=job.number, place=place)
            make = partial(documents.payment_receipt_pdf, source.house, receipt)
            yield _elsewhere(f"Receipt {receipt.number}", receipt.number, f"receipt-{job.number}-{place}", url, make)


def _hand_overs(source: JobSource) -> Iterator[Paper]:
    """A receipt each time that somebody took something."""
    job = source.job
    if not job.stage.was_accepted:
        return
    for handed in hand_overs_of(source.work.session, job):
        url = address_of("hand_overs.paper", number=job.number, place=handed.place)
        make = partial(_hand_over_receipt, source, handed)
        words = f"Hand-over receipt {handed.number}, {handed.taken_by}"
        yield _elsewhere(words, handed.number, f"hand-over-{job.number}-{handed.place}", url, make)


def _hand_over_receipt(source: JobSource, handed: HandOver) -> bytes:
    return documents.hand_over_pdf(hand_over_sheet(source.work, source.job, source.schedule_so_far, handed))


def _returns(source: JobSource) -> Iterator[Paper]:
    """A slip each time that somebody brought something back; the job page tells of them by themselves."""
    if not may("returns.slip"):
        return
    for back in returns_of(source.work.session, source.job.id):
        number, url = (
            return_number(back.number),
            address_of("returns.slip", number=source.job.number, place=back.number),
        )
        session = source.work.session
        told = credit_notes_of(session, back), keys_brought(session, back)
        make = partial(documents.return_slip_pdf, source.house, source.job, back, *told)
        yield _elsewhere(f"Return slip {number}", number, f"return-{source.job.number}-{back.number}", url, make)


def _key_receipts(source: JobSource) -> Iterator[Paper]:
    if not source.named_systems:
        return
    systems = [system.id for system in source.named_systems]
    for number, holder in signed_receipts(source.work.session, source.job.id, systems):
        said = key_receipt_number(number)
        words, url = f"Key receipt {said}, {holder}", address_of("keys.receipt", number=number)
        make = partial(_key_receipt, source, number)
        yield _elsewhere(words, said, f"key-receipt-{number}", url, make)


def _key_receipt(source: JobSource, number: int) -> bytes:
    return documents.key_receipt_pdf(source.house, find_receipt(source.work.session, number))


def _secret_papers(source: JobSource) -> Iterator[Paper]:
    """With bittings or pins: for bench and owner; the bitting list for the owner alone."""
    work, job = source.work, source.job
    if work.actor.role is Role.COUNTER or not (source.has_cylinders or source.systems or source.is_cut_here):
        return
    is_keyed_here = "shop" in job.keyed_at
    secrets = [
        ("Bench sheet", "bench-sheet", is_keyed_here, source.bench_sheet),
        (
            "Keys to cut",
            "keys-to-cut",
            is_keyed_here or source.is_cut_here,
            lambda: documents.keys_list_pdf(source.bench),
        ),
        ("Pins to pick", "pins-to-pick", is_keyed_here, source.pick_list),
    ]
    for words, name, is_wanted, make in secrets:
        if is_wanted:
            yield _paper(source, words, name, make, is_secret=True)
    if may("keysystems.bitting_list_file"):
        listed = with_bittings(source.work.session, [system.id for system in source.named_systems])
        for system in (one for one in source.named_systems if one.id in listed):
            url = address_of("keysystems.bitting_list_file", system_id=system.id)
            make = partial(_bitting_list, source, system.id)
            words = f"Bitting list, {system.name}"
            found = _elsewhere(words, f"system {system.id}", f"bitting-list-{system.id}", url, make)
            yield replace(found, is_secret=True)


def _bitting_list(source: JobSource, system_id: int) -> bytes:
    return documents.bitting_list_pdf(bitting_list(source.work, system_id))
