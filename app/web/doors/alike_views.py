"""Doors of a site that may be the same: found, and made into one."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem, Problems
from app.ledger.sites.customer_queries import get_site
from app.ledger.sites.duplicate_doors import find_alike, merge_doors
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Role
from app.web.access import roles
from app.web.doors.blueprint import blueprint
from app.web.errors import about
from app.web.services import current_work


@blueprint.route("/sites/<int:site_id>/doors/alike", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def alike(site_id: int) -> ResponseReturnValue:
    """Doors whose number or location is the same; POST merges one into another."""
    about(f"site {site_id}")
    work = current_work()
    refused: tuple[Problem, ...] = ()
    site = get_site(work.session, site_id)
    if request.method == "POST":
        try:
            kept = merge_doors(work, _sent("keep"), _sent("gone"))
        except (Problems, LedgerError) as error:
            if not error.field.startswith("keep"):
                raise
            refused = _told(error)
        else:
            flash(f"They are one door now: {kept.opening_number}.")
            return redirect(url_for("doors.alike", site_id=site_id), 303)
    groups = find_alike(work.session, site_id)
    return render_template("doors/alike.html", site=site, groups=groups, refused=refused), 422 if refused else 200


def _sent(name: str) -> tuple[int, int]:
    """A door and its version from "12:3"; LedgerError on `keep` when none was chosen."""
    door, _, version = request.form.get(name, "").partition(":")
    if not (door.isascii() and door.isdecimal() and version.isascii() and version.isdecimal()):
        raise LedgerError("keep", "Choose which door stays, and which goes.")
    return int(door[:9]), int(version[:9])


def _told(error: BitternError) -> tuple[Problem, ...]:
    return error.problems
