"""A house of every earlier release comes up to this one with all its rows, or stays exactly as it was."""

import base64
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.script import ScriptDirectory

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger, alembic_config, open_ledger
from app.ledger.care.upgrading import UPGRADED, upgrade_house
from app.ledger.keysystems.bittings import open_bittings, open_plan
from app.ledger.store.engine import make_engine
from app.ledger.store.events import first_broken_link
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor
from app.ledger.tables import Base, Event, KeySystem, Role

RELEASES = Path(__file__).resolve().parents[2] / "releases"
SCHEMAS = sorted(path.stem for path in RELEASES.glob("*.sql"))
KEY = base64.urlsafe_b64encode(bytes(range(32))).decode()  # of the houses in tests/releases, and of no other
BY = Actor(None, "the command line", Role.OWNER)
pytestmark = pytest.mark.sqlite
Rows = dict[str, list[dict[str, Any]]]


@pytest.fixture
def config(tmp_path: Path) -> Config:
    """A house's place, its key given, and nothing in it yet."""
    return Config(instance=tmp_path, key=KEY)


def put(config: Config, schema: str) -> Path:
    """The house as a release with this schema left it: a row or more in every table."""
    path = config.instance / "bittern.sqlite3"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((RELEASES / f"{schema}.sql").read_text("utf-8"))
    return path


def rows(path: Path) -> Rows:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        names = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
            if name != "alembic_version" and not name.startswith("sqlite_")
        ]
        return {name: [dict(row) for row in connection.execute(f"SELECT * FROM {name} ORDER BY 1")] for name in names}  # noqa: S608


@pytest.fixture
def opened(config: Config) -> Iterator[list[Ledger]]:
    ledgers: list[Ledger] = []
    yield ledgers
    for ledger in ledgers:
        ledger.close()


def test_there_is_a_house_of_every_schema_that_was_ever_released() -> None:
    assert SCHEMAS == ["0001", "0002", "0003", "0004"]


@pytest.mark.parametrize("schema", SCHEMAS)
def test_every_row_of_an_earlier_release_is_there_afterwards(
    config: Config, schema: str, opened: list[Ledger]
) -> None:
    path = put(config, schema)
    was = rows(path)
    before = dict(was)
    assert all(before.values()), "a table without a row proves nothing"
    done = upgrade_house(config, BY)
    assert done is not None and (done.before, done.kept is not None) == (schema, True)
    after = rows(path)
    for pin in before.pop("pin_stock", ()):  # each is an item by now, which was counted
        [item] = [one for one in after["items"] if one["pin_size"] == pin["size"]]
        [moved] = [one for one in after["stock_movements"] if one["item_id"] == item["id"]]
        assert (item["spec_id"], item["pin_kind"]) == (pin["spec_id"], pin["kind"])
        assert (moved["kind"], moved["on_hand"]) == ("counted", pin["count"])
    for sold in before.pop("catalogue_items"):  # what makers sell is an item of the one book
        [item] = [
            one for one in after["items"] if (one["maker_id"], one["code"]) == (sold["maker_id"], sold["part_number"])
        ]
        assert item["words"] == sold["description"]
        same = ("category", "attributes", "cost_cents", "list_cents", "is_stocked")
        assert [item[name] for name in same] == [sold[name] for name in same]
    for price in before["price_rows"]:  # what is priced is named by its item
        named = [one for one in after["items"] if one["code"] == price["code"]]
        kind = price["kind"].replace("labour", "labor")
        told = [(one["words"], one["category"], one["kind"]) for one in named]
        assert (price["description"], price["category"], kind) in told
    gone = {"price_rows": {"description", "category", "kind"}, "keyways": {"is_restricted"}}
    for table, names in gone.items():
        before[table] = [{name: row[name] for name in row if name not in names} for row in before[table]]
    for table, old in before.items():
        kept = [{name: row[name] for name in old[0]} for row in after[table][: len(old)]]
        if table == "counters":  # the upgrade is an event of its own
            kept = [{**row, "value": row["value"] - (row["name"] == "event chain")} for row in kept]
        assert kept == old, table
    assert done.kept is not None and rows(done.kept) == was
    assert path.stat().st_mode & 0o077 == 0
    opened.append(open_ledger(config))
    with opened[0].sessions() as session:
        assert first_broken_link(session) is None
        assert session.scalars(sa.select(Event.kind).order_by(Event.id.desc())).first() == UPGRADED
        system = session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Flats")).one()
        cuts = open_bittings(session, opened[0].vault, [system]).values()
        assert (5, 2, 8, 6, 1, 4) in cuts and len(cuts) == 3
        plan = open_plan(opened[0].vault, system)
        assert plan is not None and plan.tmk == (5, 2, 8, 6, 1, 4)
        for table in Base.metadata.sorted_tables:  # every model reads what the old release wrote
            session.execute(sa.select(table)).all()
    assert upgrade_house(config, BY) is None


