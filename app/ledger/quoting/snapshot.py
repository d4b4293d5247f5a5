"""A quote as handed over: the frozen values that are saved, hashed, shown and printed."""

import hashlib
import json
from dataclasses import dataclass, field, fields, replace
from datetime import date
from typing import Any

from app.ledger.quoting.plan import Plan
from app.ledger.quoting.request import old_price_reason
from app.pricing import PricedLine, PriceKind, Totals
from app.validation import JsonDataclass

OPTIONS = ("A", "B")
WHERE = {"shop": "on our bench", "factory": "at the factory"}


@dataclass(frozen=True, slots=True)
class HouseHead:
    """What stands at the head of the house's papers."""

    name: str
    address: str
    phone: str
    email: str
    paper: str  # Letter or A4


@dataclass(frozen=True, slots=True)
class SnapshotLine:
    """One printed line. `label`: 1, 1a, 1b … (1a and 1b belong to line 1: its keying, its keys)."""

    label: str
    kind: str  # cylinder, part number, rekey, keying, keys, hardware, labor, trip
    words: str  # what it is, in words
    part_number: str
    keying: str  # "keyed alike in sets of 2", "" where nothing is keyed
    quantity: int
    unit_cents: int
    amount_cents: int  # with its own discount off
    is_labour: bool
    cost_cents: int  # of the whole line; never on a customer's paper
    remark: str = ""
    replaces: str = ""  # the cylinder that is on the door now
    face: str = ""  # that the customer was told of the change of face, and agreed
    price_reason: str = ""  # why its price or discount is the counter's own; never on a customer's paper
    discount_cents: int = 0  # off this line
    discount_note: str = ""  # "Less 10%, $9.80"

    @property
    def priced(self) -> PricedLine:
        """The line as totals are made of it and revisions are compared."""
        words = f"{self.words} {self.part_number}".strip()
        kind = PriceKind.LABOR if self.is_labour else PriceKind.GOODS
        return PricedLine(words, self.quantity, self.unit_cents, kind, off_cents=self.discount_cents)

    @property
    def is_part(self) -> bool:
        """Whether it belongs to the line above it."""
        return not self.label.isdigit()

    @property
    def margin_cents(self) -> int:
        """What of its amount is left after its cost; for the owner alone."""
        return self.amount_cents - self.cost_cents


@dataclass(frozen=True, slots=True)
class CostedWay:
    """One way to have the keying done, as costed: for the owner's and the counter's eyes."""

    name: str  # shop, factory or split
    possible: bool
    total_cents: int
    ready_on: date | None
    cost_lines: tuple[tuple[str, int], ...]
    why_not: tuple[str, ...]  # sentences a customer could be told
    detail: tuple[str, ...] = ()  # the figures behind them, for the owner alone

    @property
    def words(self) -> str:
        """Where it is keyed: shop, factory or both."""
        return "both" if self.name == "split" else self.name


@dataclass(frozen=True, slots=True)
class KeyingChoice:
    """Where one group of lines is keyed, and why. `overridden`: the counter chose against the computed choice."""

    group: str  # "Ardent Brass, 24 cylinders"
    lines: tuple[int, ...]  # the numbers of the lines in it
    choice: str  # shop, factory, or "" where neither is possible
    computed: str
    overridden: bool
    override_reason: str
    ready_on: date | None
    break_even: int | None
    reasons: tuple[str, ...]
    ways: tuple[CostedWay, ...]
    owner_notes: tuple[str, ...] = ()  # amounts; for the owner alone
    risks: tuple[str, ...] = ()  # what to look out for, without amounts; for the house
    quantity: int = 0  # cylinders in the group
    flips: tuple[str, ...] = ()  # what would turn the decision, with amounts: for the owner alone
    told_flips: tuple[str, ...] = ()  # the same without amounts
    curve: tuple[tuple[int, int, int | None], ...] = ()  # quantity, cents here, cents at the factory; for the owner
    in_two_places: bool = False  # one of the two parts of a group that is split
    in_two_deliveries: bool = False  # one of the two parts of a group that is keyed here, one before the other
    small_order_cents: int = (
        0  # what the factory charges beside for an order under its minimum; the quote passes it on
    )

    @property
    def way(self) -> str:
        """The name among `ways` of the one that was chosen."""
        return "split" if self.in_two_places else self.choice


