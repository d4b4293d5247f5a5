"""Planning, auditing and cross-keying a system in the browser; no page shows a bitting."""

import json
import re
from collections import Counter
from collections.abc import Callable
from html import unescape
from itertools import pairwise, product
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import KeyingError, NamedKey, read_symbol
from app.ledger.catalog.makers import import_maker
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, open_plan, room_below, seal_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.reserves import reserves_of
from app.ledger.keysystems.rows_aside import put_aside
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Cylinder, CylinderOperator, Event, Keyset, KeySystem, Level, Role
from tests import factories
from tests.keyed import mark_lost
from tests.reading import words_of
from tests.web.keying.keying_system import bittings_in_clear, first_unlike, put_cut, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]
MAKERS = Path(__file__).resolve().parents[3] / "demo_data" / "makers"
DEMAND = {
    "keyway": "AQ1",
    "chambers": "6",
    "levels": "3",
    "grands": "1",
    "masters": "3",
    "changes": "12",
    "changes_later": "3",
    "masters_later": "1",
}


def _plan(client: FlaskClient, **changed: str) -> str:
    return str(client.post("/keying/plan", data={**DEMAND, **changed}).text)


def test_plans_stand_side_by_side_and_one_is_started(client_as: ClientAs, session: Session, work: Work) -> None:
    factories.KeywayFactory(code="AQ1")
    customer = factories.CustomerFactory()
    client = client_as(Role.BENCH)
    page = _plan(client)
    roles = re.findall(r'name="roles" value="([CMG-]+)"', page)
    assert 2 <= len(roles) <= 3 and len(set(roles)) == len(roles)
    sealed = re.search(r'name="sealed" value="([^"]+)"', page)
    assert sealed is not None
    data = {**DEMAND, "sealed": sealed[1], "roles": roles[0], "customer": str(customer.id), "name": "Three halls"}
    answer = client.post("/keying/plan/start", data=data)
    assert answer.status_code == 303
    system = session.query(KeySystem).one()
    assert [keyset.symbol for keyset in system.keysets] == ["A", "AA", "AB", "AC"]
    assert system.sealed_plan is not None and session.query(Bitting).count() == 4
    for bitting in bittings_in_clear(work, system).values():
        assert bitting not in page
    again = client.post("/keying/plan/start", data=data)
    assert again.status_code == 422 and "already" in again.text
    for_another = {**data, "customer": str(factories.CustomerFactory().id)}  # would have the very same keys
    refused = client.post("/keying/plan/start", data=for_another)
    assert (
        refused.status_code == 422 and "plan another anew" in refused.text and session.query(KeySystem).count() == 1
    )


