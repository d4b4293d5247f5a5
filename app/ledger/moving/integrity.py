"""What rows of an export have to be to each other: nothing that no use case could have brought about."""

from __future__ import annotations

from collections.abc import Iterator

from app.errors import Problem
from app.ledger.keys.key_queries import ISSUED
from app.ledger.moving.job_integrity import job_problems
from app.ledger.moving.merged_rows import MergedRows
from app.ledger.tables import Counter, Cylinder, Event, Job, JobLine, Keyset, KeySystem, Payment

_KEYSETS, _CYLINDERS, _NUMBERS = Keyset.__tablename__, Cylinder.__tablename__, Counter.__tablename__
_JOBS, _STORY, _PAYMENTS = Job.__tablename__, Event.__tablename__, Payment.__tablename__


def across_tables(found: MergedRows) -> list[Problem]:
    """Everything that cannot be as it stands in several rows, each named at one of them."""
    return [*_keysets(found), *job_problems(found), *_cylinders(found), *_story(found), *_last_numbers(found)]


def _keysets(found: MergedRows) -> Iterator[Problem]:
    """Keysets under one of another key system, or under themselves: who walks up to the top would not arrive."""
    for _, values in found.added(_KEYSETS):
        seen, parent = {values["id"]}, values.get("parent_id")
        if parent is not None and found.row(_KEYSETS, parent)["system_id"] != values["system_id"]:
            told = "This keyset stands under one of another key system."
            yield found.problem(_KEYSETS, values["id"], "parent_id", told)
        while parent is not None and parent not in seen:
            seen.add(parent)
            parent = found.row(_KEYSETS, parent).get("parent_id")
        if parent is not None:
            yield found.problem(_KEYSETS, values["id"], "parent_id", "This keyset stands under itself.")


def _cylinders(found: MergedRows) -> Iterator[Problem]:
    lines = {(one["job_id"], one["number"]) for one in found.rows(JobLine.__tablename__)}
    for _, values in found.added(_CYLINDERS):
        job, line = values.get("job_id"), values.get("line_number")
        if line is not None and (job, line) not in lines:
            which = f"job {found.row(_JOBS, job)['number']}" if job is not None else "a cylinder of no job"
            told = f"There is no line {line} of {which} in job lines."
            yield found.problem(_CYLINDERS, values["id"], "line_number", told)


def _story(found: MergedRows) -> Iterator[Problem]:
    receipts: set[int] = set()
    for _, values in found.added(_STORY):
        key, detail, job = values["id"], values["detail"], values.get("job_id")
        word, _, number = values["subject"].rpartition(" ")
        is_job = job is not None and values["subject"] == f"job {found.row(_JOBS, job)['number']}"
        is_system = word == "key system" and number.isdecimal() and found.has(KeySystem.__tablename__, int(number))
        if not (is_job or is_system):
            told = "Write 'job' and the number of the job that this row points to, or 'key system' and its row."
            yield found.problem(_STORY, key, "subject", told)
        payment = detail.get("payment")
        if payment is not None and not (
            found.has(_PAYMENTS, payment) and found.row(_PAYMENTS, payment)["job_id"] == job
        ):
            yield found.problem(_STORY, key, "detail", f"There is no payment {payment} of this job in payments.")
        if values["kind"] == ISSUED:
            if detail["receipt"] in receipts:
                yield found.problem(_STORY, key, "detail", f"Receipt {detail['receipt']} stands in another row too.")
            receipts.add(detail["receipt"])


def _last_numbers(found: MergedRows) -> Iterator[Problem]:
    """Numbers that would be given out twice."""
    jobs = max((values["number"] for _, values in found.added(_JOBS)), default=0)
    receipts = (values["detail"].get("receipt", 0) for _, values in found.added(_STORY))
    for name, given in (("job", jobs), ("key receipt", max(receipts, default=0))):
        last = found.row(_NUMBERS, name)["value"] if found.has(_NUMBERS, name) else None
        if last is None and given:
            yield found.problem(_NUMBERS, name, "name", f"There is no row {name!r}: add one with the value {given}.")
        elif last is not None and last < given:
            told = f"The {name} {given} was given out already: write {given} or more."
            yield found.problem(_NUMBERS, name, "value", told)
