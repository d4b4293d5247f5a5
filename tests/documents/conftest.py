"""The invented house's papers: a walk-in's quote, the college's schedule and bench work, and PDF readers."""

import io
import logging
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from fractions import Fraction
from functools import lru_cache

import pypdf
import pytest

from app.documents import BittingLine, BittingList, FactoryOrder
from app.keying import BittingSpec, pin, read_bitting
from app.ledger.bench.bench_sheet import BenchCylinder, BenchKey, BenchSystem, BenchWork
from app.ledger.jobs.cylinder_lines import ScheduleKeyset, ScheduleRow
from app.ledger.jobs.papers import JobHead, Schedule
from app.ledger.jobs.purchasing import FactoryGroup, FactoryWork
from app.ledger.keys.key_queries import KeyReceipt, ReceiptKey
from app.ledger.quoting.snapshot import CostedWay, HouseHead, KeyingChoice, QuoteSnapshot, SnapshotLine
from app.pricing import Totals

ISSUED = date(2031, 3, 4)


@pytest.fixture(autouse=True)
def no_layout_warnings(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """WeasyPrint only logs its faults; here they fail the test that met them, missing glyphs excepted."""
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        yield
    faults = [
        record.getMessage()
        for phase in ("setup", "call")
        for record in caplog.get_records(phase)
        if record.name.startswith("weasyprint") and ".notdef glyph" not in record.getMessage()
    ]
    assert faults == []


def make_house(paper: str = "Letter") -> HouseHead:
    return HouseHead(
        "Fenwick Quay Builders' Hardware",
        "12 Fenwick Quay\nSaltmarsh",
        "555-0142",
        "counter@fenwickquay.example",
        paper,
    )


@pytest.fixture(scope="session")
def house() -> Callable[..., HouseHead]:
    return make_house


def make_snapshot(paper: str = "Letter") -> QuoteSnapshot:
    lines = (
        SnapshotLine(
            "1", "cylinder", "Mortise cylinder, 1-1/8 in, six chambers, keyway AQ2, standard cam, satin chrome (626)",
            "AB-M118-6-AQ2-C1-626", "keyed alike in sets of 2 (KA2)", 2, 4850, 9700, False, 5391,
        ),
        SnapshotLine("1a", "keying", "Keying: keyed alike in sets of 2 (KA2)", "", "", 2, 900, 1800, True, 733),
        SnapshotLine("1b", "keys", "Keys, cut, two a cylinder", "", "", 4, 350, 1400, False, 377),
        SnapshotLine(
            "2", "rekey", "Rekey of the customer's own rim cylinders, five chambers, keyway AQ1",
            "", "keyed different (KD)", 3, 1800, 5400, True, 2219, "back door sticks: look at the tailpiece",
        ),
        SnapshotLine("3", "hardware", "Rim cylinder back plate and screws", "AB-BP2", "", 1, 625, 625, False, 241),
        SnapshotLine("4", "trip", "Trip to the site, within the town", "", "", 1, 4500, 4500, True, 3107),
    )  # fmt: skip
    return QuoteSnapshot(
        house=make_house(paper),
        job_number=1042,
        revision=2,
        issued_on=ISSUED,
        valid_until=date(2031, 4, 3),
        issued_by="Wren Tolliver",
        customer_name="Lantern Row Dental",
        customer_phone="555-0177",
        customer_address="3 Lantern Row\nSaltmarsh",
        site_name="Surgery, ground floor",
        site_address="3 Lantern Row, Saltmarsh",
        title="Front and back doors after a lost key",
        need_by=date(2031, 3, 14),
        ready_on=date(2031, 3, 7),
        lead_time="Three working days from acceptance, keyed at our bench.",
        lines=lines,
        totals=Totals(
            goods_cents=11725,
            labour_cents=11700,
            subtotal_cents=23425,
            tax_cents=967,
            total_cents=24392,
            tax_note="8.25 % of goods, Saltmarsh",
            rule="Each line is rounded to the cent, and its tax is rounded to the cent; half a "
            "cent counts as a whole one. All totals are sums of these.",
        ),
        keying=(
            KeyingChoice(
                group="Ardent Brass, 2 cylinders",
                lines=(1,),
                choice="shop",
                computed="factory",
                overridden=True,
                override_reason="customer waits at the counter",
                ready_on=date(2031, 3, 7),
                break_even=37,
                reasons=("The bench is free on Friday.", "The factory's minimum charge is above the bench's cost."),
                ways=(
                    CostedWay(
                        "shop", True, 7133, date(2031, 3, 7), (("Bench hours", 5133), ("Pins and blanks", 2000)), ()
                    ),
                    CostedWay(
                        "factory", False, 61717, date(2031, 4, 1), (("Set-up", 45000), ("Freight", 16717)),
                        ("The factory needs 15 working days, past the day it is needed.",),
                    ),
                ),
            ),
        ),
        exclusions="Door and frame work, electric strikes and anything not listed above.",
        terms="Payment on collection. Cut keys and keyed cylinders cannot be returned.",
        cautions=(
            "A lock that needs a key from inside may be unlawful on an exit door: ask the authority having "
            "jurisdiction.",
            "Key work may need a license where you are.",
        ),
        cost_cents=12068,
        ask={},
    )  # fmt: skip


@pytest.fixture(scope="session")
def snapshot() -> Callable[..., QuoteSnapshot]:
    return make_snapshot


SPEC = BittingSpec(
    chambers=6, depths=10, macs=7, step=2, stack_total=14, min_master_pin=2,
    depth0_in=Fraction("0.335"), increment_in=Fraction("0.015"), first_cut_in=Fraction("0.231"),
    spacing_in=Fraction("0.1562"), name="AQ six",
)  # fmt: skip
BITTINGS = {"A": "528614", "AA": "526636", "AA1": "346636", "AA2": "346656", "AA3": "366836"}


def make_head(paper: str = "Letter") -> JobHead:
    return JobHead(
        house=make_house(paper), job_number=1038, revision=0, title="Three halls, first phase",
        customer_name="Saltmarsh Maritime College", site_name="College, three halls",
        site_address="Signal Hill\nSaltmarsh", promised_on=date(2031, 4, 18), issued_on=ISSUED,
    )  # fmt: skip


def make_schedule(doors: int = 40, paper: str = "Letter") -> Schedule:
    halls = ("Tidewater Hall", "Compass Hall", "Lantern Hall")
    rows, keysets = [], [ScheduleKeyset("A", "grand master", "head porter", 0, 4)]
    for number in range(1, doors + 1):
        hall = number % 3
        symbol = f"A{'ABC'[hall]}{number}"
        crossed = number % 9 == 0
        store = "store, cross-keyed" if crossed else "study"
        rows.append(
            ScheduleRow(
                cylinder_id=number,
                opening_number=f"{'TCL'[hall]}-{100 + number}",
                location=f"{halls[hall]}, floor {1 + number % 4}, {store} {number}",
                hand=("LH", "RH", "LHR", "RHR")[number % 4],
                lock="mortise lock, classroom" if number % 2 else "bored lever, storeroom",
                position="outside" if number % 2 else "",
                words="Mortise cylinder, 1-1/8 in, six chambers, keyway AQ2, satin chrome (626)",
                part_number="AB-M118-6-AQ2-C1-626",
                keyset=f"{'X' if crossed else ''}{symbol}",
                operated_by=(symbol, *(("AC7", "AC8") if crossed else ()), f"A{'ABC'[hall]}", "A"),
                remarks="fit after the painters" if number % 7 == 0 else "",
                cautions=("Fire-rated door: field drilling is limited by the label and the local code.",)
                if number % 5 == 0
                else (),
            )
        )
        keysets.append(ScheduleKeyset(symbol, "change", store, 1, 2))
    return Schedule(
        head=make_head(paper), system_name="College GMK", keyed_at="shop", rows=tuple(rows), keysets=tuple(keysets)
    )


@pytest.fixture(scope="session")
def schedule() -> Callable[..., Schedule]:
    return make_schedule


def make_bench(paper: str = "Letter", spec: BittingSpec = SPEC) -> BenchWork:
    cut = {symbol: read_bitting(spec, text, symbol) for symbol, text in BITTINGS.items()}
    cylinders = tuple(
        BenchCylinder(
            keyset=symbol, quantity=2 if symbol == "AA1" else 1,
            words="Mortise cylinder, 1-1/8 in, six chambers, keyway AQ2, satin chrome (626)",
            openings=openings, operated_by=(symbol, "AA", "A"),
            pinning=pin(spec, {symbol: cut[symbol], "AA": cut["AA"], "A": cut["A"]}),
        )
        for symbol, openings in (("AA1", ("T-101", "T-102")), ("AA2", ("T-103",)), ("AA3", ()))
    )  # fmt: skip
    keys = tuple(BenchKey(symbol, text, 4 if symbol == "AA1" else 2) for symbol, text in BITTINGS.items())
    return BenchWork(
        head=make_head(paper), revealed_to="Marlow Finch",
        systems=(BenchSystem("College GMK", "AQ2", "AQ six", spec, keys, cylinders),),
    )  # fmt: skip


@pytest.fixture(scope="session")
def bench() -> Callable[..., BenchWork]:
    return make_bench


@pytest.fixture(scope="session")
def bench_without_inches() -> BenchWork:
    return make_bench(
        spec=replace(SPEC, depth0_in=None, increment_in=None, first_cut_in=None, spacing_in=None, stack_total=None)
    )


def pages_of(pdf: bytes) -> list[str]:
    """Each page's text, with runs of white space made one space: what a search in the file finds."""
    return list(_texts(pdf))


@lru_cache(maxsize=100)
def _texts(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="session")
def pages() -> Callable[[bytes], list[str]]:
    return pages_of


def make_receipt() -> KeyReceipt:
    return KeyReceipt(
        number="1038-3", issued_on=ISSUED, issued_by="Wren Tolliver",
        customer_name="Saltmarsh Maritime College", site_name="College, three halls", holder_name="Imke Farrow",
        holder_phone="555-0118", authority="letter of the bursar, 1 March 2031",
        keys=(
            ReceiptKey("AA", 2, "Tidewater Hall, all doors", stamp="AA 2"),
            ReceiptKey("AB4", 1, "C-104, study 4", date(2031, 6, 30), "AB4 1", blank="Ardent Brass AK6-12"),
        ),
    )  # fmt: skip


@pytest.fixture(scope="session")
def receipt() -> Callable[..., KeyReceipt]:
    return make_receipt


def make_order(paper: str = "Letter") -> FactoryOrder:
    groups = tuple(
        FactoryGroup(
            2, "AB-M118-6-AQ2-C1-626", "Mortise cylinder, 1-1/8 in, six chambers, keyway AQ2, satin chrome (626)",
            f"AA{number}", f"AA{number}", "master keyed (MK), alike in sets of 2", (f"AA{number}", "AA", "A"), 4,
            (f"T-{100 + number}", f"T-{200 + number}"),
        )
        for number in range(1, 31)
    )  # fmt: skip
    work = FactoryWork(
        house=make_house(paper), job_number=1042, revision=2, place=1, maker_name="Ardent Brass",
        system_name="College GMK", levels=3, is_new_system=True, is_from_our_records=True,
        need_by=date(2031, 4, 11), ordered=(ISSUED, "Wren Tolliver"), groups=groups,
    )  # fmt: skip
    return FactoryOrder(work, "Marlow Finch", ISSUED)


@pytest.fixture(scope="session")
def order() -> Callable[..., FactoryOrder]:
    return make_order


def make_bitting_list(paper: str = "Letter") -> BittingList:
    return BittingList(
        house=make_house(paper), system_name="College GMK", owner_of_record="Saltmarsh Maritime College",
        keyway="AQ2", spec_name="AQ six", printed_on=ISSUED, revealed_to="Petra Quill",
        lines=tuple(
            BittingLine(symbol, "change" if symbol[-1].isdigit() else "master", "study", bitting, "in use", 2)
            for symbol, bitting in BITTINGS.items()
        ),
    )  # fmt: skip


@pytest.fixture(scope="session")
def bitting_list() -> Callable[..., BittingList]:
    return make_bitting_list
