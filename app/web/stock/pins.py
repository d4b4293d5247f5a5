"""Pins on the shelf, counted by kind and size."""

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem, Problems
from app.keying import PinSize
from app.ledger.bench.pins import pin_sizes, set_stock, stock_of
from app.ledger.catalog.specs import list_specs
from app.ledger.tables import Role
from app.web.access import roles
from app.web.forms_base import flash_and_redirect
from app.web.services import current_work
from app.web.stock import blueprint

MOST_SIZES = 400


@blueprint.route("/pins", methods=["GET", "POST"])
@roles(Role.BENCH)
def pins() -> ResponseReturnValue:
    """The pins on the shelf, spec by spec; counts are typed in and saved."""
    work = current_work()
    uses = list_specs(work.session)
    asked = request.values.get("spec", "")
    chosen = next((use for use in uses if str(use.row.id) == asked), uses[0] if uses else None)
    problems: tuple[Problem, ...] = ()
    if request.method == "POST" and chosen is not None:
        try:
            set_stock(work, chosen.row.id, _counts())
        except BitternError as error:
            problems = error.problems
        else:
            return flash_and_redirect(f"The pins of {chosen.row.name} are counted.", "stock.pins", spec=chosen.row.id)
    page = render_template(
        "stock/pins.html",
        uses=uses,
        chosen=chosen,
        problems=problems,
        sizes=pin_sizes(chosen.spec) if chosen else {},
        held=stock_of(work.session, work.vault, chosen.row.id) if chosen else {},
        PinSize=PinSize,
    )
    return page, 422 if problems else 200


def _counts() -> dict[PinSize, int]:
    """The counts that were typed; an empty box leaves its size as it is."""
    counts, problems = dict[PinSize, int](), []
    for name, value in list(request.form.items())[:MOST_SIZES]:
        head, _, size = name.rpartition(" ")
        if not head.startswith("pin ") or not value.strip():
            continue
        kind, plain = head.removeprefix("pin "), value.strip().replace(",", "")
        if not (plain.isascii() and plain.isdecimal() and len(plain) < 9 and size.isascii() and size.isdecimal()):
            problems.append(Problem(f"{kind} {size}"[:40], "Enter a whole number, 0 or more."))
        else:
            counts[PinSize(kind, int(size[:4]))] = int(plain)
    if problems:
        raise Problems(problems)
    return counts
