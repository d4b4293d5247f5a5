"""A site's door list written out, as a table that goes in again."""

from flask.typing import ResponseReturnValue

from app.ledger.sites.door_import import site_list
from app.ledger.tables import Role
from app.web.access import roles
from app.web.files import send_table
from app.web.services import request_session
from app.web.sites.doors import blueprint


@blueprint.get("/sites/<int:site_id>/doors.<any(csv, xlsx):kind>")
@roles(Role.COUNTER, Role.BENCH)
def list_file(site_id: int, kind: str) -> ResponseReturnValue:
    """The site's doors as CSV or XLSX, which reads back to the same."""
    return send_table(kind, f"doors-{site_id}", "Doors", site_list(request_session(), site_id))
