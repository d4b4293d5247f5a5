"""`bittern person`: found, written to a file, shown, deleted, and its key destroyed."""

import zipfile
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.config import Config
from app.ledger.sites.customers import CustomerForm, add_customer
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event
from tests.commands.conftest import Run

pytestmark = pytest.mark.database


def test_a_customer_found_written_and_deleted(run: Run, config: Config, work: Work, tmp_path: Path) -> None:
    customer = add_customer(work, CustomerForm("Ada Finch", "555-0142"))
    number = str(customer.id)
    assert run("person", "find", "finch").stdout == f"customer {number}  Ada Finch: customer\n"
    assert run("person", "find", "nobody").exit_code == 1
    file = tmp_path / "kept.zip"
    assert run("person", "file", "customer", number, "--to", str(file)).exit_code == 0
    assert file.stat().st_mode & 0o077 == 0, "nobody else on this machine reads it"
    assert zipfile.ZipFile(file).namelist() == ["read me first.html", "records.xlsx"]
    shown = run("person", "delete", "customer", number)
    assert shown.stdout.endswith("Nothing was deleted. Afterwards it would read: customer removed 1\n")
    refused = run("person", "delete", "customer", number, "--name", "Ada Finchley")
    assert (refused.exit_code, "Type the name as it stands here" in refused.stderr) == (2, True)
    done = run("person", "delete", "customer", number, "--name", "ada finch")
    assert done.stdout == "Deleted: it reads customer removed 1 from now on.\n"
    work.session.rollback()
    work.session.expire_all()
    row = work.session.execute(sa.select(Customer.name, Customer.phone, Customer.phone_digits)).one()
    assert tuple(row) == ("customer removed 1", "", "")
    told = [event.summary for event in work.session.scalars(sa.select(Event).order_by(Event.id))]
    assert told[0] == "customer removed 1 saved" and "Finch" not in " ".join(told)
    assert "1 replaced by deletions: their sealed originals open and follow." in run("house", "verify").stdout
    assert run("person", "end-key", "1").stdout == "The key of deletion 1 is destroyed.\n"
    assert run("person", "end-key", "7").exit_code == 2
    said = run("house", "verify")
    assert (said.exit_code, "Deletion 1: its key is destroyed, so that events 1 are" in said.stdout) == (0, True)
