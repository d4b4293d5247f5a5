"""What acceptance would refuse is told on the line before: what a system can still give, and what is wrong there."""

from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.extending import ExtendForm, extend_system, make_extension_ready, seal_extension
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.quoting.issuing import keep_requote
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import first_broken_link, missing_at_the_end
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import (
    Base,
    Cylinder,
    Event,
    Job,
    Key,
    Keyset,
    KeySystem,
    LineKind,
    RecordsHolder,
    Role,
    SpecRow,
)
from app.pricing import KeyingKind
from tests.keyed import mark_lost
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import MORTISE, accept, college, flats, issued, mortise, replace_bitting

SHOP = {"keyed_at": "shop", "override_reason": "soon"}
MK, GMK, KD = (KeyingInstruction(kind) for kind in (KeyingKind.MK, KeyingKind.GMK, KeyingKind.KD))


def told(work: Work, ask: QuoteRequest) -> list[tuple[str, str]]:
    """What stands against issuing it; it is refused."""
    with pytest.raises(Problems) as refused:
        issued(work, ask)
    return [(problem.field, problem.message) for problem in refused.value.problems]


def rows(work: Work) -> dict[str, int]:
    """How many rows each table has, drafts and counters' values too."""
    work.session.rollback()
    tables = {name: sa.select(sa.func.count()).select_from(table) for name, table in Base.metadata.tables.items()}
    return {name: work.session.scalar(count) or 0 for name, count in tables.items()}


def existing(work: Work) -> KeySystem:
    """The Flats: three flats under AA."""
    accept(work, issued(work, flats(work, 3, **SHOP)))
    return work.session.scalars(sa.select(KeySystem)).one()


def filled(work: Work, left: int) -> KeySystem:
    """The Flats on a small keyway, with so many changes left under AA.

    Three depths, one step apart: two in each of six chambers beside the master's own, which makes 2^6 = 64 changes;
    no two depths are more than the MACS apart.
    """
    shrink(work)
    system = existing(work)
    extend_system(work, system.id, ExtendForm(master="AA", changes=64 - 3 - left))
    door_all(work, system)
    return system


def shrink(work: Work) -> None:
    """Let all keyways of the makers have three depths, one step apart, and no rules."""
    with transaction(work.session):
        for row in work.session.scalars(sa.select(SpecRow)):
            row.spec = {**row.spec, "first_depth": 0, "depths": 3, "step": 1, "min_master_pin": 1, "rules": {}}


def door_all(work: Work, system: KeySystem) -> None:
    """Have a cylinder on every change of a system, so that none waits for a door."""
    with transaction(work.session):
        for keyset in system.keysets:
            if not keyset.cylinders:
                work.session.add(
                    Cylinder(keyset=keyset, position="outside", words="", part_number="", type="mortise")
                )


def test_the_plan_uses_up_no_number_and_leaves_nothing(work: Work) -> None:
    before = rows(work)
    lines = (mortise(3, MK), LineRequest(LineKind.KEYS, 2, symbol="ZZ9", attributes=MORTISE))
    ask = QuoteRequest(customer_id(work, "Lantern"), lines, system=SystemRequest(name="Row"), **SHOP)
    [(field, words)] = told(work, ask)
    assert field == "lines.1.symbol" and "No keyset 'ZZ9'" in words
    assert rows(work) == before
    job = issued(work, replace(ask, lines=(lines[0], replace(lines[1], symbol="2AA"))))
    assert job.number == 1001
    grown = {name: count - before[name] for name, count in rows(work).items() if count != before[name]}
    assert grown == {"jobs": 1, "quote_revisions": 1, "events": 2, "counters": 1}
    assert set(work.session.scalars(sa.select(Event.kind).where(Event.job_id == job.id))) == {
        "job opened",
        "quote issued",
    }
    assert first_broken_link(work.session) is None and missing_at_the_end(work.session) == 0
    accept(work, work.session.get_one(Job, job.id))
    assert work.session.scalars(sa.select(Keyset.symbol).order_by(Keyset.id)).all() == ["AA", "1AA", "2AA", "3AA"]
    copies = sa.select(Key.copy_number).join(Keyset).where(Keyset.symbol == "2AA").order_by(Key.id)
    assert work.session.scalars(copies).all() == [1, 2, 3, 4]


