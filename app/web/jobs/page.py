"""A job's own page with its forms, gathered once for a look and for a press that was refused."""

from collections.abc import Mapping, Sequence

from flask import render_template
from flask_wtf.file import FileField, FileRequired
from wtforms import StringField, TextAreaField
from wtforms.validators import AnyOf, Length

from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.goods.hand_overs import taker_of
from app.ledger.goods.handing_over import PART_STAGES, lost_before_and_after, may_all_go, may_part_go, still_open
from app.ledger.goods.moved_promises import promise_doubts
from app.ledger.goods.order_queries import orders_of_job, pieces_to_come
from app.ledger.goods.returns import returns_of
from app.ledger.goods.warranties import came_back, warranty_of_job
from app.ledger.jobs.appointments import appointments_of_job, when_words
from app.ledger.jobs.construction import construction_of
from app.ledger.jobs.cylinder_lines import PlainRow, cautions_by_door, job_cylinders
from app.ledger.jobs.files import KINDS_IN_WORDS, MOST_BYTES, files_of_job
from app.ledger.jobs.notes import MOST_NOTE
from app.ledger.jobs.queries import OPEN, LedgerQuestion, days_late, get_job, show_margin
from app.ledger.jobs.reminders import reminders_of
from app.ledger.jobs.stages import BEFORE_BENCH, next_stages
from app.ledger.keysystems.authority import lacks_authority, systems_touched
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.money.invoicing import papers_of_money
from app.ledger.money.payments import money_of
from app.ledger.quoting.key_lines import own_copies
from app.ledger.quoting.request import said_of_line
from app.ledger.quoting.resolving import told_customer
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.reports.sales import margin_of_job
from app.ledger.sites.door_queries import job_numbers
from app.ledger.stock.needs import NeedState, needs_of
from app.ledger.store.events import events_of_job
from app.ledger.store.numbers import return_number
from app.ledger.tables import Job, JobFile, Key, Role, Stage
from app.web.forms_base import BlankForm, PageForm, SavedForm, text
from app.web.papers.job_papers import JobSource, papers_on_page
from app.web.query_args import read_text
from app.web.services import current_work

_STAGES = {stage.value: stage for stage in Stage}
# A move that ends the story is not the next step, and wants its reason.
_ENDS = (Stage.LOST, Stage.CANCELED)
_FIRST_LINES = 12  # a long job is listed whole only when asked for
_MOVE_WORDS = {
    Stage.ASKED: "Asked",
    Stage.QUOTED: "Quoted",
    Stage.APPROVED: "Approved",
    Stage.PARTS_ON_ORDER: "Parts ordered",
    Stage.ON_THE_BENCH: "Put on the bench",
    Stage.CHECKED: "All checked",
    Stage.READY: "Ready to hand over",
    Stage.CLOSED: "Close the job",
    Stage.LOST: "Mark as lost",
    Stage.CANCELED: "Cancel the job",
}


OVER_THE_LIMIT = "Go on above the credit limit because"


class TakerForm(SavedForm):
    """Who takes all that is left. known: the mark of what the page said is still open."""

    taken_by = text("Who takes it", Key.holder, hint="A person's name; it stands on the receipt.")
    known = text("Handed over all the same", 60)
    credit = text(OVER_THE_LIMIT, 300, hint="It stays on record.")


class NoteForm(PageForm):
    """A note; it stays as it was written."""

    note = TextAreaField(
        "Note",
        [Length(max=MOST_NOTE, message=f"At most {MOST_NOTE:,} characters fit in a note.")],
        description="Everybody who opens the job reads it: no bitting, no card number.",
    )


class FileForm(PageForm):
    """A file to keep with the job."""

    file = FileField(
        "File",
        [FileRequired("Choose a file first.")],
        description=f"{KINDS_IN_WORDS}, at most {MOST_BYTES // (1024 * 1024)} MB. No bitting in it.",
        render_kw={"accept": ".pdf,.jpg,.jpeg,.png,.webp,.txt,.csv,.xlsx"},
    )
    about = text("What it shows", JobFile.about, hint="“Old cylinder of N101”, “signed authority”.")


class MoveForm(SavedForm):
    """One press of a stage's button; lost and canceled want a reason."""

    to = StringField("Stage", [AnyOf(list(_STAGES), message="Press one of the stages shown.")])
    reason = text("Reason", 500, hint="Why; it stays on record.")
    override_reason = text("Go on without written authority because", 500, hint="It stays on record.")


def read_question(arguments: Mapping[str, str]) -> LedgerQuestion:
    """What the address asks the ledger for; what it does not know is left out."""
    return LedgerQuestion(
        text=read_text(arguments),
        stage=_STAGES.get(arguments.get("stage", "")),
        is_late=arguments.get("late") == "yes",
        with_over=arguments.get("over") == "yes",
    )


