"""What the job page shows, gathered once for a look and for a move that was refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.ledger.jobs.cylinder_lines import JobCylinder, JobCylinders, cautions_by_door, job_cylinders
from app.ledger.jobs.files import files_of_job
from app.ledger.jobs.queries import JobMoney, days_late, get_job, job_money, show_margin
from app.ledger.jobs.stages import StillOpen, next_stages, still_open, taker_of
from app.ledger.keysystems.authority import lacks_authority, systems_touched
from app.ledger.quoting.key_lines import own_copies
from app.ledger.quoting.resolving import told_customer
from app.ledger.quoting.snapshot import SnapshotLine, read_snapshot
from app.ledger.store.events import EventTold, events_of_job
from app.ledger.store.work import Work
from app.ledger.tables import Job, JobFile, JobLine, KeySystem, Role, Stage
from app.web.forms_base import BlankForm
from app.web.jobs.forms import FileForm, MoveForm, NoteForm
from app.web.papers.job_papers import JobSource, Paper, papers_on_page

# A move that ends the story is not the next step, and wants its reason.
ENDS = (Stage.LOST, Stage.CANCELED)
FIRST_LINES = 40  # a long job is listed whole only when asked for
FOR_BENCH = (Stage.CHECKED,)
MOVE_WORDS = {
    Stage.ASKED: "Asked",
    Stage.QUOTED: "Quoted",
    Stage.APPROVED: "Approved",
    Stage.PARTS_ON_ORDER: "Parts ordered",
    Stage.ON_THE_BENCH: "Put on the bench",
    Stage.CHECKED: "All checked",
    Stage.READY: "Ready to hand over",
    Stage.HANDED_OVER: "Handed over",
    Stage.CLOSED: "Close the job",
    Stage.LOST: "Mark as lost",
    Stage.CANCELED: "Cancel the job",
}


@dataclass(frozen=True, slots=True)
class JobPage:
    """One job with its story.

    lines: the cylinders shown, the first of them unless `is_whole`. cautions: door id → what its flags and
    hardware ask for, of those shown. quoted_lines: those of the newest quote, until it is accepted. moves: the
    stages that this person may move it to, onward first; ends: those that end it and want a reason. copies: how many
    of the customer's own keys go with it, by keyway. still_open: what one has to know who hands it over, where that
    is the next step; taken_by: who took it.
    """

    job: Job
    late_days: int
    money: JobMoney
    cylinders: JobCylinders
    lines: Sequence[JobCylinder]
    cautions: Mapping[int, tuple[str, ...]]
    is_whole: bool
    quoted_lines: Sequence[SnapshotLine]
    moves: tuple[Stage, ...]
    ends: tuple[Stage, ...]
    has_bench_work: bool
    events: Sequence[EventTold]
    files: Sequence[JobFile]
    lacking_authority: Sequence[KeySystem]
    papers: tuple[Paper, ...]
    copies: tuple[tuple[str, int], ...]
    still_open: StillOpen | None
    taken_by: str

    @property
    def open_papers(self) -> tuple[Paper, ...]:
        """Those that anybody here may open."""
        return tuple(paper for paper in self.papers if not paper.is_secret)

    @property
    def secret_papers(self) -> tuple[Paper, ...]:
        """Those with bittings or pins."""
        return tuple(paper for paper in self.papers if paper.is_secret)

    @property
    def margin(self) -> str:
        """The margin in whole percent, for the owner's eyes; "" where nothing is charged."""
        return show_margin(self.job.value_cents, self.job.cost_cents)

    def is_onward(self, stage: Stage) -> bool:
        """Whether the stage lies ahead of where the job stands; back to the bench does not."""
        order = list(Stage)
        return order.index(stage) > order.index(self.job.stage)

    @staticmethod
    def face_of(line: JobLine) -> str:
        """That the customer was told of another face on the door, and agreed; "" where there was none."""
        return told_customer(line.ask.get("face_asked", ""), line.ask.get("face_answer", ""))

    @staticmethod
    def move_words(stage: Stage) -> str:
        """What a button that moves the job to this stage says."""
        return MOVE_WORDS[stage]


def job_page(work: Work, number: int, *, is_whole: bool = False) -> JobPage:
    """The page of a job; NotFound when there is none. is_whole: list every cylinder and keyset. Opens no bitting."""
    job = get_job(work.session, number)
    cylinders = job_cylinders(work.session, job.id)
    allowed = next_stages(job)
    lines = cylinders.lines if is_whole else cylinders.lines[:FIRST_LINES]
    source = JobSource(work, job)
    # The papers need not look again for what was found above.
    source.has_cylinders, source.named_systems = bool(cylinders.lines), cylinders.systems
    touched = systems_touched(work.session, job.id) if Stage.ON_THE_BENCH in allowed else ()
    may_check = work.actor.role in (Role.BENCH, Role.OWNER)
    return JobPage(
        job=job,
        late_days=days_late(job, work.today),
        money=job_money(job),
        cylinders=cylinders,
        lines=lines,
        cautions=cautions_by_door(work.session, job.id, len(lines)) if lines else {},
        is_whole=is_whole,
        quoted_lines=() if job.lines or not job.revisions else read_snapshot(job.revisions[-1].snapshot).lines,
        moves=tuple(stage for stage in allowed if stage not in ENDS and (may_check or stage not in FOR_BENCH)),
        ends=tuple(stage for stage in allowed if stage in ENDS),
        has_bench_work=bool(cylinders.lines and "shop" in job.keyed_at) or source.is_cut_here,
        events=events_of_job(work.session, job.id, work.actor.role),
        files=files_of_job(work.session, job.id),
        papers=papers_on_page(source),
        copies=own_copies(job),
        lacking_authority=tuple(filter(lacks_authority, touched)),
        still_open=still_open(work.session, job) if Stage.HANDED_OVER in allowed else None,
        taken_by=taker_of(work.session, job.id) if job.stage.is_with_customer else "",
    )


def job_forms(
    page: JobPage, *, move: MoveForm | None = None, note: NoteForm | None = None, upload: FileForm | None = None
) -> dict[str, Any]:
    """The page's three forms by the names that its template knows; those that were refused as they were typed."""
    return {
        "form": move or BlankForm(MoveForm, page.job.version),
        "note": note or BlankForm(NoteForm),
        "upload": upload or BlankForm(FileForm),
    }