def test_too_few_bittings_left_are_told_on_the_line_that_runs_out(work: Work) -> None:
    """3 + 4 + 2 are asked of 6 that are left: the second line is refused, the third still fits."""
    system = filled(work, 6)
    asked = SystemRequest(existing_id=system.id)
    lines = tuple(mortise(count, MK, remark=str(count)) for count in (3, 4, 2))
    ask = flats(work, lines=lines, system=asked, **SHOP)
    before = rows(work)
    told_so = (
        "The Flats can give 3 more keysets under AA. This line needs 4: enter at most 3, or key the rest under "
        "another master, in a new system or single (SKD); or have the bench search for more (Extend, on the key "
        "system's page)."
    )
    priced = price_request(work, ask)
    assert [(one.field, one.message) for one in priced.problems] == [("lines.1.quantity", told_so)]
    assert [(line.number, line.words) for line in priced.plan.lines] == [
        (1, "59AA to 61AA of The Flats, under AA"),
        (3, "62AA, 63AA of The Flats, under AA"),
    ]
    assert told(work, ask) == [("lines.1.quantity", told_so)]
    assert rows(work) == before
    accept(work, issued(work, replace(ask, lines=(lines[0], replace(lines[1], quantity=3)))))
    [(field, words)] = told(work, replace(ask, lines=(mortise(1, MK),)))
    assert field == "lines.0.quantity"
    assert words.startswith("The Flats can give no more keysets under AA. This line needs 1: key this under another")