def test_masters_of_a_new_system_stand_on_several_keyways_of_a_family(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """The page says which blank enters which; it starts so, audits clean and holds what is counted."""
    for name in ("ardent_brass", "northlight"):
        import_maker(work, {**json.loads((MAKERS / f"{name}.json").read_text()), "items": []})
    customer = factories.CustomerFactory()
    client = client_as(Role.BENCH)
    assert "Masters can stand on AQ2, AQ3, AQ4, AQ5, AQ6 too" in words_of(_plan(client))
    parts = {"levels": "4", "grands": "2", "masters": "2", "parts": "ab: AQ3; B: AQ2"}
    page = _plan(client, **parts)
    # By the demo's tables, read by eye: AK6-12 enters AQ1 and AQ2, AK6-34 AQ3 and AQ4, the family's blank all six.
    words = words_of(page)
    for row in (
        "GGM AQ1, AQ2, AQ3 Ardent Brass AK6-ALL AQ4, AQ5, AQ6",
        "A AQ1, AQ3 Ardent Brass AK6-ALL AQ2, AQ4, AQ5, AQ6",
        "B AQ2 Ardent Brass AK6-12 AQ1",
        "AA, and changes AQ1 Ardent Brass AK6-12 AQ2",
        "AB, and changes AQ3 Ardent Brass AK6-34 AQ4",
        "BA, BB, and changes AQ2 Ardent Brass AK6-12 AQ1",
    ):
        assert row in words, words
    sealed = re.search(r'name="sealed" value="([^"]+)"', page)
    roles = re.findall(r'name="roles" value="([CMG4-]+)"', page)[0]
    assert sealed is not None
    data = {**DEMAND, **parts, "sealed": sealed[1], "roles": roles, "customer": str(customer.id), "name": "Wings"}
    swapped = client.post("/keying/plan/start", data={**data, "parts": "ab: AQ4; B: AQ2"})
    assert swapped.status_code == 422 and session.query(KeySystem).count() == 0
    assert client.post("/keying/plan/start", data=data).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    on = {keyset.symbol: keyset.section for keyset in system.keysets if keyset.level is not Level.CONTROL}
    assert on == {"GGM": "AQ1", "A": "AQ1", "AA": "AQ1", "AB": "AQ3", "B": "AQ2", "BA": "AQ2", "BB": "AQ2"}
    with transaction(session):
        for master in ("AA", "AB", "BA", "BB"):
            for keyset in add_keysets(work, system, 12, master):
                factories.CylinderFactory(keyset=keyset, keyway=keyset.section, chambers=6)
    session.expire_all()
    system = get_system(session, system.id)
    assert Counter(keyset.section for keyset in system.keysets if keyset.level is Level.CHANGE) == {
        "AQ1": 12, "AQ2": 24, "AQ3": 12,
    }  # fmt: skip
    assert audit_systems(work, [system]).is_clean
    # Plainly: every key under AB that its chambers for changes can have within MACS; the page told no more.
    cuts = {one.symbol: open_bittings(session, work.vault, [system])[one.id] for one in system.keysets}
    plan, spec = open_plan(work.vault, system), open_system(work, system.id).spec
    assert plan is not None
    choices = [
        [cut] if role != "C" else [one for one in spec.all_depths if one != cut and not (one - cut) % spec.step]
        for cut, role in zip(cuts["AB"], plan.roles, strict=True)
    ]
    counted = {one for one in product(*choices) if spec.allows(one)}
    assert {cut for symbol, cut in cuts.items() if symbol.startswith("AB") and symbol != "AB"} <= counted
    told = re.search(r"changes[^0-9]*12 3 ([\d,]+)", words)
    assert told is not None and 15 <= int(told[1].replace(",", "")) <= len(counted)


def test_a_plan_says_where_masters_share_bittings_and_what_then_keeps_them_apart(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """Four depths a chamber beside the top's: 65 changes take four chambers, and two hold at most 16 masters."""
    for name in ("ardent_brass", "northlight"):
        import_maker(work, {**json.loads((MAKERS / f"{name}.json").read_text()), "items": []})
    client, large = (
        client_as(Role.BENCH),
        {"masters": "18", "masters_later": "0", "changes": "65", "changes_later": "0"},
    )
    words = words_of(_plan(client, **large))
    assert "do not fit under this master. What" in words
    assert "On AQ3, AQ4, AQ5, AQ6 the array can be had once more, if it is too small" in words
    page = _plan(client, **large, parts="AG to AM: AQ3; an-AU: AQ5")
    words = words_of(page)
    assert (
        "No array was found that holds a bitting for each of 18 × 65 keys" in words and "6 × 65 bittings do." in words
    )
    assert "have none of them cut of another blank than stands here" in words
    assert re.search(r"masters per grand 6 for 18 keys 0 \d+", words), words
    few = words_of(_plan(client, parts="AB: AQ3"))
    assert "Every keyset has a bitting of its own across these keyways." in few and "for 3 keys" not in few
    none = words_of(_plan(client, **{**large, "masters": "60", "parts": "AB: AQ3"}))
    assert "nor where masters on keyways apart share bittings." in none
    assert 'name="roles"' in page and session.query(KeySystem).count() == 0


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"parts": "AB AQ2"}, "AB AQ2 is no part: write a symbol and its keyway, such as AB: AQ1."),
        ({"parts": "AZ: AQ2"}, "The plan has no master AZ below its top: choose of AA, AB, AC."),
        ({"parts": "A: AQ2"}, "The plan has no master A below its top"),
        ({"parts": "AB: AQ2; AB: AQ3"}, "AB has two keyways: give it one."),
        ({"parts": "AB: AQ2; AA to AC: AQ3"}, "AB has two keyways: give it one."),
        ({"parts": "AC to AB: AQ2"}, "AC to AB is no run of masters under one key: name its first, then its last."),
        ({"parts": "AA to BA: AQ2", "levels": "4", "grands": "2"}, "AA to BA is no run of masters under one key"),
        ({"parts": "AA to AZ: AQ2"}, "The plan has no master AZ below its top: choose of AA, AB, AC."),
        ({"parts": "AB AQ2; AA: ZZ9"}, "such as AB: AQ1. No maker on record has a keyway"),
        ({"parts": "AB: NH1"}, "is cut by another bitting spec"),
        ({"parts": "AA: AQ2", "levels": "2", "masters": "1"}, "it has none, so choose the keyway above"),
        ({"parts": "AB: AQ2", "masters": "1001"}, "Parts are named of up to 1,000 masters"),
    ],
)
def test_a_part_that_cannot_be_on_its_keyway_is_named_beside_its_box(
    client_as: ClientAs, work: Work, changed: dict[str, str], told: str
) -> None:
    for name in ("ardent_brass", "northlight"):
        import_maker(work, {**json.loads((MAKERS / f"{name}.json").read_text()), "items": []})
    answer = client_as(Role.BENCH).post("/keying/plan", data={**DEMAND, **changed})
    assert answer.status_code == 422 and told in words_of(answer.text)
    assert f'value="{changed["parts"]}"' in answer.text