@pytest.mark.parametrize("number", range(5, 12))
def test_a_house_stopped_between_two_migrations_comes_up_too(config: Config, number: int) -> None:
    path = put(config, "0004")
    command.upgrade(alembic_config(config.url), f"{number:04}")
    before = rows(path)["customers"]
    upgrade_house(config, BY)
    assert [{name: row[name] for name in before[0]} for row in rows(path)["customers"]] == before


def test_a_door_that_was_merged_away_before_the_upgrade_gives_its_number_to_no_other(config: Config) -> None:
    path = put(config, "0004")
    command.upgrade(alembic_config(config.url), "0009")
    told = json.dumps({"kept": 1, "gone": 77}), json.dumps({"added": [5], "cylinders": {"99": 5}})
    with closing(sqlite3.connect(path)) as connection, connection:
        for detail, kind in zip(told, ("doors merged", "door list read"), strict=True):
            connection.execute(
                "INSERT INTO events (at, actor_name, kind, subject, summary, detail, previous_hash, hash)"
                " VALUES ('2026-01-01', '', ?, 'site 1', '', ?, x'', randomblob(32))",
                (kind, detail),
            )
    command.upgrade(alembic_config(config.url), "0010")
    with closing(sqlite3.connect(path)) as connection:
        assert dict(connection.execute("SELECT name, seq FROM sqlite_sequence")) == {"doors": 77, "cylinders": 99}
    before = rows(path)
    command.downgrade(alembic_config(config.url), "0009")
    assert rows(path) == before


def test_keys_lost_before_losses_were_records_are_losses_closed_where_their_bitting_was_replaced_since(
    config: Config,
) -> None:
    path = put(config, "0004")
    in_metal = "; what was made by the old record is said to be destroyed"
    with closing(sqlite3.connect(path)) as connection, connection:
        # AA: copies 1 and 3 lost, 2 out. 1AA: lost, then replaced in metal. 2AA: lost, and corrected on paper alone.
        for keyset, copy, state, day in (
            (1, 3, "lost", 4),
            (1, 2, "out", 3),
            (2, 9, "lost", 3),
            (3, 8, "lost", 3),
        ):
            connection.execute(
                "INSERT INTO keys (keyset_id, copy_number, state, holder, changed_at, version)"
                " VALUES (?, ?, ?, '', ?, 1)",
                (keyset, copy, state, f"2026-11-0{day} 09:00:00.000000"),
            )
        connection.execute("UPDATE keys SET state = 'lost' WHERE keyset_id = 1 AND copy_number = 1")
        for symbol, end in (("1AA", in_metal), ("2AA", "")):
            connection.execute(
                "INSERT INTO events (at, actor_name, kind, subject, summary, detail, previous_hash, hash)"
                " VALUES ('2026-11-05 09:00:00.000000', '', 'bitting corrected', 'key system 1', ?, '{}', x'',"
                " randomblob(32))",
                (f"{symbol} of The Flats corrected{end}",),
            )
    command.upgrade(alembic_config(config.url), "0017")
    found = [
        (one["system_id"], one["keyset_id"], json.loads(one["copies"]), one["reported_at"], one["closed_at"])
        for one in rows(path)["losses"]
    ]
    assert found == [
        (1, 1, [1, 3], "2026-11-02 09:00:00.000000", None),
        (1, 2, [9], "2026-11-03 09:00:00.000000", "2026-11-05 09:00:00.000000"),
        (1, 3, [8], "2026-11-03 09:00:00.000000", None),
    ]


def test_a_migration_that_fails_leaves_the_house_as_it_was(config: Config, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(config, "0003")
    before = rows(path)

    def half(settings: Any, revision: str) -> None:
        really(settings, "0004")
        raise RuntimeError("the lights went out")

    really = command.upgrade
    monkeypatch.setattr(command, "upgrade", half)
    with pytest.raises(BitternError, match=r"failed \(RuntimeError\).*Nothing was changed"):
        upgrade_house(config, BY)
    assert rows(path) == before
    assert sorted(one.name for one in config.instance.iterdir()) == ["bittern.sqlite3"]


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        ("DROP TRIGGER events_no_update; UPDATE events SET summary = 'x' WHERE id = 2", "Event 2 does not follow"),
        ("UPDATE vault_checks SET check_value = 'x'", "sealing key is not this database's"),
        ("UPDATE alembic_version SET version_num = '9999'", "which this release does not know"),
    ],
)
def test_a_house_that_does_not_hold_is_left_alone(config: Config, spoil: str, says: str) -> None:
    path = put(config, "0004")
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(spoil)
    before = rows(path)
    with pytest.raises(BitternError, match=says):
        upgrade_house(config, BY)
    assert rows(path) == before
    assert [one.name for one in config.instance.iterdir() if "before-upgrade" in one.name] == []