@dataclass(frozen=True, slots=True)
class QuoteOption:
    """What is offered, priced as a whole: the quote itself, and the same lines keyed elsewhere where it offers two.

    The defaults are those of quotes that were issued before there was such a field.
    """

    lines: tuple[SnapshotLine, ...]
    totals: Totals
    keying: tuple[KeyingChoice, ...]
    ready_on: date | None
    lead_time: str  # a sentence for the customer
    cost_cents: int
    bench_minutes: int | None = None  # the shop's own keying work, rounded up; None: on the job alone
    deposit_cents: int = 0
    working_days: int | None = None  # from the day of issue until it is ready
    plan: Plan = field(default_factory=Plan)  # what accepting it does
    coming_changes: tuple[str, ...] = ()  # what becomes other before it is ready, with amounts and which day decides
    day_rule: str = ""  # the house's rule of which day decides, as the paper prints it
    of_hand_over: tuple[str, ...] = ()  # "tax", "prices": what is that of the day of hand-over

    @property
    def offered(self) -> dict[str, Any]:
        """These fields alone, by name: what an option has in common with a whole quote."""
        return {one.name: getattr(self, one.name) for one in fields(QuoteOption)}

    @property
    def margin_cents(self) -> int:
        """What is left of it before tax after its cost; for the owner alone."""
        return self.totals.subtotal_cents - self.cost_cents

    @property
    def keyed_at(self) -> str:
        """Where the keying is done: shop, factory, both with a stroke between, or "" where nothing is keyed."""
        return "/".join(dict.fromkeys(choice.choice for choice in self.keying if choice.choice))

    @property
    def where(self) -> str:
        """Where the keying is done, as the customer reads it: "keyed on our bench", "nothing is keyed"."""
        places = dict.fromkeys(WHERE[choice.choice] for choice in self.keying if choice.choice in WHERE)
        return f"keyed {' and '.join(places)}" if places else "nothing is keyed"


@dataclass(frozen=True, slots=True)
class AskedQuestion:
    """A question about a line that might be missing, as it stood when the quote was issued; for the house alone.

    answer: why the line is not needed; "" where nobody answered.
    """

    code: str
    question: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QuoteSnapshot(QuoteOption, JsonDataclass):
    """Everything a quote revision says; where it offers two ways, it is itself option A.

    Customer's papers show no cost, no way's total, no reason of an override or of a price of the counter's own.
    """

    house: HouseHead
    job_number: int
    revision: int
    issued_on: date
    valid_until: date
    issued_by: str
    customer_name: str
    customer_phone: str
    customer_address: str
    site_name: str
    site_address: str
    title: str
    need_by: date | None
    exclusions: str
    terms: str
    cautions: tuple[str, ...]
    ask: dict[str, Any]  # the request as the counter made it, so that the page can be filled again
    # What follows came later: quotes issued before are read with these answers.
    option_b: QuoteOption | None = None
    questions: tuple[AskedQuestion, ...] = ()


def as_accepted(snapshot: QuoteSnapshot, option: str) -> QuoteSnapshot:
    """The quote as the option says it: A is the quote itself, B its lines, totals, keying place and promise."""
    if option != "B" or snapshot.option_b is None:
        return snapshot
    return replace(snapshot, **snapshot.option_b.offered, option_b=None)


def snapshot_hash(text: str) -> str:
    """SHA-256 of the canonical JSON, 64 hex digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def read_snapshot(text: str) -> QuoteSnapshot:
    """The snapshot of a text that was kept, in this release or an earlier one."""
    return QuoteSnapshot.from_json(_with_reasons_apart(json.loads(text)))


def _with_reasons_apart(given: dict[str, Any]) -> dict[str, Any]:
    """Quotes issued before `price_reason` was: the remark on a price of the counter's own was the reason for it."""
    asked = given["ask"].get("lines", [])
    own = {str(number) for number, row in enumerate(asked, start=1) if old_price_reason(row)}
    if not own:
        return given
    for row in asked:
        if reason := old_price_reason(row):
            row.update(price_reason=reason, remark="")
    for offer in filter(None, (given, given.get("option_b"))):
        for line in offer["lines"]:
            if line["label"] in own:
                line.update(price_reason=line.get("remark", ""), remark="")
    return given