def test_a_system_has_the_chambers_of_its_keyway_where_nothing_else_is_said(client_as: ClientAs) -> None:
    """Six stood in the box, whatever the keyway: a core of seven chambers was planned with six."""
    seven = {"chambers": 7, "depths": 10, "first_depth": 0, "macs": 9, "step": 2}
    factories.KeywayFactory(code="AQ1", spec__spec=seven)
    client = client_as(Role.BENCH)
    for address in ("/keying/plan", "/keying/matrix"):
        box = re.search(r'<input[^>]* name="chambers"[^>]*>', client.get(address).text)
        assert box is not None and 'value=""' in box[0] and 'placeholder="all"' in box[0], box
    for typed, chambers in (("", 7), ("6", 6)):
        roles = re.findall(r'name="roles" value="([CMG-]+)"', _plan(client, chambers=typed))
        assert roles and {len(one) for one in roles} == {chambers}
    people = "Ann, hall; desk\nBo, desk"
    asked = {"keyway": "AQ1", "chambers": "", "seconds": "20", "people": people, "deed": "solve"}
    started = client.post("/keying/matrix", data=asked)
    assert started.status_code == 303
    [run] = client.application.extensions["keying runs"].values()
    assert run.ended.wait(600) and run.ready.spec.chambers == 7


DEEP = {
    "levels": "5",
    "great_grands": "2",
    "grands": "2",
    "masters": "2",
    "changes": "3",
    "great_grands_later": "1",
    "masters_later": "2",
}


