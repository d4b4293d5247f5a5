"""What a job's papers are printed from, each asked for once however many papers want it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

from flask import abort, url_for

from app.documents import KeyReceipt, PickHead, ReceiptKey
from app.ledger.jobs.cylinder_lines import SystemLine, has_cylinders, key_counts
from app.ledger.jobs.hardware import HardwareList, hardware_of
from app.ledger.jobs.holders import KeyHolders, holders_of
from app.ledger.jobs.papers import bench_work, schedule_of
from app.ledger.jobs.schedule import BenchWork, Schedule
from app.ledger.jobs.stages import taker_of
from app.ledger.keys.key_queries import keys_to_sign
from app.ledger.keysystems.authority import authority_of, systems_of_job
from app.ledger.keysystems.lost_keysets import exposed_by, where_it_opens
from app.ledger.quoting.factory_keyed import sent_keysets
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.work import Work
from app.ledger.tables import Job, Key, Keyset, KeySystem, Level
from app.web.services import the_config


class JobSource:
    """One job's view models, made when first asked for. `bench` opens bittings and puts that on record."""

    def __init__(self, work: Work, job: Job) -> None:
        self.work = work
        self.job = job

    @cached_property
    def schedule(self) -> Schedule:
        """The keying schedule; a page that says why where the job has none yet."""
        if not self.schedule_so_far.rows:
            abort(404, f"Job {self.job.number} has no cylinders yet: they come on record when its quote is accepted.")
        return self.schedule_so_far

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
    def pick_head(self) -> PickHead:
        """The head of the list of pins."""
        schedule = self.schedule
        return PickHead(
            schedule.house,
            schedule.job_number,
            schedule.revision,
            schedule.title,
            schedule.customer_name,
            schedule.promised_on,
            schedule.issued_on,
            self.work.actor.name,
        )

    @cached_property
    def to_sign(self) -> tuple[str, Sequence[Key]]:
        """Who signs for keys of the job, and which."""
        session, job = self.work.session, self.job
        taker = taker_of(session, job.id) or job.accepted_by or job.customer.name
        return keys_to_sign(session, job.id, taker, is_handed_over=job.stage.is_with_customer)

    @cached_property
    def receipt(self) -> KeyReceipt:
        """The receipt that who takes the job's keys, or holds them, signs."""
        holder, keys = self.to_sign
        schedule, opens = self.schedule_so_far, dict[str, list[str]]()
        for row in schedule.rows:
            for symbol in row.operated_by:
                opens.setdefault(symbol, []).append(row.opening_number)
        works = {keyset: self._works(keyset, opens) for keyset in {key.keyset for key in keys}}
        return KeyReceipt(
            house=schedule.house,
            number=f"for job {schedule.job_number}, revision {schedule.revision}",
            issued_on=schedule.issued_on,
            issued_by=self.work.actor.name,
            customer_name=schedule.customer_name,
            site_name=schedule.site_name,
            holder_name=holder,
            holder_phone=self.job.customer.phone if holder in (self.job.accepted_by, schedule.customer_name) else "",
            authority="; ".join(filter(None, (authority_of(system) for system in self.systems))),
            keys=tuple(
                ReceiptKey(
                    key.keyset.symbol,
                    key.copy_number,
                    f"{key.keyset.symbol} {key.copy_number}",
                    works[key.keyset],
                    key.due_back,
                )
                for key in keys
            ),
            is_handed_over=False,
        )

    def _works(self, keyset: Keyset, opens: dict[str, list[str]]) -> str:
        """Where a key works, in a few words: in this job, or of one sold without a cylinder, on record."""
        if keyset.level is Level.CONTROL:
            return where_it_opens(keyset, ())
        if keyset.symbol in opens:
            return _in_few_words(list(dict.fromkeys(opens[keyset.symbol])))
        return where_it_opens(keyset, exposed_by(self.work.session, keyset))

    @staticmethod
    def cylinder_address(cylinder_id: int) -> str:
        """Where a cylinder's page is, as a label's code says it: at the address that phones of this house reach."""
        path = url_for("cylinders.show", cylinder_id=cylinder_id)
        return (the_config().address or url_for("login.home", _external=True)).rstrip("/") + path


def _in_few_words(openings: list[str]) -> str:
    named = [opening for opening in openings if opening][:8]
    more = len([opening for opening in openings if opening]) - len(named)
    return ", ".join(named) + (f" and {more} more" if more > 0 else "")
