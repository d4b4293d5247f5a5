"""Search by words: ranked, begun words, words of the owner's, and an index that never falls behind a write."""

import sqlite3
from contextlib import closing
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import alembic_config, migrate
from app.ledger.reports.search import search
from app.ledger.search.words import SEARCHED, dialect_of, is_modelled, numbered, query_of, read_words, word_ids
from app.ledger.tables import Cylinder, Door, Item, Job
from tests import factories
from tests.bare import config

__all__ = ["config"]  # the bare house


def jobs(session: Session, text: str) -> list[int]:
    return [one.number for one in search(session, text).jobs]


def doors(session: Session, text: str) -> list[str]:
    return [one.opening_number for one in search(session, text).doors]


def triggers(config: Config) -> set[str]:
    with closing(sqlite3.connect(config.url.removeprefix("sqlite:///"))) as connection:
        return {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}


def test_every_word_is_met_in_any_order_whole_ones_first(session: Session) -> None:
    factories.JobFactory(number=1, title="Storeroom doors, north")
    factories.JobFactory(number=2, title="North store")
    factories.JobFactory(number=3, title="South store")
    assert jobs(session, "store north") == [2, 1]
    assert jobs(session, "sto nor") == [2, 1]
    assert jobs(session, "tore") == []


def test_a_word_may_be_the_owners(session: Session) -> None:
    college = factories.CustomerFactory(name="Maritime College")
    hall = factories.SiteFactory(customer=college, name="North Hall")
    factories.DoorFactory(site=hall, opening_number="101", location="Chart room")
    factories.DoorFactory(opening_number="101", location="Elsewhere")
    factories.JobFactory(number=7, customer=college, site=hall, title="Chart room")
    for text in ("101 college", "college 101", "north hall 101", "chart north hall", "room maritime"):
        assert len(doors(session, text)) == 1, text
    assert jobs(session, "chart college") == jobs(session, "hall chart") == jobs(session, "maritime") == [7]
    assert doors(session, "college") == []  # nobody looks for all doors of a customer here


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("PO# HF-24", 1042),
        ("their order hf-24", 1042),
        ("HF24", 1042),  # the hyphen left out
        ("no. 1042", 1042),
        ("no. 1043", None),
    ],
)
def test_what_is_said_before_a_number_and_how_it_is_parted_is_read_otherwise(
    session: Session, text: str, number: int | None
) -> None:
    factories.JobFactory(number=1042, po_number="HF-24")
    assert jobs(session, text) == ([number] if number else [])
    assert search(session, text).text == text


def test_a_quote_a_customer_and_a_keyset_are_met_by_what_people_write_beside_them(session: Session) -> None:
    shop = factories.CustomerFactory(name="Gull & Anchor", phone="555-0164")
    job = factories.JobFactory(number=1042, customer=shop)
    factories.QuoteRevisionFactory(job=job, revision=2)
    factories.KeysetFactory(symbol="SKD1")
    for text in ("#Q-1042-2", "1042 2"):
        assert [one.revision for one in search(session, text).quotes] == [2], text
    for text in ("gull and anchor", "+1 555 0164"):
        assert [one.name for one in search(session, text).customers] == ["Gull & Anchor"], text
    assert [one.symbol for one in search(session, "#SKD1").keysets] == ["SKD1"]


def test_an_apostrophe_less_and_a_blank_more_find_it_still(session: Session) -> None:
    flats = factories.CustomerFactory(name="Harbourmaster's Flats")
    factories.DoorFactory(site=factories.SiteFactory(customer=flats, name="Boathouse"), opening_number="D101")
    for text in ("harbourmasters", "harbourmasters flats", "harbourmaster's", "boat house"):
        assert [one.name for one in search(session, text).customers] == ["Harbourmaster's Flats"], text
    assert doors(session, "d 101") == doors(session, "boat house d101") == ["D101"]
    assert search(session, "harbourmasterx").customers == []


def test_an_apostrophe_less_within_a_name_finds_it_still(session: Session) -> None:
    for name in ("O'Neill & Sons", "D’Arcy Joinery", "Oneida Mills"):
        factories.CustomerFactory(name=name)
    for text, name in (("oneill", "O'Neill & Sons"), ("darcy joi", "D’Arcy Joinery"), ("oneid", "Oneida Mills")):
        assert [one.name for one in search(session, text).customers] == [name], text


def test_those_who_hold_keys_are_found_by_their_names(session: Session) -> None:
    keyset = factories.KeysetFactory(symbol="AA1")
    for copy, holder in enumerate(("M. Sandpiper, reception", "Zoë O'Curlew", ""), 1):
        factories.KeyFactory(keyset=keyset, copy_number=copy, holder=holder)
    for text, copies in (("sandpiper", [1]), ("recep", [1]), ("zoe", [2]), ("ocurlew", [2]), ("aa1-3", [3])):
        assert [one.copy_number for one in search(session, text).keys] == copies, text


