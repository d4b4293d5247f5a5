"""`bittern house export` and `bittern house import`: sentences, exit codes, and nothing changed by a refusal."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from app.cli import main
from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.events import house_id
from app.ledger.tables import Site
from tests import factories
from tests.houses import new_house, remove_database


def run(config: Config, *words: str) -> Result:
    given = {"BITTERN_INSTANCE": str(config.instance), "BITTERN_DATABASE_URL": config.database_url}
    return CliRunner().invoke(main, ["house", *words], env=given)


@pytest.fixture
def full(config: Config) -> Config:
    """A house with one door."""
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        factories.DoorFactory(opening_number="=1")
    ledger.close()
    return config


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Config]:
    """A house with nothing on record yet."""
    made = new_house(tmp_path / "empty")
    migrate(made)
    yield made
    remove_database(made)


def its_id(config: Config) -> str:
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        found = house_id(session)
    ledger.close()
    return found


@pytest.mark.postgresql
@pytest.mark.parametrize("kind", ["zip", "xlsx"])
def test_a_house_goes_out_and_into_an_empty_one(kind: str, full: Config, empty: Config, tmp_path: Path) -> None:
    first, second = tmp_path / f"a.{kind}", tmp_path / f"b.{kind}"
    before = its_id(empty)
    assert run(full, "export", str(first)).exit_code == 0
    dry = run(empty, "import", "--dry-run", str(first))
    assert dry.exit_code == 0 and "doors: 1 new" in dry.stdout and "would be imported" in dry.stdout
    assert run(empty, "import", str(first)).exit_code == 0
    assert run(empty, "export", str(second)).exit_code == 0
    assert first.read_bytes() == second.read_bytes()
    assert "0 rows were imported" in run(empty, "import", str(first)).stdout
    assert its_id(empty) == before != its_id(full)  # the house that takes the records in is another one


def test_refusals_say_what_to_do_and_change_nothing(full: Config, tmp_path: Path) -> None:
    there = tmp_path / "there.zip"
    there.write_bytes(b"mine")
    assert "left alone" in run(full, "export", str(there)).stderr and there.read_bytes() == b"mine"
    assert "as .zip (CSV files) or as .xlsx" in run(full, "export", str(tmp_path / "a.csv")).stderr
    assert "cannot be read" in run(full, "import", str(tmp_path / "none.zip")).stderr
    refused = run(full, "import", str(there))
    assert refused.exit_code == 2 and "no ZIP file" in refused.stderr


def test_what_contradicts_is_listed_by_table_and_row(full: Config, tmp_path: Path) -> None:
    file = tmp_path / "a.zip"
    run(full, "export", str(file))
    ledger = open_ledger(full)
    with ledger.sessions() as session:
        session.query(Site).update({"name": "Another"})
        session.commit()
    ledger.close()
    refused = run(full, "import", str(file))
    assert refused.exit_code == 2
    assert "sites, row 2, name: On record here it is 'Another'" in refused.stderr
    assert refused.stderr.endswith("Nothing was imported.\n")
