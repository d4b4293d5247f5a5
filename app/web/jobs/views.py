"""The ledger page; a job's own page with its moves, notes and files; its payments and their receipts."""

import io
from datetime import date

from flask import Blueprint, Response, render_template, request, send_file
from flask.typing import ResponseReturnValue
from wtforms import RadioField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.documents import payment_receipt_pdf
from app.ledger.care.place import files_folder
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.files import get_file, keep_file, small_picture
from app.ledger.jobs.notes import add_note
from app.ledger.jobs.queries import get_job, ledger_page
from app.ledger.jobs.stages import move_job
from app.ledger.money.payments import MEANS, JobPayments, PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.quoting.issuing import house_head
from app.ledger.store.errors import NotFound
from app.ledger.store.kept_files import read_kept
from app.ledger.tables import JobFile, Role
from app.pricing import show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.fields import CentsField, DayField
from app.web.files import PDF, read_upload, send
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.jobs.page import FileForm, MoveForm, NoteForm, job_page, read_question
from app.web.query_args import read_page
from app.web.services import current_work, request_session, the_config

_PAYMENT_WORDS = {
    PaymentKind.DEPOSIT: "Deposit, before the work",
    PaymentKind.PAYMENT: "Payment",
    PaymentKind.REFUND: "Refund: paid too much, twice or in error",
    PaymentKind.OFF_PRICE: "Refund off the price: brought back, or let off",
}


class TakePaymentForm(SavedForm):
    """Money that came in, or goes back; `version` is how many payments stood there, so none is written twice."""

    kind = RadioField(
        "Which",
        [InputRequired("Choose which it is.")],
        choices=[SelectChoice(kind.value, _PAYMENT_WORDS[kind]) for kind in PaymentKind],
    )
    cents = CentsField("Amount", [InputRequired("Enter an amount in dollars, as in 12.50.")])
    means = SelectField("By", choices=[SelectChoice(means, means) for means in MEANS])
    received_on = DayField("On", [InputRequired("Enter the day.")])
    note = text(
        "Note",
        180,
        hint="Check number, or why it is given back; printed on the receipt. Do not write card numbers here.",
    )

    def fill(self, page: JobPayments, today: date) -> None:
        """What a fresh form starts from: what is missing of the deposit, else what is left to pay; today.

        A job that came to nothing starts from what is to be given back.
        """
        self.version.data = str(page.version)
        self.received_on.data = today
        if page.came_to_nothing:
            self.kind.data, self.cents.data = PaymentKind.REFUND.value, page.money.paid_cents or None
            return
        deposit, balance = page.money.deposit_left_cents, page.money.balance_cents
        back = PaymentKind.REFUND if balance or page.job.agreed_cents is None else PaymentKind.OFF_PRICE
        kind = PaymentKind.DEPOSIT if deposit else PaymentKind.PAYMENT if balance > 0 else back
        self.kind.data = kind.value
        self.cents.data = (deposit or balance) if balance > 0 else -balance or None


blueprint = Blueprint("jobs", __name__)


@blueprint.get("/ledger")
@roles(Role.COUNTER, Role.BENCH)
def ledger() -> ResponseReturnValue:
    """Every open job, late ones first."""
    work = current_work()
    question = read_question(request.args)
    page = ledger_page(work.session, work.today, question, read_page(request.args))
    return render_template("jobs/index.html", page=page, question=question)


@blueprint.get("/jobs/<int:number>")
@roles(Role.COUNTER, Role.BENCH)
def show(number: int) -> ResponseReturnValue:
    """One job's whole story."""
    return job_page(number, is_whole=request.args.get("all") == "yes")


@blueprint.post("/jobs/<int:number>/move")
@roles(Role.COUNTER, Role.BENCH)
def move(number: int) -> ResponseReturnValue:
    """Move the job to another stage."""
    about(f"job {number}")
    form, work = MoveForm(), current_work()
    job_id = get_job(work.session, number).id
    if done := form.run(lambda: form.into(move_job, work=work, job_id=job_id, version=form.version_read)):
        return flash_and_redirect(f"Job {number} is {done.value.stage.word} now.", "jobs.show", number=number)
    return job_page(number, form=form), 422


