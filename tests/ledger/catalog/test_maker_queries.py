"""Part numbers are found however they are typed, by the index and never by reading all rows."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from app.ledger.catalog.maker_queries import IN_CATALOG, ItemLookup, get_item, plain_numbers, spellings
from app.ledger.tables import Item, ItemKind, Maker


@pytest.fixture
def ardent(work) -> Maker:
    maker: Maker = work.session.scalar(sa.select(Maker).where(Maker.code == "ARD"))
    for number in ("Nm-1b", "Ring-Set Brass Polished"):
        work.session.add(
            Item(
                maker_id=maker.id,
                kind=ItemKind.GOODS,
                code=number,
                category="hardware",
                words="x",
                cost_cents=1,
                list_cents=2,
            )
        )
    work.session.flush()
    return maker


@contextmanager
def statements(session) -> Iterator[list[tuple[str, tuple]]]:
    seen: list[tuple[str, tuple]] = []

    def note(connection, cursor, statement, parameters, context, many) -> None:
        seen.append((statement, parameters))

    engine = session.get_bind().engine
    sa.event.listen(engine, "before_cursor_execute", note)
    yield seen
    sa.event.remove(engine, "before_cursor_execute", note)


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("A18M-Q1-66.SC", "A18M-Q1-66.SC"),
        ("a18m-q1-66.sc", "A18M-Q1-66.SC"),
        ("NM-1B", "Nm-1b"),
        ("ring-set brass polished", "Ring-Set Brass Polished"),
        ("no such", None),
        ("", None),
        ("a" * 10_000, None),
    ],
)
def test_a_number_is_found_however_it_is_typed(work, ardent: Maker, typed: str, found: str | None) -> None:
    item = get_item(work.session, ardent.id, typed)
    assert (item.code if item else None) == found


@pytest.mark.sqlite  # it reads SQLite's own plan of the query
def test_a_number_in_no_catalog_is_looked_for_by_the_index_alone(work, ardent: Maker) -> None:
    with statements(work.session) as seen:
        assert get_item(work.session, ardent.id, "ax10-y.zz") is None
        assert plain_numbers(work.session, ["ax10-y.zz", "nm-1B", "RING-SET BRASS polished"]) == {
            "NM-1B",
            "RING-SET BRASS POLISHED",
        }
    for statement, parameters in [each for each in seen if "FROM items" in each[0]]:
        plan = work.session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
        assert all("SEARCH" in str(step) and "code" in str(step) for step in plan), plan


@given(st.text("aB1-.", max_size=12))
def test_every_spelling_means_the_same_number(text: str) -> None:
    ways = spellings(text)
    assert text in ways and {way.upper() for way in ways} == {text.upper()}


def test_many_numbers_are_looked_up_at_once_as_one_would_be(work, ardent) -> None:
    items = work.session.scalars(sa.select(Item).where(Item.maker_id == ardent.id)).all()[:40]
    typed = [*(item.code.lower() for item in items), "NM-1B", "ring-set brass polished", "NO-SUCH", "x" * 500]
    with statements(work.session) as seen:
        lookup = ItemLookup(work.session, typed)
        found = [lookup.get(ardent.id, number) for number in typed]
    assert len(seen) == 1
    assert found == [get_item(work.session, ardent.id, number, IN_CATALOG) for number in typed]
    with statements(work.session) as seen:
        assert [lookup.get(ardent.id, "NEVER-GIVEN") for _ in range(3)] == [None] * 3
    assert len(seen) == 2