def test_a_system_of_five_levels_is_started_by_its_plan_and_sold_into(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    factories.KeywayFactory(code="AQ1")
    customer = factories.CustomerFactory()
    client = client_as(Role.BENCH)
    page = _plan(client, **DEEP)
    roles = re.findall(r'name="roles" value="([CMG4-]+)"', page)
    sealed = re.search(r'name="sealed" value="([^"]+)"', page)
    assert roles and sealed is not None
    words = words_of(page)
    for level, now, later in (("great grands", 2, 1), ("grands", 2, 0), ("masters per grand", 2, 2)):
        assert f"{level} {now} {later} " in words  # with what the plan holds, and leaves, behind it
    data = {**DEMAND, **DEEP, "sealed": sealed[1], "roles": roles[0], "customer": str(customer.id), "name": "Deep"}
    assert client.post("/keying/plan/start", data=data).status_code == 303
    system = session.query(KeySystem).one()
    assert system.levels == 5
    by_level: dict[str, list[str]] = {}
    for keyset in system.keysets:
        by_level.setdefault(keyset.level.value, []).append(keyset.symbol)
        parent = read_symbol(keyset.symbol, levels=5).parent
        assert (keyset.parent.symbol if keyset.parent else None) == parent  # each level is read back
    assert by_level == {
        "great great grand master": ["GGGM"],
        "great grand master": ["A", "B"],
        "grand master": ["AA", "AB", "BA", "BB"],
        "master": ["AAA", "AAB", "ABA", "ABB", "BAA", "BAB", "BBA", "BBB"],
    }
    with transaction(session):
        added = add_keysets(work, system, 2, "ABA")
    assert [one.symbol for one in added] == ["ABA1", "ABA2"]
    for form in (
        {"master": "BBB", "changes": "2"},
        {"grand": "BB", "masters": "1", "changes_each": "2"},
        {"grand": "GGGM", "masters": "1"},
        {"grand": "C", "masters": "1"},
    ):
        answer = client.post(f"/keying/systems/{system.id}/extend", data={**form, "deed": "extend"})
        assert answer.status_code == 303, words_of(answer.text)
    session.expire_all()
    names = {one.symbol: one for one in session.query(KeySystem).one().keysets}
    assert {"BBB1", "BBB2", "BBC", "BBC1", "BBC2", "C", "CA"} <= names.keys()
    assert names["CA"].level is Level.GRAND and names["BBC"].level is Level.MASTER
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    assert "great great grand master" in client.get(f"/key-systems/{system.id}").text


def test_the_extend_page_says_level_by_level_what_the_array_can_still_make(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    spec = {"chambers": 6, "depths": 8, "first_depth": 0, "macs": 5, "step": 2}
    system = system_in_service(work, spec)
    plan, keys = open_plan(work.vault, system), open_system(work, system.id).keys
    assert plan is not None
    room = {one.over.symbol: one for one in room_below(work, system)}
    assert {symbol: one.words for symbol, one in room.items()} == {"A": "masters", "AA": "changes", "AB": "changes"}
    for symbol, one in room.items():  # each bitting of the array, one by one
        role = "M" if symbol == "A" else "C"
        columns = [
            [d for d in range(8) if d != top and (d - top) % 2 == 0] if mark == role else [cut]
            for top, mark, cut in zip(plan.tmk, plan.roles, keys[symbol], strict=True)
        ]
        every = [cuts for cuts in product(*columns) if all(abs(a - b) <= 5 for a, b in pairwise(cuts))]
        assert (one.holds, one.free) == (len(every), len(set(every) - set(keys.values())))
    free = room["AB"].free
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/extend"
    words = words_of(client.get(address).text)
    assert f"AB master changes {free:,} {room['AB'].holds:,}" in words
    assert f"A grand master masters {room['A'].free:,} {room['A'].holds:,}" in words
    more = {"master": "AB", "deed": "extend"}
    assert client.post(address, data={**more, "changes": str(free + 1)}).status_code == 422
    assert client.post(address, data={**more, "changes": str(free)}).status_code == 303


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"chambers": "7"}, "chambers"),
        ({"chambers": "x"}, "chambers"),
        ({"levels": "8"}, "levels"),
        ({"keyway": "ZZ"}, "keyway"),
        ({"changes": "0"}, "changes"),
        ({"changes": "1" + "0" * 30}, "changes"),
        ({"changes_later": "-5"}, "changes_later"),
        ({"levels": "5", "great_grands": "23"}, "great_grands"),
        ({"levels": "4", "grands": "23"}, "grands"),
    ],
)
def test_a_demand_that_makes_no_sense_is_refused_by_field(
    client_as: ClientAs, changed: dict[str, str], field: str
) -> None:
    factories.KeywayFactory(code="AQ1")
    answer = client_as(Role.BENCH).post("/keying/plan", data={**DEMAND, **changed})
    assert answer.status_code == 422 and f'id="{field}-error"' in answer.text


def test_what_cannot_fit_is_told_with_what_would(client_as: ClientAs) -> None:
    factories.KeywayFactory(code="AQ1")
    page = _plan(client_as(Role.BENCH), levels="4", grands="6", masters="20", changes="300", changes_later="0")
    assert "do not fit" in page and "What would make it fit" in page


def test_the_counter_sees_plans_and_starts_none(client_as: ClientAs) -> None:
    factories.KeywayFactory(code="AQ1")
    client = client_as(Role.COUNTER)
    page = _plan(client)
    assert "Most to spare" in page and "sealed" not in page.partition("<main")[2].replace("masters are sealed", "")
    assert client.post("/keying/plan/start", data=DEMAND).status_code == 403


def test_another_persons_plan_cannot_be_started(client_as: ClientAs, session: Session) -> None:
    factories.KeywayFactory(code="AQ1")
    page = _plan(client_as(Role.BENCH))
    sealed, roles = (re.search(rf'name="{name}" value="([^"]+)"', page)[1] for name in ("sealed", "roles"))
    data = {**DEMAND, "sealed": sealed, "roles": roles, "customer": str(factories.CustomerFactory().id), "name": "X"}
    for given in (data, {**data, "sealed": "nonsense"}):
        answer = client_as(Role.OWNER).post("/keying/plan/start", data=given)
        assert answer.status_code == 422 and "lost its place" in answer.text
    assert session.query(KeySystem).count() == 0