@blueprint.post("/jobs/<int:number>/notes")
@roles(Role.COUNTER, Role.BENCH)
def note(number: int) -> ResponseReturnValue:
    """Write a note into the job's story."""
    form, work = NoteForm(), current_work()
    if form.run(lambda: add_note(work, number, typed(form.note))):
        return flash_and_redirect("The note is in the job's story.", "jobs.show", number=number, _anchor="story")
    return job_page(number, note=form), 422


@blueprint.post("/jobs/<int:number>/files")
@roles(Role.COUNTER, Role.BENCH)
def file(number: int) -> ResponseReturnValue:
    """Keep a file with the job."""
    form, work, folder = FileForm(), current_work(), files_folder(the_config())
    if done := form.run(lambda: keep_file(work, folder, number, *read_upload(form.file), typed(form.about))):
        said = f"{done.value.name} is saved with the job."
        return flash_and_redirect(said, "jobs.show", number=number, _anchor="files")
    return job_page(number, upload=form), 422


@blueprint.get("/jobs/<int:number>/files/<int:file_id>")
@roles(Role.COUNTER, Role.BENCH)
def content(number: int, file_id: int) -> ResponseReturnValue:
    """One file: a picture opens in the browser, everything else is saved."""
    found, sent = _file(number, file_id)
    return _send(sent, found.kind.media_type, as_attachment=not found.kind.is_image, download_name=found.name)


@blueprint.get("/jobs/<int:number>/files/<int:file_id>/small.jpg")
@roles(Role.COUNTER, Role.BENCH)
def small(number: int, file_id: int) -> ResponseReturnValue:
    """A photo, small, as the job page shows it."""
    return _send(small_picture(*_file(number, file_id)), "image/jpeg")


def _file(number: int, file_id: int) -> tuple[JobFile, bytes]:
    found = get_file(request_session(), number, file_id)
    return found, read_kept(files_folder(the_config()), found)


def _send(sent: bytes, media_type: str, *, as_attachment: bool = False, download_name: str | None = None) -> Response:
    answer = send_file(
        io.BytesIO(sent), mimetype=media_type, as_attachment=as_attachment, download_name=download_name
    )
    # A picture alone: nothing in a file that somebody sent may run, load or send.
    answer.headers["Content-Security-Policy"] = "default-src 'none'; img-src 'self'; sandbox"
    return answer


@blueprint.route("/jobs/<int:number>/payments", methods=["GET", "POST"])
@roles(Role.COUNTER)
def payments(number: int) -> ResponseReturnValue:
    """What is due and what was paid; take a payment."""
    form, work = TakePaymentForm(), current_work()
    about(f"job {number}", form)
    if done := form.run(lambda: take_payment(work, number, form.version_read, form.into(PaymentForm))):
        word = "given back" if done.value.kind.goes_back else "received"
        nothing = payments_of(work.session, number).came_to_nothing
        left = "nothing is due" if nothing else f"{show_cents(done.value.balance_cents)} left to pay"
        return flash_and_redirect(f"{show_cents(done.value.cents)} {word}; {left}.", "jobs.payments", number=number)
    page = payments_of(work.session, number)
    if not form.is_submitted():
        form.fill(page, work.today)
    return render_template("jobs/payments.html", page=page, form=form), form.status


@blueprint.get("/jobs/<int:number>/payments/<int:place>.pdf")
@roles(Role.COUNTER)
def receipt(number: int, place: int) -> ResponseReturnValue:
    """The receipt of the job's first, second … payment."""
    work = current_work()
    receipts = payments_of(work.session, number).receipts
    if not 1 <= place <= len(receipts):
        raise NotFound("payment of this job")
    found = receipts[place - 1]
    house = house_head(get_house(work.session))
    return send(payment_receipt_pdf(house, found), f"receipt-{number}-{place}.pdf", PDF)