def job_page(number: int, *, is_whole: bool = False, **refused: PageForm) -> str:
    """The page of a job; NotFound when there is none. Opens no bitting.

    is_whole: list every cylinder and keyset. refused: forms by the names that the template knows, as they were typed;
    the others stand there blank.
    """
    work = current_work()
    job = get_job(work.session, number)
    cylinders = job_cylinders(work.session, job.id)
    lines = cylinders.lines if is_whole else cylinders.lines[:_FIRST_LINES]
    cautions = cautions_by_door(work.session, job.id) if lines else {}
    source = JobSource(work, job)
    # The papers need not look again for what was found above.
    source.has_cylinders, source.named_systems = bool(cylinders.lines), cylinders.systems
    papers = papers_on_page(source)
    allowed, order = next_stages(job), list(Stage)
    may_check = work.actor.role in (Role.BENCH, Role.OWNER)
    warranty = warranty_of_job(work.session, job.id)
    numbers = job_numbers(work.session, [warranty.cylinder.job_id]) if warranty is not None else {}
    touched = systems_touched(work.session, job.id) if Stage.ON_THE_BENCH in allowed else ()
    may_go = may_all_go(work.session, job)
    money, due_all_the_same = money_of(work.session, job)
    needs = needs_of(work.session, job.id)
    forms: dict[str, PageForm | BlankForm] = {
        "form": BlankForm(MoveForm, job.version),
        "taker": BlankForm(TakerForm, job.version),
        "note": BlankForm(NoteForm),
        "upload": BlankForm(FileForm),
    }
    return render_template(
        "jobs/show.html",
        job=job,
        late_days=days_late(job, work.today),
        money=money,
        due_all_the_same=due_all_the_same,
        invoices=papers_of_money(work.session, job),
        margin=show_margin(job.value_cents, job.cost_cents),
        share_of=show_margin,
        became=margin_of_job(work, job) if job.accepted_on and work.actor.role is Role.OWNER else None,
        cylinders=cylinders,
        lines=lines,
        is_whole=is_whole,
        cautions=cautions,
        unlisted=_cautions_of(cylinders.lines[len(lines) :], cautions),
        quoted_lines=() if job.lines or not job.revisions else read_snapshot(job.revisions[-1].snapshot).lines,
        told_customer=told_customer,
        said_of_line=said_of_line,
        needs=needs,
        orders=orders_of_job(work.session, job.id) if needs else (),
        pieces_to_come=pieces_to_come,
        doubts=promise_doubts(work, job.id) if needs else (),
        is_to_order=job.stage in BEFORE_BENCH and any(one.to_order for one in needs),
        waiting=waiting_keys(work.session, job.id) if job.stage in BENCH_STAGES else (),
        moves=[
            stage
            for stage in allowed
            if stage not in _ENDS
            and (may_check or stage is not Stage.CHECKED)
            and (stage is not Stage.PARTS_ON_ORDER or _is_ordered_by_hand(job, needs))
        ],
        ends=[stage for stage in allowed if stage in _ENDS],
        move_words=_MOVE_WORDS,
        onward=[stage for stage in allowed if order.index(stage) > order.index(job.stage)],
        has_bench_work=bool(cylinders.lines and "shop" in job.keyed_at) or source.is_cut_here,
        lacking_authority=[system for system in touched if lacks_authority(system)],
        copies=own_copies(job),
        is_starting=Stage.ON_THE_BENCH in allowed and job.stage in BEFORE_BENCH,
        handing=still_open(work.session, job) if may_go else None,
        was_accepted=job.stage in PART_STAGES,
        may_take_part=not may_go and may_part_go(work.session, job),
        may_come_back=job.stage.is_with_customer or any(one.number.startswith("H-") for one in papers),
        lost_words=lost_before_and_after(work, job) if may_go else "",
        taken_by=taker_of(work.session, job.id) if job.stage.is_with_customer else "",
        events=events_of_job(work.session, job.id, work.actor.role),
        construction=construction_of(work.session, job, work.today) if cylinders.has_construction else None,
        warranty=warranty,
        sold_by=numbers.get(warranty.cylinder.job_id or 0) if warranty is not None else None,
        came_back=came_back(work.session, job.id),
        returns=returns_of(work.session, job.id),
        return_number=return_number,
        appointments=appointments_of_job(work.session, job.id),
        when=when_words,
        its_reminders=reminders_of(work.session, job_id=job.id),
        is_open=job.stage in OPEN,
        files=files_of_job(work.session, job.id),
        open_papers=[paper for paper in papers if not paper.is_secret],
        secret_papers=[paper for paper in papers if paper.is_secret],
        **forms | refused,
    )


def _cautions_of(lines: Sequence[PlainRow], cautions: Mapping[int, Sequence[str]]) -> dict[str, list[str]]:
    """Each caution of the doors of these lines, and the openings that it holds for."""
    found: dict[str, dict[str, None]] = {}
    for line in lines:
        for caution in cautions.get(line.door_id, ()):
            found.setdefault(caution, {})[line.opening_number] = None
    return {caution: list(openings) for caution, openings in found.items()}


def _is_ordered_by_hand(job: Job, needs: Sequence[NeedState]) -> bool:
    """Whether somebody may say that the parts are ordered: of what the house does not count. Elsewhere orders to
    makers say so.
    """
    if job.stage not in BEFORE_BENCH or not needs:
        return True
    of_lines = [one for one in needs if one.need.line_number is not None]
    return not any(one.to_order for one in needs) and any(not one.is_counted for one in of_lines)