def test_a_phone_in_any_writing(session: Session) -> None:
    factories.CustomerFactory(name="Gull", phone="(555) 555-0147", phone_digits="5555550147")
    for text in ("555-0147", "0147", "1 555 555 0147", "+1 (555) 555-0147", "555.555.0147"):
        assert [one.name for one in search(session, text).customers] == ["Gull"], text


def test_a_symbol_is_found_with_a_blank_in_it(session: Session) -> None:
    factories.KeysetFactory(symbol="AA1")
    assert [one.symbol for one in search(session, "aa 1").keysets] == ["AA1"]


def test_accents_fold(session: Session) -> None:
    factories.CustomerFactory(name="Café Zoë & Sons")
    for text in ("cafe zoe", "CAFÉ", "zoë", "sons & cafe", "cafe\u0301"):
        assert [one.name for one in search(session, text).customers] == ["Café Zoë & Sons"]
    factories.CustomerFactory(name="Jose\u0301 Vin\u0303a")  # its marks apart from its letters
    for text in ("jose", "José", "VIÑA", "josé vina"):
        assert len(search(session, text).customers) == 1, text
    factories.CustomerFactory(name="한국 가게")
    assert [one.name for one in search(session, "가게").customers] == ["한국 가게"]


def test_a_job_by_the_first_digits_of_its_number(session: Session) -> None:
    for number in (10, 104, 1041, 1042, 10420, 2104):
        factories.JobFactory(number=number, title="x")
    assert jobs(session, "104") == [104, 1042, 1041, 10420]
    assert jobs(session, "#1042") == [1042, 10420]
    assert jobs(session, "0") == []


@pytest.mark.postgresql
@pytest.mark.parametrize("text", ["1AA-2", "1aa 2", "1AA #2", "1AA/2", "1aa copy 2", "X1AA-2", "1AA no. 2"])
def test_a_key_by_symbol_and_copy(session: Session, text: str) -> None:
    keyset = factories.KeysetFactory(symbol="1AA")
    for copy in (1, 2):
        factories.KeyFactory(keyset=keyset, copy_number=copy, holder="P. Harbour")
    found = search(session, text).keys
    assert [(one.symbol, one.copy_number, one.holder) for one in found] == [("1AA", 2, "P. Harbour")]


def test_a_quotes_number_is_no_key(session: Session) -> None:
    factories.KeyFactory(keyset=factories.KeysetFactory(symbol="1042"), copy_number=2)
    assert search(session, "1042-2").keys == []


def test_symbols_as_one_types_the_whole_one_first(session: Session) -> None:
    for symbol in ("AA10", "AA1", "AA11", "AB1"):
        factories.KeysetFactory(symbol=symbol)
    assert [one.symbol for one in search(session, "aa1").keysets] == ["AA1", "AA10", "AA11"]


def test_part_numbers_whatever_their_case_each_once(session: Session) -> None:
    for number in ("AD-Q1-66", "ad-q1-66", "AD-Q2-66", "BD-Q1-66"):
        factories.CylinderFactory(part_number=number)
    assert [(one.part_number, one.cylinders) for one in search(session, "ad-q").parts] == [
        ("AD-Q1-66", 2),
        ("AD-Q2-66", 1),
    ]


def test_a_part_number_without_its_separators_or_with_others(session: Session) -> None:
    factories.CatalogItemFactory(code="AB-M3-AQ1", words="Mortise cylinder")
    for number in ("AD-Q1-66", "A-DQ1.66", "AE-Q1-66"):
        factories.CylinderFactory(part_number=number)
    for text in ("abm3aq1", "ABM3", "ab m3 aq1", "AB/M3", "ab-m3-"):
        assert [one.part_number for one in search(session, text).parts] == ["AB-M3-AQ1"], text
    # Two that differ by where their separators stand are told apart, each with its own cylinders.
    for text in ("adq166", "ad.q1-6", "A-D-Q"):
        found = [(one.part_number, one.cylinders) for one in search(session, text).parts]
        assert found == [("A-DQ1.66", 1), ("AD-Q1-66", 1)], text
    factories.CylinderFactory(part_number="ab-m3-aq1")
    assert [one.part_number for one in search(session, "abm3aq1").parts] == ["AB-M3-AQ1", "ab-m3-aq1"]


@pytest.mark.sqlite
@pytest.mark.parametrize(
    ("column", "index"), [(Cylinder.part_number, "search_part_numbers"), (Item.code, "search_item_numbers")]
)
def test_part_numbers_are_looked_up_in_their_index(session: Session, column: Any, index: str) -> None:
    number = numbered("sqlite", column)
    asked = sa.select(number).where(number >= "ab", number < "ac").order_by(number)
    sql = asked.compile(session.get_bind(), compile_kwargs={"literal_binds": True})
    plan = session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}")
    assert [row[3].partition(" (")[0] for row in plan] == [f"SEARCH {column.table} USING INDEX {index}"]


