"""The search page."""

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from app.ledger.reports.found_jobs import jobs_found
from app.ledger.reports.search import search
from app.ledger.tables import Role
from app.web.access import roles
from app.web.query_args import read_text
from app.web.services import request_session, the_time

blueprint = Blueprint("search", __name__)


@blueprint.get("/search")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """What the whole ledger has under a few typed characters."""
    found = search(request_session(), read_text(request.args))
    jobs = jobs_found(request_session(), found, the_time().astimezone().date())
    return render_template("reports/search.html", found=found, jobs_of=lambda *hit: jobs.get(hit, ()))