def test_a_system_that_the_factory_draws_is_not_bound_by_what_the_shop_could(work: Work) -> None:
    """64 changes are all that this house could draw under a master: 65 were issued, and refused at acceptance."""
    shrink(work)
    accept(work, issued(work, flats(work, 65, keyed_at="factory", override_reason="its records")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    symbols = [(one.symbol, one.parent.symbol if one.parent else "") for one in system.keysets]
    assert symbols == [("AA", ""), *((f"{number}AA", "AA") for number in range(1, 66))]
    assert system.records is RecordsHolder.FACTORY and system.sealed_plan is None
    assert told(work, flats(work, 65, system=SystemRequest(name="Ours"), **SHOP))[0][0] == "lines.0.quantity"


def test_sets_that_are_alike_take_a_keyset_each(work: Work) -> None:
    """Seven cylinders alike in twos need four keysets; three are left, so six can be had."""
    system = filled(work, 3)
    line = mortise(7, KeyingInstruction(KeyingKind.MK, 2))
    ask = flats(work, lines=(line,), system=SystemRequest(existing_id=system.id), **SHOP)
    [(field, words)] = told(work, ask)
    assert field == "lines.0.quantity" and "3 more keysets under AA. This line needs 4: enter at most 6" in words
    accept(work, issued(work, replace(ask, lines=(replace(line, quantity=6),))))


def test_keysets_that_wait_for_a_door_are_taken_where_new_ones_run_out(work: Work) -> None:
    """Four are asked, two are left, and two of three wait for a door that nobody has a lost key of: 62AA is lost."""
    system = filled(work, 5)
    extend_system(work, system.id, ExtendForm(master="AA", changes=3))
    work.session.expire_all()
    lost = next(one for one in system.keysets if one.symbol == "61AA")
    mark_lost(work.session, Key(keyset_id=lost.id, copy_number=1, changed_at=work.now))
    ask = flats(work, 4, system=SystemRequest(existing_id=system.id), **SHOP)
    priced = price_request(work, ask)
    assert priced.problems == ()
    assert [line.words for line in priced.plan.lines] == ["63AA, 64AA, 60AA, 62AA of The Flats, under AA"]
    assert [note for _, note in priced.notes][-1] == (
        "The Flats can give 2 more keysets under AA. 60AA, 62AA are on record and on no door yet: this line takes "
        "them, unless the door list at acceptance names others."
    )
    assert [field for field, _ in told(work, replace(ask, lines=(mortise(5, MK),)))] == ["lines.0.quantity"]
    two = replace(ask, lines=(mortise(3, MK), mortise(2, MK)))
    assert [field for field, _ in told(work, two)] == ["lines.1.quantity"]  # the lines share them
    job, other = issued(work, ask), issued(work, replace(ask, lines=(mortise(1, MK),), title="another"))
    accept(work, other, (DoorRow(row=1, opening="F9", keyset="60AA"),))
    with pytest.raises(LedgerError) as refused:  # it has gone since
        accept(work, job)
    assert refused.value.field == "lines.0.quantity"
    accept(work, job, (DoorRow(row=1, opening="F8", keyset="1AA"),))
    keyed = sa.select(Keyset.symbol).join(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)
    assert work.session.scalars(keyed).all() == ["1AA", "63AA", "64AA", "62AA"]


def test_a_new_system_says_how_many_it_can_hold(work: Work) -> None:
    """Two levels hold 2^6 = 64 changes. Of three levels with three masters two chambers serve the masters, so that
    each holds 2^4 = 16: 20 are refused on their line, 16 under each are not.
    """
    shrink(work)
    [(field, words)] = told(work, flats(work, 65, **SHOP))
    assert field == "lines.0.quantity"
    assert words.startswith("The Flats can hold 64 keysets under AA. This line needs 65: enter at most 64,")
    three = SystemRequest(name="Hall", levels=3, masters=3)
    lines = [mortise(count, replace(GMK, master=master)) for master, count in (("AA", 16), ("AB", 20), ("AC", 16))]
    ask = flats(work, lines=tuple(lines), system=three, **SHOP)
    assert [(one.field, one.message[:44]) for one in price_request(work, ask).problems] == [
        ("lines.1.quantity", "Hall can hold 16 keysets under AB. This line")
    ]
    accept(work, issued(work, replace(ask, lines=(lines[0], replace(lines[1], quantity=16), lines[2]))))
    many = replace(ask, system=SystemRequest(name="Hall 2", levels=3, masters=40), lines=(mortise(1, GMK),))
    assert "system_masters" in [one.field for one in price_request(work, many).problems]


def test_the_counters_page_opens_no_more_than_it_must(work: Work, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where far less is asked than there is, an array and its master are opened; issuing opens all that is there."""
    system = filled(work, 40)
    opened: list[int] = []
    real = Vault.open
    monkeypatch.setattr(Vault, "open", lambda *given: opened.append(1) or real(*given))
    ask = flats(work, 4, system=SystemRequest(existing_id=system.id), **SHOP)
    assert price_request(work, ask).problems == () and len(opened) == 2
    assert price_request(work, replace(ask, lines=(mortise(24, MK),))).problems == () and len(opened) > 20


def test_what_is_reckoned_for_the_counter_shows_no_bitting(
    work: Work, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seals are opened where a quantity is near what is left; nothing of it is in price, plan, quote, event, log."""
    system = filled(work, 4)
    opened: list[str] = []
    real = Vault.open
    monkeypatch.setattr(Vault, "open", lambda *given: opened.append(real(*given)) or opened[-1])
    events = rows(work)["events"]
    ask = flats(work, 4, system=SystemRequest(existing_id=system.id), **SHOP)
    priced = price_request(by(work, Role.COUNTER), ask)
    assert len(opened) > 60 and rows(work)["events"] == events
    revision = issued(by(work, Role.COUNTER), ask).revisions[-1]
    said = "".join((repr(priced), revision.snapshot, caplog.text, *work.session.scalars(sa.select(Event.summary))))
    bittings = {text for text in opened if text.isdigit()}
    assert len(bittings) > 60 and not [text for text in bittings if text in said]
    kinds = work.session.scalars(sa.select(Event.kind).where(Event.id > events)).all()
    assert sorted(kinds) == ["job opened", "quote issued"]


def test_single_keys_beside_a_small_system_are_counted_against_it(work: Work) -> None:
    """Of 3^6 = 729 bittings each cylinder of the Flats lets in 2^6 = 64, so 20 single keys leave hardly a change that
    none of them turns. The counter's page knows, though 20 are far less than half of the array.
    """
    shrink(work)
    system = existing(work)
    ask = flats(work, 20, system=SystemRequest(existing_id=system.id), **SHOP)
    single = replace(ask, system=None, lines=(mortise(20, KD),))
    accept(work, issued(work, single))
    [problem] = price_request(work, ask).problems
    assert problem.field == "lines.0.quantity" and told(work, ask) == [(problem.field, problem.message)]


def test_single_keys_run_out_too(work: Work) -> None:
    """Three depths in five chambers make 3^5 = 243 single keys, none of which turns another's cylinder."""
    shrink(work)
    line = replace(mortise(244, KD), attributes=replace(MORTISE, chambers=5))
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,), **SHOP)  # type: ignore[arg-type]
    [(field, words)] = told(work, ask)
    assert field == "lines.0.quantity" and "can hold 243 keysets. This line needs 244" in words
    accept(work, issued(work, replace(ask, lines=(replace(line, quantity=243),))))


def test_a_system_without_an_array_gives_new_keysets_and_those_that_a_list_names(work: Work) -> None:
    system = existing(work)
    with transaction(work.session):
        system.sealed_plan = None  # as of a list taken over without its array
    ask = flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP)
    two = replace(ask, lines=(mortise(2, MK), mortise(1, MK, remark="the annex")))
    assert [line.words for line in price_request(work, two).plan.lines] == [
        "4AA, 5AA of The Flats, under AA",
        "6AA of The Flats, under AA",
    ]
    job = issued(work, replace(ask, lines=(mortise(1, MK), mortise(1, MK, remark="the annex"))))
    accept(work, job, tuple(DoorRow(row=n, opening=f"X{n}", keyset=f"{n}AA") for n in (1, 2)))
    keyed = sa.select(Keyset.symbol).join(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)
    assert work.session.scalars(keyed).all() == ["1AA", "2AA"]