def test_a_clean_system_audits_clean_on_demand(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work)
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/audit"
    assert "Clean" not in client.get(address).text
    assert session.query(Event).filter_by(kind="key system audited").count() == 0
    page = client.post(address).text
    assert "Clean: no key" in page and "<dd>81</dd>" in page  # nine keys in six cylinders and in three masters' own
    assert "Tried: 9 keys in 6 cylinders on record, and in 3 as keysets on none would have them." in page
    session.rollback()  # to see what the page saved
    assert session.query(Event).filter_by(kind="key system audited").count() == 1
    for bitting in bittings_in_clear(work, system).values():
        assert bitting not in page


@pytest.mark.postgresql
def test_a_wrong_bitting_is_a_finding_with_its_remedy(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work)
    one, other = (session.scalars(sa.select(Keyset).where(Keyset.symbol == s)).one() for s in ("AA1", "AA2"))
    # AA1's own cut in all chambers but one, where it has the master's: it turns AA1's cylinder as well.
    opened = bittings_in_clear(work, system)
    mixed = put_cut(opened["AA1"], first_unlike(opened["AA1"], opened["AA"]), opened["AA"])
    assert mixed != opened["AA1"]
    session.delete(other.bitting)
    session.flush()
    session.expire(other)
    seal_bitting(work, one.system, other, tuple(int(cut) for cut in mixed))
    session.commit()
    page = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/audit").text
    assert "Findings: no bench sheet" in page
    assert "Key AA2 of Quay Hall would also operate AA1 of Quay Hall" in page
    assert "rekey the cylinder to another keyset" in page and mixed not in page


def test_cross_keying_shows_its_cost_before_it_is_saved(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work)
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/cross-key"
    cylinder = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one().cylinders[0]
    data = {"cylinder": str(cylinder.id), "symbols": "ab1", "deed": "cost"}
    page = client.post(address, data=data).text
    assert "Combinations now" in page and "It costs" in page and "Hand AA to the holders of AB1" in page
    # The doors are D1 to D3 under AA, D4 to D6 under AB; the holders of AB1 open D4.
    said = " ".join(re.sub(r"<[^>]*>", " ", page).split())
    assert "Uncontrolled: its keys hang under different higher keys" in said
    assert "Have what they come for behind a door that AB1 opens: D4. no other door" in said
    assert "Hand AA to the holders of AB1. 2 doors more: D2, D3" in said
    assert "Hand A to the holders of AB1. 4 doors more: D2, D3, D5, D6" in said
    assert session.query(CylinderOperator).count() == 0
    clean = "Cross-key it" in page
    answer = client.post(address, data={**data, "deed": "save"})
    assert answer.status_code == (303 if clean else 422), answer.text
    session.rollback()
    assert session.query(CylinderOperator).count() == int(clean)
    for bitting in bittings_in_clear(work, system).values():
        assert bitting not in page


@pytest.mark.parametrize(
    ("symbols", "words"),
    [("", "Enter at least one"), ("ZZ9", "no keyset ZZ9"), ("AA", "already"), ("W" * 10_000, "At most 400")],
)
def test_cross_keying_refuses_by_field(
    client_as: ClientAs, session: Session, work: Work, symbols: str, words: str
) -> None:
    system = system_in_service(work)
    cylinder = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one().cylinders[0]
    answer = client_as(Role.BENCH).post(
        f"/keying/systems/{system.id}/cross-key",
        data={"cylinder": str(cylinder.id), "symbols": symbols, "deed": "save"},
    )
    assert answer.status_code == 422
    assert words in answer.text.partition('id="symbols-error"')[2].partition("</p>")[0]
    assert session.query(CylinderOperator).count() == 0


