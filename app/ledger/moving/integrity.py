"""What rows of an export have to be to each other: nothing that no use case could have brought about."""

import json
import re
from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from typing import Any

from app.errors import Problem
from app.ledger.keys.key_queries import RECEIPTS
from app.ledger.keysystems.sent_arrays import ARRAY_NUMBERS, ARRAY_SENT
from app.ledger.moving.rows_on_record import Values
from app.ledger.moving.tables import MovedTable
from app.ledger.tables import (
    ACCOUNT_NUMBERS,
    INVOICE_NUMBERS,
    ON_ACCOUNT,
    ORDER_NUMBERS,
    RETURN_NUMBERS,
    AccountPayment,
    Counter,
    Cylinder,
    Event,
    GoodsReturn,
    Invoice,
    Job,
    JobLine,
    Keyset,
    KeySystem,
    Payment,
    PurchaseOrder,
    QuoteRevision,
    Site,
    Stage,
    StockMovement,
)
from app.pricing import show_day

NumberedRows = Sequence[tuple[int, Values]]
"""Rows of values by column, each with its number in the file."""
_JOBS, _LINES, _QUOTES = Job.__tablename__, JobLine.__tablename__, QuoteRevision.__tablename__
_PAYMENTS, _STORY, _NUMBERS = Payment.__tablename__, Event.__tablename__, Counter.__tablename__
_KEYSETS, _CYLINDERS = Keyset.__tablename__, Cylinder.__tablename__
_MOVEMENTS = StockMovement.__tablename__
_NOT_ACCEPTED = (Stage.ASKED, Stage.QUOTED, Stage.LOST)
_MOVED = re.compile(r"[a-z ]+ → ([a-z ]+)(?::.*)?", re.DOTALL)
_BECOMES = {"job opened": Stage.ASKED, "quote issued": Stage.QUOTED, "quote accepted": Stage.APPROVED}


class MergedRows:
    """What would stand in this house after an import: the rows on record and those of the file, by table and key."""

    def __init__(self) -> None:
        self._moved: dict[str, MovedTable] = {}
        self._rows: dict[str, dict[Any, Values]] = defaultdict(dict)
        self._added: dict[str, NumberedRows] = defaultdict(tuple)
        self._numbers: dict[str, Mapping[Any, int]] = defaultdict(dict)

    def add(
        self,
        moved: MovedTable,
        known: Mapping[Any, Values],
        read: NumberedRows,
        added: NumberedRows,
    ) -> None:
        """One table: what is on record, what the file says, and what of that would be added or changed."""
        name, key = moved.table.name, moved.key.name
        self._moved[name] = moved
        self._rows[name] = {**known, **{values[key]: {**moved.defaults, **values} for _, values in added}}
        self._added[name] = added
        self._numbers[name] = {values[key]: number for number, values in read}

    def has(self, table: str, key: Any) -> bool:
        """Whether a row with this key would stand there."""
        return key in self._rows[table]

    def row(self, table: str, key: Any) -> Values:
        """The row with this key."""
        return self._rows[table][key]

    def rows(self, table: str) -> Iterable[Values]:
        """Every row that would stand there."""
        return self._rows[table].values()

    def added(self, table: str) -> NumberedRows:
        """The rows that the file adds or changes, each with its number in the file."""
        return self._added[table]

    def by_job(self, table: str) -> Mapping[int, list[Values]]:
        """A table's rows by the job that they belong to, each job's by their own numbers."""
        gathered: dict[int, list[Values]] = defaultdict(list)
        for key in sorted(self._rows[table]):
            values = self._rows[table][key]
            if values.get("job_id") is not None:
                gathered[values["job_id"]].append(values)
        return gathered

    def problem(self, table: str, key: Any, column: str, message: str) -> Problem:
        """A problem at a row of the file; at the whole table where the file does not hold that row."""
        moved, number = self._moved[table], self._numbers[table].get(key)
        if number is None:
            return Problem(moved.name, message)
        return moved.problem(number, column, message)


def integrity_problems(merged: MergedRows) -> list[Problem]:
    """Everything that cannot be as it stands in several rows, each named at one of them."""
    return [
        *_keysets(merged),
        *_jobs(merged),
        *_cylinders(merged),
        *_story(merged),
        *_last_numbers(merged),
        *_stock(merged),
    ]


def _keysets(merged: MergedRows) -> Iterator[Problem]:
    """Keysets under one of another key system, or under themselves: who walks up to the top would not arrive."""
    for _, values in merged.added(_KEYSETS):
        seen, parent = {values["id"]}, merged.row(_KEYSETS, values["id"])["parent_id"]
        if parent is not None and merged.row(_KEYSETS, parent)["system_id"] != values["system_id"]:
            refusal = "This keyset stands under one of another key system."
            yield merged.problem(_KEYSETS, values["id"], "parent_id", refusal)
        while parent is not None and parent not in seen:
            seen.add(parent)
            parent = merged.row(_KEYSETS, parent)["parent_id"]
        if parent is not None:
            yield merged.problem(_KEYSETS, values["id"], "parent_id", "This keyset stands under itself.")


