"""The counter page as texts: read, kept as a draft, and filled again from a request."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest

from app.fitting import CylinderAttributes
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.tables import LineKind
from app.pricing import KeyingKind
from app.web.counter.buttons import Press, apply
from app.web.counter.drafts import draft_of_request, from_draft, to_draft
from app.web.counter.forms import CounterForm
from app.web.counter.reading import MOST_LINES, Knowledge, read
from tests.stocked import HARDWARE, MORTISE, PART, posted

KNOWN = Knowledge(
    keyway_makers={"AQ1": "ARD", "AQ3": "ARD"},
    spellings={"aq1": "AQ1", "aq3": "AQ3", "standard": "standard"},
    finishes=("605", "626"),
    plain_numbers={"AC-10"},
    tiers=("trade",),
    site_ids=[4],
    system_ids=[9],
    system_name="The Flats",
)
CYLINDER = CylinderAttributes("mortise", Fraction(9, 8), 6, None, "AQ1", "standard", None, "626")


def page(*lines: dict[str, str], **head: object) -> CounterForm:
    return CounterForm(posted(*lines, **head))


def refused(form: CounterForm, known: Knowledge = KNOWN) -> dict[str, str]:
    """What is said of each box once the page is read."""
    read(form, known)
    told = [*form.told(), *(one for line in form.lines.forms for one in line.told())]
    return {one.field: one.message for one in told}


def problems(*lines: dict[str, str], **head: object) -> dict[str, str]:
    return refused(page(*lines, **head))


def test_a_cylinder_by_attributes_is_read() -> None:
    line = read(page(dict(MORTISE)), KNOWN).ask.lines[0]
    assert line == LineRequest(
        LineKind.CYLINDER, 2, "ARD", attributes=CYLINDER, keying=KeyingInstruction(KeyingKind.KA), keys_each=2
    )


def test_small_letters_an_older_finish_code_and_two_counts_of_chambers_are_understood() -> None:
    typed = {**MORTISE, "keyway": "aq3", "finish": "us26d", "chambers": "5/6", "length": "1.125", "tail": "Standard"}
    line = read(page(typed), KNOWN).ask.lines[0]
    assert line.attributes == CylinderAttributes("mortise", Fraction(9, 8), 5, 6, "AQ3", "standard", None, "626")
    assert line.maker_code == "ARD"


def test_nothing_is_keyed_on_hardware_unless_somebody_says_so() -> None:
    lines = read(page({**PART, "part_number": "ac-10"}, dict(PART)), KNOWN).ask.lines
    assert [(line.keying.kind, line.keys_each) for line in lines] == [(KeyingKind.NONE, 0), (KeyingKind.KD, 2)]


def test_a_new_system_is_named_for_its_site_unless_somebody_names_it() -> None:
    keyed = {**PART, "keying": "MK"}
    nothing_yet = replace(KNOWN, system_ids=[])
    assert read(page(keyed), nothing_yet).ask.system == SystemRequest(name="The Flats")
    assert read(page(keyed, system_id="new"), KNOWN).ask.system == SystemRequest(name="The Flats")
    assert read(page(keyed, system_id="new", system_name="Own"), KNOWN).ask.system == SystemRequest(name="Own")
    assert read(page(keyed, system_id="9"), KNOWN).ask.system == SystemRequest(existing_id=9)
    assert read(page(keyed), KNOWN).ask.system is None  # nobody chose yet: a new one would be billed unasked
    assert read(page(dict(PART)), KNOWN).ask.system is None


def test_single_keyed_lines_alone_need_no_system() -> None:
    assert read(page({**PART, "keying": "SKD"}), KNOWN).ask.system is None
    assert read(page({**PART, "keying": "SKD"}, system_id="9"), KNOWN).ask.system == SystemRequest(existing_id=9)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("quantity", "-2", "whole quantity"),
        ("quantity", "1.5", "whole quantity"),
        ("quantity", "", "whole quantity"),
        ("quantity", "two", "whole quantity"),
        ("quantity", "1" + "0" * 30, "too large"),
        ("quantity", "٣", "whole quantity"),
        ("keys_each", "-1", "whole number of keys"),
        ("set_size", "1", "2 or more"),
        ("unit_price", "twelve", "not an amount"),
        ("unit_price", "-3.00", "may not be negative"),
        ("unit_price", "9" * 60, "too long"),
        ("length", "long", "not a length that can be read"),
        ("length", "1/0", "divides by zero"),
        ("chambers", "13", "chambers that are pinned"),
        ("chambers", "6/5", "chambers that are pinned"),
        ("keyway", "Q" * 10_000, "10,000"),
        ("finish", "6" * 100, "100"),
        ("remark", "x" * 10_000, "10,000"),
        ("price_reason", "x" * 10_000, "10,000"),
        ("keying", "XYZ", "Choose how"),
        ("type", "round", "Choose mortise"),
        ("keyway", "AQ\x001", "cannot be written"),
    ],
)
def test_each_box_of_a_line_says_what_is_wrong_with_it(field: str, value: str, words: str) -> None:
    found = problems({**MORTISE, field: value})
    assert words in found[f"lines-0-{field}"], found


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("need_by", "2026-02-30", "no such day"),
        ("need_by", "soon", "no such day"),
        ("title", "x" * 10_000, "10,000"),
        ("customer_name", "", "Enter the customer's name"),
        ("customer_name", "N" * 10_000, "10,000"),
        ("customer_name", "A\0B", "cannot be written"),
        ("customer_phone", "5" * 41, "40"),
        ("customer_tier", "royal", "price tiers"),
        ("customer_exempt_certificate", "C-1", "expires"),
        ("customer_exempt_until", "2027-01-01", "certificate"),
        ("site", "s" * 121, "120"),
    ],
)
def test_each_box_of_the_head_says_what_is_wrong_with_it(field: str, value: str, words: str) -> None:
    assert any(words in message for message in problems(dict(HARDWARE), **{field: value}).values())


def test_a_day_reads_as_people_write_it() -> None:
    assert read(page(need_by="12/31/2026"), KNOWN).ask.need_by == date(2026, 12, 31)


def test_forged_ids_are_refused_beside_their_boxes() -> None:
    found = problems({**PART, "keying": "MK"}, customer_id="1", site_id="77", system_id="78")
    assert "another customer" in found["site_id"] and "another customer" in found["system_id"]
    strayed = refused(page({**PART, "keying": "MK"}, system_id="78"), replace(KNOWN, stray_system="Halls"))
    assert strayed["system_id"].startswith("Halls belongs to another customer")
    assert read(page(customer_id="9" * 30), KNOWN).ask.customer_id == 0


def test_lines_that_cannot_be_read_leave_the_others_their_places() -> None:
    reading = read(page({**PART, "quantity": "x"}, dict(HARDWARE)), KNOWN)
    assert [line.key for line in reading.lines] == [1] and [line.kind for line in reading.ask.lines] == [
        LineKind.HARDWARE
    ]


def test_five_hundred_lines_are_kept_and_refused() -> None:
    typed = page(*[dict(HARDWARE)] * 500)
    assert len(typed.lines.forms) == 500
    assert f"At most {MOST_LINES}" in refused(typed)[""]


def test_a_draft_reads_back_as_it_was() -> None:
    typed = page(dict(MORTISE), dict(HARDWARE), title="Two doors")
    again = from_draft(to_draft(typed), "t" * 32)
    assert to_draft(again) == to_draft(typed) and again.texts() == typed.texts()
    assert [
        line.texts().items() >= dict(sent).items()
        for line, sent in zip(again.lines.forms, (MORTISE, HARDWARE), strict=True)
    ]


@pytest.mark.parametrize("kept", [{}, {"lines": None}, {"lines": [1, {"kind": "trip", "quantity": None}]}, {"x": 1}])
def test_a_draft_of_another_version_still_opens(kept: dict[str, object]) -> None:
    assert from_draft(kept, "t").token.data == "t"


ASKS = (
    QuoteRequest(
        1, (LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=CYLINDER, keying=KeyingInstruction(KeyingKind.KD)),)
    ),
    QuoteRequest(
        1,
        (
            LineRequest(LineKind.PART, 24, "ARD", "A18M-Q1-66.SC", keying=KeyingInstruction(KeyingKind.MK, 2, "AB")),
            LineRequest(
                LineKind.PART,
                1,
                "PAR",
                "31.118.P26",
                replaces="A18M-Q1-66.SC",
                replaces_finish="626",
                face_asked="Another face.",
                face_answer="agreed",
                keying=KeyingInstruction(KeyingKind.KD),
                fit=(("fit_door", "1-7/8"), ("fit_key", "PK-91")),
            ),
            LineRequest(
                LineKind.REKEY, 3, attributes=CylinderAttributes("rim", None, 5, 6, "AQ1"), remark="both sides"
            ),
            LineRequest(LineKind.KEYS, 3, symbol="AA", attributes=CylinderAttributes("", keyway="AQ1"), keys_each=0),
            LineRequest(
                LineKind.HARDWARE,
                1,
                price_code="RING-SET",
                keys_each=0,
                unit_cents=1050,
                remark="painted",
                price_reason="as agreed",
            ),
            LineRequest(LineKind.TRIP, 1, price_code="TRIP", keys_each=0),
        ),
        site_id=4,
        title="Flats",
        need_by=date(2026, 12, 31),
        system=SystemRequest(name="Own", levels=3, masters=2),
        keyed_at="shop",
        override_reason="needed soon",
    ),
    QuoteRequest(
        1,
        (LineRequest(LineKind.PART, 2, keying=KeyingInstruction(KeyingKind.SKD), part_number="AD-Q1-66.SC"),),
        system=SystemRequest(existing_id=9),
    ),
)


@pytest.mark.parametrize("ask", ASKS)
def test_a_request_fills_the_page_and_reads_back_the_same(ask: QuoteRequest) -> None:
    assert QuoteRequest.from_json(ask.to_json()) == ask
    typed = from_draft(draft_of_request(ask), "t")
    assert read(typed, KNOWN).ask == ask
    assert refused(typed) == {}


def test_hardware_out_of_a_catalog_comes_back_by_its_number() -> None:
    asked = LineRequest(LineKind.HARDWARE, 2, "ARD", "AC-10", keys_each=0)
    line = read(from_draft(draft_of_request(QuoteRequest(1, (asked,))), "t"), KNOWN).ask.lines[0]
    assert (line.kind, line.part_number, line.keying.kind) == (LineKind.PART, "AC-10", KeyingKind.NONE)


def test_a_number_that_says_more_than_the_boxes_comes_back_by_its_number() -> None:
    zero = replace(CYLINDER, keying="zero-bitted")
    asked = LineRequest(LineKind.CYLINDER, 2, "ARD", "A18M-Q1-66.SC+Z", zero)
    (line,) = from_draft(draft_of_request(QuoteRequest(1, (asked,))), "t").lines.forms
    assert line.text("part_number") == "A18M-Q1-66.SC+Z"


def test_a_draft_of_an_earlier_version_has_its_reason_in_its_own_box() -> None:
    rows = [{"kind": "hardware", "unit_price": "4.00", "remark": "as agreed"}, {"kind": "hardware", "remark": "red"}]
    typed = from_draft({"lines": rows}, "t")
    assert [(line.text("price_reason"), line.text("remark")) for line in typed.lines.forms] == [
        ("as agreed", ""),
        ("", "red"),
    ]


def test_pressing_adds_copies_and_removes_lines() -> None:
    typed = page(dict(MORTISE), dict(HARDWARE))
    assert apply(typed, Press("duplicate", "0")) == "line-2"
    lines = [(line.key, line.sort) for line in typed.lines.forms]
    assert lines == [(0, "cylinder"), (2, "cylinder"), (1, "hardware")]
    apply(typed, Press("remove", "0"))
    assert [line.key for line in typed.lines.forms] == [2, 1]
    assert apply(typed, Press("add", "trip")) == "line-3"
    assert typed.lines.forms[-1].key == 3


@pytest.mark.parametrize(
    "press", [Press("add", "yacht"), Press("remove", "x"), Press("duplicate", "99999"), Press("remove", "-1")]
)
def test_a_forged_press_changes_nothing(press: Press) -> None:
    typed = page(dict(MORTISE))
    apply(typed, press)
    assert to_draft(typed) == to_draft(page(dict(MORTISE)))


def test_a_new_customer_takes_what_was_searched_for() -> None:
    for typed, box in (("I. Plover", "customer_name"), ("555-0191", "customer_phone")):
        form = CounterForm({"find": typed})
        apply(form, Press("choose", "new"))
        assert form.text(box) == typed


def test_a_request_kept_before_faces_were_asked_about_still_reads() -> None:
    ask = QuoteRequest(1, (LineRequest(LineKind.PART, 1, part_number="A18M-Q1-66.SC"),))
    kept = ask.to_json()
    for name in ("replaces", "replaces_finish", "face_asked", "face_answer", "fit"):
        del kept["lines"][0][name]
    assert QuoteRequest.from_json(kept) == ask