def test_a_key_that_stands_aside_is_not_let_in_by_a_cross_keying(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    opened, client = bittings_in_clear(work, system), client_as(Role.BENCH)
    [listed] = re.findall('href="(/key-systems/[0-9]+)"', client.get("/key-systems").text)
    [address] = re.findall('href="(/keying/systems/[0-9]+/cross-key)"', client.get(listed).text)
    cylinder = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one().cylinders[0].id
    crossing = {"cylinder": str(cylinder), "deed": "cost"}
    also = next(
        one
        for one in ("AA2", "AA3", "AB1", "AB2", "AB3")
        if "Cross-key it" in client.post(address, data={**crossing, "symbols": one}).text
    )
    own = [opened[one] for one in ("AA1", "AA", "A")]
    place = next(n for n, cut in enumerate(opened[also]) if cut not in {one[n] for one in own})
    session.rollback()
    put_aside(work, system, 7, NamedKey("", "K7"), "Two of it.", put_cut(own[0], place, opened[also]))
    session.commit()
    answer = client.post(address, data={**crossing, "symbols": also, "deed": "save"})
    assert answer.status_code == 422
    told = answer.text.partition('id="symbols-error"')[2].partition("</p>")[0]
    assert "Row 7 of the list that Quay Hall came from stands aside, and its key may open door D1 then" in told
    session.rollback()
    assert session.query(CylinderOperator).count() == 0


def test_the_counter_opens_neither(client_as: ClientAs, work: Work) -> None:
    system = system_in_service(work)
    client = client_as(Role.COUNTER)
    for page in ("audit", "cross-key"):
        assert client.get(f"/keying/systems/{system.id}/{page}").status_code == 403


def test_near_misses_are_told_by_the_tolerance_that_is_chosen(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    opened = bittings_in_clear(work, system)
    # AA2 becomes AA1 with one cut a step of two off: what is drawn stands further apart.
    place = first_unlike(opened["AA1"], opened["AA"])
    cut = int(opened["AA1"][place])
    beside = next(c for c in (cut - 2, cut + 2) if 0 <= c <= 9 and c != int(opened["AA"][place]))
    other = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA2")).one()
    session.delete(other.bitting)
    session.flush()
    session.expire(other)
    seal_bitting(
        work, system, other, (*map(int, opened["AA1"][:place]), beside, *map(int, opened["AA1"][place + 1 :]))
    )
    session.commit()
    client, address = client_as(Role.BENCH), f"/keying/systems/{system.id}/audit"
    keys = open_system(work, system.id).keys
    one = client.post(address, data={"tolerance": "1"}).text
    assert ">None.<" in one and "off by up to 1 increment:" in one  # two-step: no two cuts are one increment apart
    two = client.post(address, data={"tolerance": "2"}).text
    chains = open_system(work, system.id).cylinders
    near = [
        (key, cylinder)
        for cylinder, chain in chains.items()
        for key, cuts in keys.items()
        for off in [[min(abs(cut - keys[own][c]) for own in chain) for c, cut in enumerate(cuts)]]
        if sum(away > 0 for away in off) == 1 and max(off) <= 2
    ]
    assert {("AA1", "AA2"), ("AA2", "AA1")} <= set(near)
    row = 'data-label="Key" class="code">{}</td><td data-label="Cylinder" class="code">{}</td>'
    assert all(row.format(key, cylinder) in two for key, cylinder in near[:40])
    assert client.post(address, data={"tolerance": "9"}).status_code == 422


def test_a_system_of_rotating_constants_is_started_where_it_alone_fits(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 9, "step": 2}  # 4,096 changes, 6,144 turning
    factories.KeywayFactory(code="AQ1", spec__spec=spec)
    customer = factories.CustomerFactory()
    client = client_as(Role.BENCH)
    demand = {"levels": "2", "masters": "1", "changes": "4600", "changes_later": "0"}
    page = _plan(client, **demand)
    assert "do not fit" in page and "1 chamber at a time is held" in page
    sealed = re.search(r'name="sealed" value="([^"]+)"', page)
    assert sealed is not None
    data = {
        **DEMAND,
        **demand,
        "sealed": sealed[1],
        "roles": "CCCCCC",
        "customer": str(customer.id),
        "name": "Turning",
    }
    answer = client.post("/keying/plan/start", data=data)
    assert answer.status_code == 303, answer.text
    system = session.query(KeySystem).one()
    plan = open_plan(work.vault, system)
    assert plan is not None and plan.constants == 1 and system.capacity == 6144
    with transaction(session):
        add_keysets(work, system, 25)
    more = {"master": "AA", "changes": "25", "deed": "extend"}
    answer = client.post(f"/keying/systems/{system.id}/extend", data=more)
    assert answer.status_code == 303, answer.text
    session.expire_all()
    opened = bittings_in_clear(work, system)
    top = opened.pop("AA")
    assert len(set(opened.values())) == 50
    assert all(sum(a == b for a, b in zip(top, cuts, strict=True)) == 1 for cuts in opened.values())
    assert audit_systems(work, [system]).is_clean


def test_the_cost_of_a_second_cross_keying_counts_from_the_first(session: Session, work: Work) -> None:
    system_in_service(work)
    cylinder = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one().cylinders[0]
    free = ["AB", "AB1", "AB2", "AA2", "AA3"]
    done = []
    for symbol in free:
        try:
            done.append(cross_key(work, cylinder.id, [symbol]))
        except KeyingError:  # a key would get in unasked: the next
            session.rollback()
    assert len(done) >= 2, "this system takes no two"
    assert done[1].combinations_before == done[0].combinations_after


def test_an_audit_that_tried_nothing_is_not_called_clean(client_as: ClientAs, session: Session, work: Work) -> None:
    system, client = system_in_service(work), client_as(Role.BENCH)
    session.execute(sa.delete(Cylinder))
    session.commit()
    page = client.post(f"/keying/systems/{system.id}/audit").text
    assert "Tried: 9 keys in 0 cylinders on record, and in 9 as keysets on none would have them." in page
    session.execute(sa.delete(Bitting).where(Bitting.keyset_id == system.keysets[0].id))
    session.commit()
    page = client.post(f"/keying/systems/{system.id}/audit").text
    assert "Nothing was proven of 1 keyset without a bitting here." in page and "notice good" not in page
    session.execute(sa.delete(Bitting))
    session.commit()
    page = client.post(f"/keying/systems/{system.id}/audit").text
    assert "No key was tried in any cylinder" in page and "Clean:" not in page
    assert "Nothing was proven of 9 keysets without a bitting here." in page


def test_the_extend_page_tells_of_a_lost_master(client_as: ClientAs, session: Session, work: Work) -> None:
    system, client = system_in_service(work), client_as(Role.BENCH)
    address, words = f"/keying/systems/{system.id}/extend", "A key of AA of Quay Hall is lost (copy 1)"
    assert words not in client.get(address).text
    master = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA")).one()
    mark_lost(session, factories.KeyFactory(keyset=master, copy_number=1))
    assert words in client.get(address).text


def test_a_reserve_is_asked_when_a_system_is_planned(client_as: ClientAs, session: Session, work: Work) -> None:
    """It finds room beside the changes of now, is kept from the start, and a door of its floor draws from it."""
    factories.KeywayFactory(code="AQ1")
    customer = factories.CustomerFactory()
    client = client_as(Role.BENCH)
    for reserve, words in (
        ("floor 1: 10", "Under which master is the reserve for floor 1? Write floor 1: 10 under AA."),
        ("floor 1: 10 under AZ", "The plan has no master AZ over changes: choose of AA, AB, AC."),
        ("much", "much is no reserve"),
    ):
        refused = client.post("/keying/plan", data={**DEMAND, "reserve": reserve})
        assert refused.status_code == 422 and words in unescape(refused.text), words
    asked = {"reserve": "floor 1: 10 under AA; Chemistry: 4 under AA; 2"}
    page = _plan(client, **asked)
    kept = "10 under AA for floor 1; 4 under AA for Chemistry; 2 under each master for later doors."
    assert f"Kept back from the start, as part of what comes later: {kept}" in words_of(page)
    changes, later = (int(DEMAND[name]) for name in ("changes", "changes_later"))
    rows = re.findall(r"changes per master ([\d,]+) ([\d,]+) ([\d,]+)", words_of(page))
    assert rows and {row[:2] for row in rows} == {(str(changes), str(max(later, 10 + 4 + 2)))}
    [sealed, *_] = re.findall(r'name="sealed" value="([^"]+)"', page)
    roles = re.findall(r'name="roles" value="([CMG-]+)"', page)[0]
    data = {**DEMAND, **asked, "sealed": sealed, "roles": roles, "customer": str(customer.id), "name": "Pier"}
    assert client.post("/keying/plan/start", data={**data, "reserve": "2"}).status_code == 422
    assert client.post("/keying/plan/start", data=data).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    left = {(one.name, one.master): one.left for one in reserves_of(session, system)}
    assert left == {("floor 1", "AA"): 10, ("Chemistry", "AA"): 4} | {
        ("later doors", master): 2 for master in ("AA", "AB", "AC")
    }
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    assert "in reserve 10 under AA for floor 1" in client.get(f"/key-systems/{system.id}").text