def _stock(merged: MergedRows) -> Iterator[Problem]:
    """Movements by which less than nothing would lie at a place, or more would be reserved than is there."""
    if not merged.added(_MOVEMENTS):
        return
    sums: dict[tuple[int, int], list[int]] = defaultdict(lambda: [0, 0])
    for values in merged.rows(_MOVEMENTS):
        there = sums[values["item_id"], values["place_id"]]
        there[0] += values["on_hand"]
        there[1] += values["reserved"]
    for _, values in merged.added(_MOVEMENTS):
        on_hand, reserved = sums.pop((values["item_id"], values["place_id"]), (0, 0))
        if not 0 <= reserved <= on_hand:
            refusal = f"Of this item there would be {on_hand:,} on hand and {reserved:,} reserved at its place."
            yield merged.problem(_MOVEMENTS, values["id"], "on_hand", refusal)


def _cylinders(merged: MergedRows) -> Iterator[Problem]:
    lines = {(one["job_id"], one["number"]) for one in merged.rows(JobLine.__tablename__)}
    for _, values in merged.added(_CYLINDERS):
        job, line = values.get("job_id"), values.get("line_number")
        if line is not None and (job, line) not in lines:
            which = f"job {merged.row(_JOBS, job)['number']}" if job is not None else "a cylinder of no job"
            refusal = f"There is no line {line} of {which} in job lines."
            yield merged.problem(_CYLINDERS, values["id"], "line_number", refusal)


def _story(merged: MergedRows) -> Iterator[Problem]:
    receipts: dict[int, Any] = {}  # each is one holder's, of one day; a row for each keyset on it
    keysets: set[Any] = set()
    for _, values in merged.added(_STORY):
        key, detail, job = values["id"], values["detail"], values.get("job_id")
        word, _, number = values["subject"].rpartition(" ")
        is_job = job is not None and values["subject"] == f"job {merged.row(_JOBS, job)['number']}"
        is_system = word == "key system" and number.isdecimal() and merged.has(KeySystem.__tablename__, int(number))
        if not (is_job or is_system):
            refusal = "Write 'job' and the number of the job that this row points to, or 'key system' and its row."
            yield merged.problem(_STORY, key, "subject", refusal)
        payment = detail.get("payment")
        if payment is not None and not (
            merged.has(_PAYMENTS, payment) and merged.row(_PAYMENTS, payment)["job_id"] == job
        ):
            yield merged.problem(_STORY, key, "detail", f"There is no payment {payment} of this job in payments.")
        if values["kind"] in RECEIPTS:
            number, of_whom = detail["receipt"], (values["kind"], values["at"], detail["holder"], detail["customer"])
            keyset = (number, values["subject"], detail["symbol"])
            if receipts.setdefault(number, of_whom) != of_whom or keyset in keysets:
                yield merged.problem(_STORY, key, "detail", f"Receipt {number} stands in another row too.")
            keysets.add(keyset)


def _last_numbers(merged: MergedRows) -> Iterator[Problem]:
    """Numbers that would be given out twice."""
    jobs = max((values["number"] for _, values in merged.added(_JOBS)), default=0)
    receipts = (values["detail"].get("receipt", 0) for _, values in merged.added(_STORY))
    sent = (one["detail"]["number"] for _, one in merged.added(_STORY) if one["kind"] == ARRAY_SENT)
    invoices, accounts, returns = (
        max((values["number"] for _, values in merged.added(table.__tablename__)), default=0)
        for table in (Invoice, AccountPayment, GoodsReturn)
    )
    named = (values["number"].partition("-") for _, values in merged.added(PurchaseOrder.__tablename__))
    orders = max((int(digits) for letter, _, digits in named if letter == "P" and digits.isdecimal()), default=0)
    for name, given_out in (
        ("job", jobs),
        ("key receipt", max(receipts, default=0)),
        (ARRAY_NUMBERS, max(sent, default=0)),
        (INVOICE_NUMBERS, invoices),
        (ACCOUNT_NUMBERS, accounts),
        (RETURN_NUMBERS, returns),
        (ORDER_NUMBERS, orders),
    ):
        last = merged.row(_NUMBERS, name)["value"] if merged.has(_NUMBERS, name) else None
        if last is None and given_out:
            yield merged.problem(
                _NUMBERS, name, "name", f"There is no row {name!r}: add one with the value {given_out}."
            )
        elif last is not None and last < given_out:
            refusal = f"The {name} {given_out} was given out already: write {given_out} or more."
            yield merged.problem(_NUMBERS, name, "value", refusal)


