"""A list of who holds a system's keys goes in from the page of that system's keys."""

from collections.abc import Callable

from app.ledger.store.work import Work
from app.ledger.tables import Role
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.web.importing.test_customers import follow

ClientAs = Callable[[Role | None], FormClient]


def test_a_systems_list_goes_in_from_the_page_of_its_keys(
    work: Work, owner_client: FormClient, client_as: ClientAs
) -> None:
    system = factories.KeySystemFactory(name="North")
    factories.KeysetFactory(symbol="AA1", system=system)
    work.session.commit()
    here, address = f"/keys/system/{system.id}", f"/imports?kind=keys&about={system.id}"
    assert address.replace("&", "&amp;") in owner_client.get(here).text
    table = b"Key,Copy no.,Issued to,Due\nAA1,1,Ann Reed,03/04/2027\nAA1,2,Bo Moor,03/04/2027\n"
    page = follow(owner_client, upload(owner_client, address, table, "keys.csv", kind="keys").headers["Location"])
    assert "Which is the month in 03/04/2027?" in page
    assert address.replace("&", "&amp;") not in client_as(Role.COUNTER).get(here).text