def test_a_name_that_the_customer_has_already_is_told_beside_the_system(work: Work) -> None:
    existing(work)
    [(field, words)] = told(work, flats(work, 2, **SHOP))
    assert field == "system_name" and "has a key system named The Flats already" in words


def test_an_interchange_is_told_on_the_line_whose_system_it_is_in(work: Work) -> None:
    college(work)
    system = work.session.scalars(sa.select(KeySystem)).one()
    opened = open_bittings(work.session, work.vault, [system])
    by_symbol = {one.symbol: opened[one.id] for one in system.keysets if one.id in opened}
    twin, master, top = (by_symbol[symbol] for symbol in ("AB1", "AB", "A"))
    # AB1's cuts but for one chamber of its changes, where it has the grand's: AB turns its cylinder too.
    wrong = next(
        cuts
        for place in range(6)
        if master[place] == top[place]
        and (cuts := (*twin[:place], top[place], *twin[place + 1 :])) not in opened.values()
        and all(abs(one - other) <= 7 for one, other in pairwise(cuts))
    )
    replace_bitting(work, "AA3", lambda cuts: wrong)
    lines = (mortise(1, KeyingInstruction(KeyingKind.NONE), keys_each=0), mortise(2, replace(MK, master="AB")))
    ask = QuoteRequest(system.customer_id, lines, system=SystemRequest(existing_id=system.id), **SHOP)
    [(field, words)] = told(work, ask)
    assert field == "lines.1.keying" and "would also operate AA3 of College, which it must not" in words