def _jobs(merged: MergedRows) -> Iterator[Problem]:
    """Everything about the jobs that the file adds to, by its rows."""
    lines, quotes, payments = (merged.by_job(table) for table in (_LINES, _QUOTES, _PAYMENTS))
    touched = {values["id"] for _, values in merged.added(_JOBS)}
    for table in (_LINES, _QUOTES, _PAYMENTS):
        touched |= {values["job_id"] for _, values in merged.added(table)}
    stages = _last_stages(merged)
    fresh = {values["id"] for _, values in merged.added(_QUOTES)}
    for job_id in sorted(touched):
        job = merged.row(_JOBS, job_id)
        yield from _site(merged, job)
        yield from _stage(merged, job, quotes.get(job_id, ()), lines.get(job_id, ()))
        yield from _quotes(merged, job, quotes.get(job_id, ()), fresh)
        yield from _payments(merged, job, quotes.get(job_id, ()), payments.get(job_id, ()))
        last = stages.get(job_id)
        if last is not None and last is not job["stage"]:
            yield merged.problem(_JOBS, job_id, "stage", f"The job's story ends with {last.value}: write that here.")


def _site(merged: MergedRows, job: Values) -> Iterator[Problem]:
    site = job["site_id"]
    if site is not None and merged.row(Site.__tablename__, site)["customer_id"] != job["customer_id"]:
        yield merged.problem(_JOBS, job["id"], "site_id", "This site is another customer's.")


def _stage(merged: MergedRows, job: Values, quotes: Sequence[Values], lines: Sequence[Values]) -> Iterator[Problem]:
    """A stage that the job can have come to."""
    stage, words = job["stage"], job["stage"].word

    def problem(column: str, message: str) -> Problem:
        return merged.problem(_JOBS, job["id"], column, message)

    if stage is Stage.ASKED and quotes:
        yield problem("stage", "This job has a quote, so it is no longer asked: write quoted, or what became of it.")
    if stage not in (Stage.ASKED, Stage.LOST) and not quotes:
        yield problem("stage", f"A job is {words} after a quote, and quotes has none of it: put it back.")
    if stage in _NOT_ACCEPTED:
        if lines or job["accepted_on"] is not None:
            refusal = f"A quote of this job was accepted, so it is not {words}: write approved, or what it is by now."
            yield problem("stage", refusal)
        return
    if not lines:
        yield problem("stage", f"A job is {words} after a quote was accepted, and job lines has no line of it.")
    if not job["accepted_by"].strip():
        yield problem("accepted_by", f"A job is {words} after somebody accepted its quote: enter who.")
    if job["accepted_on"] is None:
        yield problem("accepted_on", f"A job is {words} after its quote was accepted: enter the day.")


def _quotes(merged: MergedRows, job: Values, quotes: Sequence[Values], fresh: Container[int]) -> Iterator[Problem]:
    for place, quote in enumerate(sorted(quotes, key=lambda one: int(one["revision"])), start=1):
        if quote["revision"] != place:
            refusal = f"The quotes of a job are numbered 1, 2, 3 …, and revision {place} of this job is missing."
            yield merged.problem(_QUOTES, quote["id"], "revision", refusal)
            return
        if quote["id"] not in fresh:
            continue
        number = json.loads(quote["snapshot"])["job_number"]
        if number != job["number"]:
            refusal = f"The quote itself is of job {number}, and this row of jobs is job {job['number']}."
            yield merged.problem(_QUOTES, quote["id"], "job_id", refusal)


def _payments(
    merged: MergedRows, job: Values, quotes: Sequence[Values], payments: Sequence[Values]
) -> Iterator[Problem]:
    paid = 0
    for payment in payments:
        # What is let off on account takes no money out; an earlier Bittern took what is on account for money in.
        if payment["cents"] > 0 or payment["means"] != ON_ACCOUNT:
            paid += payment["cents"]
        if paid < 0:
            refusal = "More is given back here than had come in for this job until then."
            yield merged.problem(_PAYMENTS, payment["id"], "cents", refusal)
            return
        if not quotes:
            refusal = "No quote of this job is in quotes, so nothing was due that could be paid."
            yield merged.problem(_PAYMENTS, payment["id"], "job_id", refusal)
        if payment["received_on"] < job["asked_on"]:
            refusal = f"The job was opened on {show_day(job['asked_on'])}; enter that day or a later one."
            yield merged.problem(_PAYMENTS, payment["id"], "received_on", refusal)


def _last_stages(merged: MergedRows) -> dict[int, Stage]:
    """Job → the stage at which its story ends, of jobs that are new here."""
    stages: dict[int, Stage] = {}
    fresh = {values["id"] for _, values in merged.added(_JOBS)}
    for _, values in merged.added(_STORY):
        job, kind = values.get("job_id"), values["kind"]
        if job is None or job not in fresh:
            continue
        if kind in _BECOMES:
            stages[job] = _BECOMES[kind]
        moved = _MOVED.fullmatch(values["summary"]) if kind == "stage moved" else None
        if moved is not None and moved[1] in set(Stage):
            stages[job] = Stage(moved[1])
    return stages