def test_what_is_written_is_found_at_once_and_what_is_gone_is_not(session: Session) -> None:
    door = factories.DoorFactory(opening_number="N101", location="Chart room")
    assert doors(session, "chart") == ["N101"]
    door.location = "Net loft"
    session.commit()
    assert (doors(session, "chart"), doors(session, "net")) == ([], ["N101"])
    session.execute(sa.update(Door).values(opening_number="S9"))  # past the models
    session.commit()
    assert (doors(session, "n101"), doors(session, "s9 loft")) == ([], ["S9"])
    session.delete(door)
    session.commit()
    assert doors(session, "net") == []


@pytest.mark.sqlite
@pytest.mark.parametrize("model", SEARCHED, ids=lambda model: str(model.__tablename__))
def test_each_index_of_words_agrees_with_its_table(session: Session, model: type) -> None:
    factory = next(
        one for one in vars(factories).values() if getattr(one, "_meta", None) and one._meta.model is model
    )
    rows = [factory() for _ in range(3)]
    setattr(rows[0], SEARCHED[model][0], "Heron")
    session.delete(rows[1])
    session.commit()
    name = f"search_{model.__tablename__}"  # type: ignore[attr-defined]
    session.execute(sa.text(f"INSERT INTO {name}({name}, rank) VALUES ('integrity-check', 1)"))  # noqa: S608
    assert session.scalars(
        word_ids("sqlite", model, "asked"), {"asked": query_of("sqlite", ["heron"], whole=True)}
    ).all() == [rows[0].id]


@pytest.mark.sqlite
def test_a_record_that_was_there_before_is_indexed_by_the_migration(config: Config, session: Session) -> None:
    factories.JobFactory(number=7, title="Chart room")
    session.close()
    command.downgrade(alembic_config(config.url), "0005")
    assert not any(name.startswith("search_") for name in triggers(config))
    migrate(config)
    assert jobs(session, "chart") == [7]


def made_by_hand(config: Config) -> dict[str, str]:
    """Triggers and the indexes named `search_…`, as they were made."""
    with closing(sqlite3.connect(config.url.removeprefix("sqlite:///"))) as connection:
        made = connection.execute("SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'index')")
        return {name: sql for name, sql in made if sql and not name.startswith("ix_")}


@pytest.mark.sqlite
def test_a_table_that_a_migration_rebuilds_keeps_its_triggers_and_indexes(config: Config) -> None:
    before = made_by_hand(config)
    assert {"events_no_update", "quote_revisions_no_delete", "search_jobs_changed"} <= set(before)
    assert "lower(part_number)" in before["search_part_numbers"]
    with closing(sqlite3.connect(config.url.removeprefix("sqlite:///"))) as connection:
        connection.execute("CREATE TRIGGER watched AFTER UPDATE ON house BEGIN SELECT 1; END")
        connection.execute("CREATE INDEX search_houses ON house (name COLLATE NOCASE)")
        connection.execute("CREATE INDEX search_phones ON house (replace(phone, '-', ''))")
    settings = alembic_config(config.url)
    command.downgrade(settings, "0002")  # 0003 takes a column from `house`, for which SQLite builds it anew
    after = made_by_hand(config)
    assert {"watched", "events_no_update", "quote_revisions_no_delete"} <= set(after)
    assert after["search_houses"] == "CREATE INDEX search_houses ON house (name COLLATE NOCASE)"
    assert after["search_phones"] == "CREATE INDEX search_phones ON house (replace(phone, '-', ''))"
    command.upgrade(settings, "head")
    assert {name: sql for name, sql in made_by_hand(config).items() if name not in after} == {
        name: sql for name, sql in before.items() if name not in after
    }


def test_words_and_what_the_models_do_not_know() -> None:
    assert read_words("a " * 50) == ("a",) * 8
    assert [is_modelled(name, "index", {}) for name in ("search_symbols", "ix_jobs_ledger", None)] == [
        False,
        True,
        True,
    ]


def test_a_long_record_is_read_in_part(session: Session) -> None:
    user = factories.UserFactory()
    customer = factories.CustomerFactory()
    session.execute(
        sa.insert(Job),
        [
            {"number": n, "customer_id": customer.id, "title": "Store", "asked_on": user.created_at.date(),
             "opened_by_id": user.id, "stage": "asked"}
            for n in range(1, 1001)
        ],
    )  # fmt: skip
    session.commit()
    assert (
        len(
            session.scalars(
                word_ids(dialect_of(session), Job, "asked"), {"asked": query_of(dialect_of(session), ["store"])}
            ).all()
        )
        == 200
    )
    assert jobs(session, "store") == list(range(1000, 988, -1))


def test_a_customer_by_the_last_digits_of_a_contacts_phone(session: Session) -> None:
    customer = factories.CustomerFactory(name="Lantern Row Dental", phone="555-0100", phone_digits="5550100")
    factories.ContactFactory(customer=customer, name="A. Lantern", phone="555-0199", phone_digits="5550199")
    factories.CustomerFactory(name="Flat 0199", phone="", phone_digits="")
    assert [one.name for one in search(session, "0199").customers] == ["Lantern Row Dental", "Flat 0199"]
    assert [one.name for one in search(session, "lantern a").customers] == ["Lantern Row Dental"]
