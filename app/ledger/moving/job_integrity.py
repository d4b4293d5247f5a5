"""What a job, its quotes, lines, payments and story have to be to each other."""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterator, Sequence

from app.errors import Problem
from app.ledger.moving.merged_rows import MergedRows, Values
from app.ledger.tables import ON_ACCOUNT, Event, Job, JobLine, Payment, QuoteRevision, Site, Stage

_JOBS, _LINES, _QUOTES = Job.__tablename__, JobLine.__tablename__, QuoteRevision.__tablename__
_PAYMENTS, _STORY = Payment.__tablename__, Event.__tablename__
NOT_ACCEPTED = (Stage.ASKED, Stage.QUOTED, Stage.LOST)
_MOVED = re.compile(r"[a-z ]+ → ([a-z ]+)(?::.*)?", re.DOTALL)
_BECOMES = {"job opened": Stage.ASKED, "quote issued": Stage.QUOTED, "quote accepted": Stage.APPROVED}


def job_problems(found: MergedRows) -> Iterator[Problem]:
    """Everything about the jobs that the file adds to, by its rows."""
    lines, quotes, payments = (found.by_job(table) for table in (_LINES, _QUOTES, _PAYMENTS))
    touched = {values["id"] for _, values in found.added(_JOBS)}
    for table in (_LINES, _QUOTES, _PAYMENTS):
        touched |= {values["job_id"] for _, values in found.added(table)}
    stages = _stages_told(found)
    fresh = {values["id"] for _, values in found.added(_QUOTES)}
    for job_id in sorted(touched):
        job = found.row(_JOBS, job_id)
        yield from _site(found, job)
        yield from _stage(found, job, quotes.get(job_id, ()), lines.get(job_id, ()))
        yield from _quotes(found, job, quotes.get(job_id, ()), fresh)
        yield from _payments(found, job, quotes.get(job_id, ()), payments.get(job_id, ()))
        told = stages.get(job_id)
        if told is not None and told is not job["stage"]:
            says = f"The job's story ends with {told.value}: write that here."
            yield found.problem(_JOBS, job_id, "stage", says)


def _site(found: MergedRows, job: Values) -> Iterator[Problem]:
    site = job.get("site_id")
    if site is not None and found.row(Site.__tablename__, site)["customer_id"] != job["customer_id"]:
        yield found.problem(_JOBS, job["id"], "site_id", "This site is another customer's.")


def _stage(found: MergedRows, job: Values, quotes: Sequence[Values], lines: Sequence[Values]) -> Iterator[Problem]:
    """A stage that the job can have come to."""
    stage, words = job["stage"], job["stage"].value

    def problem(column: str, message: str) -> Problem:
        return found.problem(_JOBS, job["id"], column, message)

    if stage is Stage.ASKED and quotes:
        yield problem("stage", "This job has a quote, so it is no longer asked: write quoted, or what became of it.")
    if stage not in (Stage.ASKED, Stage.LOST) and not quotes:
        yield problem("stage", f"A job is {words} after a quote, and quotes has none of it: put it back.")
    if stage in NOT_ACCEPTED:
        if lines or job.get("accepted_on") is not None:
            told = f"A quote of this job was accepted, so it is not {words}: write approved, or what it is by now."
            yield problem("stage", told)
        return
    if not lines:
        yield problem("stage", f"A job is {words} after a quote was accepted, and job lines has no line of it.")
    if not job.get("accepted_by", "").strip():
        yield problem("accepted_by", f"A job is {words} after somebody accepted its quote: enter who.")
    if job.get("accepted_on") is None:
        yield problem("accepted_on", f"A job is {words} after its quote was accepted: enter the day.")


def _quotes(found: MergedRows, job: Values, quotes: Sequence[Values], fresh: Container[int]) -> Iterator[Problem]:
    for place, quote in enumerate(sorted(quotes, key=lambda one: int(one["revision"])), start=1):
        if quote["revision"] != place:
            told = f"The quotes of a job are numbered 1, 2, 3 …, and revision {place} of this job is missing."
            yield found.problem(_QUOTES, quote["id"], "revision", told)
            return
        if quote["id"] not in fresh:
            continue
        number = json.loads(quote["snapshot"])["job_number"]
        if number != job["number"]:
            told = f"The quote itself is of job {number}, and this row of jobs is job {job['number']}."
            yield found.problem(_QUOTES, quote["id"], "job_id", told)


def _payments(
    found: MergedRows, job: Values, quotes: Sequence[Values], payments: Sequence[Values]
) -> Iterator[Problem]:
    paid = 0
    for payment in payments:
        # What is let off on account takes no money out; an earlier Bittern took what is on account for money in.
        if payment["cents"] > 0 or payment["means"] != ON_ACCOUNT:
            paid += payment["cents"]
        if paid < 0:
            told = "More is given back here than had come in for this job until then."
            yield found.problem(_PAYMENTS, payment["id"], "cents", told)
            return
        if not quotes:
            told = "No quote of this job is in quotes, so nothing was due that could be paid."
            yield found.problem(_PAYMENTS, payment["id"], "job_id", told)
        if payment["received_on"] < job["asked_on"]:
            told = f"The job was opened on {job['asked_on'].isoformat()}; enter that day or a later one."
            yield found.problem(_PAYMENTS, payment["id"], "received_on", told)


def _stages_told(found: MergedRows) -> dict[int, Stage]:
    """Job → the stage at which its story ends, of jobs that are new here."""
    stages: dict[int, Stage] = {}
    fresh = {values["id"] for _, values in found.added(_JOBS)}
    for _, values in found.added(_STORY):
        job, kind = values.get("job_id"), values["kind"]
        if job is None or job not in fresh:
            continue
        if kind in _BECOMES:
            stages[job] = _BECOMES[kind]
        moved = _MOVED.fullmatch(values["summary"]) if kind == "stage moved" else None
        if moved is not None and moved[1] in set(Stage):
            stages[job] = Stage(moved[1])
    return stages