def test_the_quote_judges_the_records_of_a_system_as_acceptance_does(work: Work) -> None:
    """24 flats keyed at the factory, and the customer's own cylinder, which stays here, in the same system."""
    own = LineRequest(LineKind.REKEY, 1, attributes=MORTISE, keying=MK)
    ask = flats(work, keyed_at="factory", override_reason="in bulk")
    assert price_request(work, ask).problems == ()
    [problem] = price_request(work, replace(ask, lines=(*ask.lines, own))).problems
    assert problem.field == "lines.1.keying" and "The records of The Flats are with the factory" in problem.message
    system = existing(work)
    job = issued(work, flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP))
    with transaction(work.session):
        system.records = RecordsHolder.FACTORY
    with pytest.raises(LedgerError) as accepted:
        accept(work, job)
    assert (accepted.value.field, accepted.value.message) == ("lines.0.keying", problem.message)


def test_both_options_have_to_be_possible(work: Work) -> None:
    """Here a small system cannot hold them; the factory holds its own records, and is asked for no bitting."""
    shrink(work)
    ask = flats(work, 65, keyed_at="factory", override_reason="in bulk")
    issued(work, ask)
    [(field, words)] = told(work, replace(ask, option_b="shop", system=SystemRequest(name="Others")))
    assert field == "option_b" and words.startswith("Option B: Others can hold 64 keysets under AA.")


def test_a_quote_issued_anew_goes_through_the_same_door(work: Work) -> None:
    job = issued(work, flats(work, 2, **SHOP))
    existing_since = issued(work, flats(work, 1, system=SystemRequest(name="Annex"), **SHOP))
    accept(work, existing_since)
    keep_requote(work, work.session.get_one(Job, job.id), "anew", work.session.get_one(Job, job.id).version)
    with transaction(work.session):
        work.session.scalars(sa.select(KeySystem)).one().name = "The Flats"
    with pytest.raises(Problems, match="has a key system named The Flats already"):
        keep_requote(work, work.session.get_one(Job, job.id), "again", work.session.get_one(Job, job.id).version)
    # The press that issued it already gives what it gave, whatever was found since.
    assert keep_requote(work, work.session.get_one(Job, job.id), "anew", 0).revision == 2


def test_what_a_full_array_no_longer_gives_is_sold_once_the_bench_has_searched_beyond_it(work: Work) -> None:
    """Three chambers of two further depths each give AA 2^3 = 8 changes; the masters' chambers have room beside."""
    shrink(work)
    with transaction(work.session):
        form = SystemForm(customer_id(work, "Saltmarsh"), "Hall", 3, "AQ1", 6, masters=2, changes=8, roles="MMMCCC")
        system = insert_system(work, form)
    extend_system(work, system.id, ExtendForm(master="AA", changes=8))
    door_all(work, system)
    ask = QuoteRequest(
        system.customer_id,
        (mortise(2, replace(GMK, master="AA")),),
        system=SystemRequest(existing_id=system.id),
        **SHOP,  # type: ignore[arg-type]
    )
    [(field, words)] = told(work, ask)
    assert field == "lines.0.quantity" and words.startswith("Hall can give no more keysets under AA.")
    assert words.endswith("have the bench search for more (Extend, on the key system's page).")
    ready = make_extension_ready(work, system.id, ExtendForm(master="AA", changes=2))
    found = ready.search(Random(1), 20.0, lambda *_: None).extension
    assert found is not None
    assert seal_extension(work, ready, found).symbols == ("AA9", "AA10")
    [note] = [words for _, words in price_request(work, ask).notes if "no door yet" in words]
    assert note.startswith("Hall can give no more keysets under AA. AA9, AA10 are on record and on no door yet")
    job = accept(work, issued(work, ask))
    keyed = sa.select(Keyset.symbol).join(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)
    assert work.session.scalars(keyed).all() == ["AA9", "AA10"]
