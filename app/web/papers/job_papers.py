"""Which papers a job has for the person who asks: the list on the job page, and what goes into the job folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

from app import documents
from app.documents import FactoryLine, FactoryOrder, payment_receipt_pdf
from app.ledger.bench.pins import pick_for_job
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.factory import FactoryGroup, FactoryWork, factory_makers, factory_work
from app.ledger.jobs.payments import payments_of
from app.ledger.keys.key_queries import signed_receipts
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.tables import QuoteRevision, Role
from app.web.access import may
from app.web.keys.views import receipt_paper
from app.web.keysystems.views import bitting_list
from app.web.navigation import address_of
from app.web.papers.source import JobSource

_LEVELS = {1: "Single keyed", 2: "Two levels: masters over changes", 3: "Three levels: grand, masters, changes"}
_STAMPING = (
    "Keys: the keyset's symbol and the copy number. Cylinders: the keyset's symbol, on the side that does not show. "
    "No bitting and no address on any of them."
)


_FACTORY_RECORDS = "The factory holds this system's records: the key bitting array and the list of bittings in use."
_OUR_RECORDS = (
    "We hold this system's records. Key only from the bittings that come with this order, sealed, from the owner by "
    "name; make no other bitting of this system, and say on the packing slip which were used."
)


def factory_order(asked: FactoryWork, made_by: str) -> FactoryOrder:
    """What the form says; no bitting is known here, since the factory makes them.

    made_by: who prints it, told while it was not ordered; after that it keeps the day and author of its ordering.
    """
    schedule = asked.schedule
    ordered_on, by = asked.ordered or (None, made_by)
    levels = _LEVELS.get(asked.levels, "Four levels: great grand, grands, masters, changes")
    return FactoryOrder(
        house=schedule.house,
        order_number=f"F-{schedule.job_number}-{asked.place}, revision {schedule.revision}",
        ordered_on=ordered_on,
        made_on=schedule.issued_on,
        by=by,
        maker_name=asked.maker_name,
        need_by=asked.need_by,
        ship_to=f"{schedule.house.name}\n{schedule.house.address}",
        system_name=asked.system_name,
        is_new_system=asked.is_new_system,
        records=_OUR_RECORDS if asked.is_from_our_records else _FACTORY_RECORDS,
        keying_instruction=f"{levels}. Key as scheduled below; no keyset's key may turn a cylinder that does not "
        "list it under “Operated by”.",
        stamping_instruction=_STAMPING,
        lines=tuple(_line(group) for group in asked.groups),
    )


def _line(group: FactoryGroup) -> FactoryLine:
    return FactoryLine(
        quantity=group.quantity,
        part_number=group.part_number,
        words=group.words,
        keyset=group.keyset,
        keying=group.keying,
        operated_by=", ".join(group.operated_by),
        keys=group.keys,
        stamping=group.stamp,
        mark_for=", ".join(group.openings),
    )


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
        *_payments(source),
        *_key_receipts(source),
        *_secret_papers(source),
    )


def papers_on_page(source: JobSource) -> tuple[Paper, ...]:
    """The same without quotes and payments: the job page tells of those in sections of their own."""
    return (*_open_papers(source), *_key_receipts(source), *_secret_papers(source))


def _paper(
    source: JobSource, words: str, name: str, *makes: tuple[str, Callable[[], bytes]], is_secret: bool = False
) -> Paper:
    number = source.job.number
    files = (
        PaperFile(
            form,
            f"{name}-{number}.{form.lower()}",
            address_of("papers.secret" if is_secret else "papers.show", number=number, name=f"{name}.{form.lower()}"),
            make,
        )
        for form, make in makes
    )
    return Paper(words, f"for job {number}", tuple(files), is_secret)


def _quotes(source: JobSource) -> Iterator[Paper]:
    job = source.job
    for revision in job.revisions:
        number = f"{job.number}-{revision.revision}"
        url = address_of("quotes.pdf", number=job.number, revision=revision.revision)
        make = partial(_quote, revision)
        yield Paper(f"Quote {number}", number, (PaperFile(PDF, f"quote-{number}.pdf", url, make),))
        if may("quotes.owner_pdf"):
            url = address_of("quotes.owner_pdf", number=job.number, revision=revision.revision)
            make = partial(_owner_quote, revision)
            yield Paper(
                f"Costs of quote {number}",
                number,
                (PaperFile(PDF, f"owner-{number}.pdf", url, make),),
            )


def _quote(revision: QuoteRevision) -> bytes:
    return documents.quote_pdf(read_snapshot(revision.snapshot))


def _owner_quote(revision: QuoteRevision) -> bytes:
    return documents.owner_quote_pdf(read_snapshot(revision.snapshot))


def _open_papers(source: JobSource) -> Iterator[Paper]:
    """What stands on paper for everybody: there is none of it before the quote is accepted."""
    job = source.job
    if source.has_cylinders:
        yield _paper(
            source,
            "Keying schedule, by door",
            "keying-schedule",
            (PDF, lambda: documents.schedule_pdf(source.schedule)),
            (XLSX, lambda: documents.schedule_xlsx(source.schedule)),
            (CSV, lambda: documents.schedule_csv(source.schedule)),
        )
        yield _paper(
            source,
            "Keying schedule, by keyset",
            "keyset-schedule",
            (PDF, lambda: documents.keyset_schedule_pdf(source.schedule)),
        )
        yield _paper(
            source,
            "Keys by holder",
            "key-holders",
            (PDF, lambda: documents.holders_pdf(source.holders)),
            (XLSX, lambda: documents.holders_xlsx(source.holders)),
            (CSV, lambda: documents.holders_csv(source.holders)),
        )
    if source.to_sign[1]:
        yield _paper(
            source, "Key receipt, to sign", "key-receipt", (PDF, lambda: documents.key_receipt_pdf(source.receipt))
        )
    if job.lines:
        yield _paper(
            source,
            "Hardware list",
            "hardware-list",
            (PDF, lambda: documents.hardware_list_pdf(source.hardware)),
            (XLSX, lambda: documents.hardware_xlsx(source.hardware)),
            (CSV, lambda: documents.hardware_csv(source.hardware)),
        )
    makers = factory_makers(source.work.session, job)
    for place, maker in enumerate(makers, start=1):
        make_pdf, make_xlsx = (partial(_order, source, maker, form) for form in (PDF, XLSX))
        yield _paper(source, f"Factory order, {maker}", f"factory-order-{place}", (PDF, make_pdf), (XLSX, make_xlsx))
    if source.has_cylinders:
        yield _paper(
            source,
            "Labels",
            "labels",
            (PDF, lambda: documents.labels_pdf(source.schedule, source.cylinder_address)),
        )


def _order(source: JobSource, maker: str, form: str) -> bytes:
    order = factory_order(factory_work(source.work, source.job, source.schedule, maker), source.work.actor.name)
    return documents.factory_order_pdf(order) if form == PDF else documents.factory_order_xlsx(order)


def _payments(source: JobSource) -> Iterator[Paper]:
    work, job = source.work, source.job
    if may("payments.receipt") and job.payments:
        house = house_head(get_house(work.session))
        for place, receipt in enumerate(payments_of(work.session, job.number).receipts, start=1):
            url = address_of("payments.receipt", number=job.number, place=place)
            name = f"receipt-{receipt.number}.pdf"
            make = partial(payment_receipt_pdf, house, receipt)
            yield Paper(f"Receipt {receipt.number}", receipt.number, (PaperFile(PDF, name, url, make),))


def _key_receipts(source: JobSource) -> Iterator[Paper]:
    if not source.named_systems:
        return
    systems = [system.id for system in source.named_systems]
    for number, holder in signed_receipts(source.work.session, source.job.id, systems):
        url = address_of("keys.receipt", number=number)
        make = partial(_key_receipt, source, number)
        yield Paper(
            f"Key receipt {number}, {holder}", str(number), (PaperFile(PDF, f"key-receipt-{number}.pdf", url, make),)
        )


def _key_receipt(source: JobSource, number: int) -> bytes:
    return documents.key_receipt_pdf(receipt_paper(source.work, number))


def _secret_papers(source: JobSource) -> Iterator[Paper]:
    """With bittings or pins: for bench and owner; the bitting list for the owner alone."""
    work, job = source.work, source.job
    if work.actor.role is Role.COUNTER or not (source.has_cylinders or source.systems or source.is_cut_here):
        return
    if "shop" in job.keyed_at:
        yield _paper(
            source,
            "Bench sheet",
            "bench-sheet",
            (PDF, lambda: documents.bench_sheet_pdf(source.bench)),
            is_secret=True,
        )
    if "shop" in job.keyed_at or source.is_cut_here:
        yield _paper(
            source, "Keys to cut", "keys-to-cut", (PDF, lambda: documents.keys_list_pdf(source.bench)), is_secret=True
        )
    if "shop" in job.keyed_at:
        yield _paper(
            source,
            "Pins to pick",
            "pins-to-pick",
            (PDF, lambda: documents.pick_list_pdf(source.pick_head, pick_for_job(work, job))),
            is_secret=True,
        )
    if may("keysystems.bitting_list_file"):
        for system in source.named_systems:
            make = partial(_bitting_list, source, system.id)
            url = address_of("keysystems.bitting_list_file", system_id=system.id)
            name = f"bitting-list-{system.id}.pdf"
            yield Paper(
                f"Bitting list, {system.name}",
                f"system {system.id}",
                (PaperFile(PDF, name, url, make),),
                is_secret=True,
            )


def _bitting_list(source: JobSource, system_id: int) -> bytes:
    return documents.bitting_list_pdf(bitting_list(source.work, system_id))