def test_a_damaged_file_is_left_alone(config: Config) -> None:
    path = put(config, "0004")
    broken = bytearray(path.read_bytes())
    broken[8192:16384] = b"\xff" * 8192
    path.write_bytes(broken)
    with pytest.raises(BitternError, match=r"Nothing was changed|Nothing was replaced"):
        upgrade_house(config, BY)
    assert path.read_bytes()[100:] == broken[100:]  # all but the head, which says how the file is opened


def test_a_full_disk_leaves_the_house_as_it_was(config: Config, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(config, "0004")
    before = rows(path)

    def full(*places: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("app.ledger.care.upgrading.shutil.copyfile", full)
    with pytest.raises(BitternError, match="No space left"):
        upgrade_house(config, BY)
    assert rows(path) == before


def test_an_open_house_is_not_upgraded(config: Config) -> None:
    path = put(config, "0004")
    engine = make_engine(config.url)
    with engine.connect() as connection:
        connection.exec_driver_sql("SELECT 1 FROM users")
        with pytest.raises(BitternError, match="Stop bittern house serve first"):
            upgrade_house(config, BY)
    engine.dispose()
    assert rows(path)["users"]


def test_another_key_is_told_before_anything_is_done(config: Config) -> None:
    put(config, "0004")
    with pytest.raises(BitternError, match="not this database's"):
        upgrade_house(Config(instance=config.instance, key=Vault.new_key()), BY)


@pytest.mark.parametrize("schema", SCHEMAS)
def test_a_house_without_its_key_s_check_is_upgraded_by_its_own_key_alone(config: Config, schema: str) -> None:
    path = put(config, schema)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM vault_checks")
    before = rows(path)
    with pytest.raises(BitternError, match=r"key file .* is missing.*BITTERN_KEY"):
        upgrade_house(Config(instance=config.instance), BY)
    with pytest.raises(BitternError, match="does not open what is sealed"):
        upgrade_house(Config(instance=config.instance, key=Vault.new_key()), BY)
    assert rows(path) == before and [one.name for one in config.instance.iterdir()] == ["bittern.sqlite3"]
    assert upgrade_house(config, BY) is not None


def test_no_house_is_nothing_to_upgrade(config: Config) -> None:
    with pytest.raises(BitternError, match="no house here"):
        upgrade_house(config, BY)
    assert list(config.instance.iterdir()) == []


def test_the_newest_schema_is_known() -> None:
    head = ScriptDirectory.from_config(alembic_config("sqlite://")).get_current_head()
    assert head is not None and head > max(SCHEMAS)


def test_hand_overs_of_earlier_releases_become_rows_with_what_went_of_each_line(config: Config) -> None:
    """Two rings of five went with a part; of another job all five did, of which the first release told no more."""
    path = put(config, "0004")
    command.upgrade(alembic_config(config.url), "0025")
    told = [
        ("part handed over", "Part taken by R. Teal", {"cylinders": [], "keys": [], "goods": [[9, 2]]}),
        ("stage moved", "ready → handed over", {}),
    ]
    with closing(sqlite3.connect(path)) as connection:
        for job, (kind, summary, detail) in enumerate(told, start=4):
            line = (job, 9, "hardware", "Ring", "", 5, 350, "{}")
            connection.execute(
                "INSERT INTO job_lines (job_id, number, kind, description, part_number, quantity, unit_cents, ask) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                line,
            )
            connection.execute(
                "INSERT INTO events (at, actor_name, kind, subject, job_id, summary, detail, previous_hash, hash) "
                "VALUES ('2026-01-02', 'Cora', ?, 'job 1', ?, ?, ?, x'00', ?)",
                (kind, job, summary, json.dumps(detail), bytes([job])),
            )
        connection.commit()
    command.upgrade(alembic_config(config.url), "0028")
    after = rows(path)
    assert [(one["id"], one["job_id"], one["place"]) for one in after["hand_overs"]] == [(1, 4, 1), (2, 5, 1)]
    handed = [(one["hand_over_id"], one["line_number"], one["goods"]) for one in after["handed_lines"]]
    assert handed == [(1, 9, 2), (2, 9, 5)]
