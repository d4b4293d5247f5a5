"""Keys that are sold have a key on record: whose keys a line sells is asked, and what is accepted is to be cut."""

from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.fitting import CylinderAttributes
from app.ledger.bench.bench_queries import bench_day
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.goods.handing_over import still_open
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.purchasing import factory_makers, factory_work, hardware_of
from app.ledger.jobs.stages import move_job
from app.ledger.quoting.missing import facts_of
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot, snapshot_hash
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Job, Key, Keyset, KeyState, KeySystem, Level, LineKind, QuoteRevision, Stage
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, flats, issued, mortise

KA, KD, MK = (KeyingInstruction(kind) for kind in (KeyingKind.KA, KeyingKind.KD, KeyingKind.MK))


def keys(count: int, symbol: str = "", keyway: str = "AQ1", **more: object) -> LineRequest:
    entered = CylinderAttributes("", keyway=keyway) if keyway else None
    return replace(LineRequest(LineKind.KEYS, count, symbol=symbol, attributes=entered), **more)  # type: ignore[arg-type]


def lantern(work: Work, *lines: LineRequest, **more: object) -> QuoteRequest:
    return replace(QuoteRequest(customer_id(work, "Lantern"), lines), **more)  # type: ignore[arg-type]


def told(work: Work, ask: QuoteRequest) -> list[tuple[str, str]]:
    return [(one.field, one.message) for one in price_request(work, ask).problems]


def to_cut(work: Work) -> dict[str, int]:
    rows = sa.select(Keyset.symbol, sa.func.count()).join(Key, Key.keyset_id == Keyset.id)
    rows = rows.where(Key.state == KeyState.ORDERED).group_by(Keyset.symbol)
    return dict(work.session.execute(rows).all())


def sold(job: Job) -> int:
    """The keys on the quote: those with cylinders and lines of keys, without copies of a customer's own."""
    lines = read_snapshot(job.revisions[-1].snapshot).lines
    return sum(line.quantity for line in lines if line.kind == "keys" and "customer's key" not in line.words)


def test_a_line_that_could_be_several_keysets_keys_is_asked(work: Work) -> None:
    for lines in (
        (mortise(2, KD),),
        (mortise(2, KA), mortise(1, KD)),
        (mortise(4, KeyingInstruction(KeyingKind.KA, 2)),),
    ):
        [(field, words)] = told(work, lantern(work, *lines, keys(4)))
        assert field == f"lines.{len(lines)}.symbol"
        assert words.startswith("Say which keys these are: those of line 1") and "own for copies" in words
    with pytest.raises(Problems, match="Say which keys these are"):
        issued(work, lantern(work, mortise(2, KD), keys(4)))


def test_the_only_keyset_of_the_quote_is_taken_and_said(work: Work) -> None:
    job = issued(work, lantern(work, mortise(2, KA), keys(3)))
    assert read_snapshot(job.revisions[-1].snapshot).lines[-1].words == "Further keys to line 1, keyway AQ1"
    accept(work, job)
    assert to_cut(work) == {"SKD1": 7} and sold(job) == 7


def test_every_key_that_is_sold_is_on_record(work: Work) -> None:
    """Two keys a cylinder: 2 × 3 + 2 × 2; two further ones each of line 1's three; three to line 2's; two masters."""
    lines = (mortise(3, MK), mortise(2, KA), keys(6, "line 1"), keys(3, "Line 2"), keys(2, "AA"), keys(5, "own"))
    ask = lantern(work, *lines, system=SystemRequest(name="Lantern"), keyed_at="shop", override_reason="soon")
    job = issued(work, ask)
    accept(work, job)
    assert to_cut(work) == {"1AA": 4, "2AA": 4, "3AA": 4, "SKD1": 7, "AA": 2}
    assert sum(to_cut(work).values()) == sold(job) == 21
    assert sum(key.quantity for system in bench_work(work, job).systems for key in system.keys) == 21
    [blanks] = hardware_of(work, job).blanks
    assert (blanks.words, blanks.quantity) == ("Key blanks, keyway AQ1", 26)  # the customer's own are cut too


def test_a_symbol_is_read_however_its_letters_are_typed(work: Work) -> None:
    """As a master is: in capitals, but for one that stands on record otherwise."""
    begun = flats(work, 2, lines=(mortise(2, MK), keys(2, "aa")), keyed_at="shop", override_reason="soon")
    accept(work, issued(work, begun))
    assert to_cut(work)["AA"] == 2
    kept = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "1AA")).one()
    with transaction(work.session):
        kept.symbol = "Porter"
    who = customer_id(work, "Harbourmaster")
    job = issued(work, QuoteRequest(who, (keys(3, "2aa"), keys(1, "PORTER"))))
    said = [line.words for line in read_snapshot(job.revisions[-1].snapshot).lines]
    assert [words.partition(",")[0] for words in said] == ["Keys to 2AA of The Flats", "Keys to Porter of The Flats"]
    before = to_cut(work)
    accept(work, job)
    assert to_cut(work) == {**before, "2AA": before["2AA"] + 3, "Porter": before["Porter"] + 1}


def test_further_keys_to_several_keysets_are_as_many_each(work: Work) -> None:
    [(field, words)] = told(work, lantern(work, mortise(3, KD), keys(4, "line 1")))
    assert field == "lines.1.quantity" and "on 3 keysets: enter 3 keys or a multiple" in words
    [(field, words)] = told(work, lantern(work, mortise(3, KeyingInstruction(), keys_each=0), keys(3, "line 1")))
    assert field == "lines.1.symbol" and "Line 1 has no cylinders that are keyed" in words
    [(field, words)] = told(work, lantern(work, mortise(3, KD), keys(3, "line 9")))
    assert field == "lines.1.symbol" and "Line 9 has no cylinders" in words


def test_keys_in_all_are_shared_out_among_the_keysets_or_asked(work: Work) -> None:
    """Three keysets and seven keys: no two ways about it, so it is asked; nine are three each, at 3.25."""
    [(field, words)] = told(work, lantern(work, mortise(3, KD, keys_in_all=7)))
    assert field == "lines.0.keys_in_all"
    assert words == (
        "The cylinders of line 1 are on 3 keysets: enter 3 keys or a multiple of that, so that each gets as many."
    )
    job = issued(work, lantern(work, mortise(3, KD, keys_in_all=9), mortise(2, KA, keys_in_all=5)))
    rows = [(row.words, row.quantity, row.unit_cents) for row in read_snapshot(job.revisions[-1].snapshot).lines]
    assert ("Keys, 9 in all", 9, 325) in rows
    assert [count for words, count, _ in rows if words.startswith("Keys,")] == [9, 5]
    accept(work, job)
    assert to_cut(work) == {"SKD1": 3, "SKD2": 3, "SKD3": 3, "SKD4": 5} and sold(job) == 14


def test_a_line_on_record_before_keys_in_all_is_read(work: Work) -> None:
    old = lantern(work, mortise(2, KA, keys_each=3)).to_json()
    for line in old["lines"]:
        del line["keys_in_all"]
    assert QuoteRequest.from_json(old).lines[0].keys == 6


def test_copies_of_the_customers_own_key_say_what_they_are_cut_on(work: Work) -> None:
    assert [field for field, _ in told(work, lantern(work, keys(2, keyway="")))] == ["lines.0.keyway"]
    job = issued(work, lantern(work, keys(2)))
    [line] = read_snapshot(job.revisions[-1].snapshot).lines
    assert line.words == "Keys cut to the customer's key, keyway AQ1"
    accept(work, job)
    assert to_cut(work) == {}
    [blanks] = hardware_of(work, job).blanks
    assert (blanks.words, blanks.quantity) == ("Key blanks, keyway AQ1", 2)


def test_keys_that_no_factory_order_asks_for_are_not_sold(work: Work) -> None:
    """Of a factory's system its order names the keys that operate the job's cylinders, and control keys."""
    begun = SystemRequest(name="The Flats", levels=3, masters=2)
    factory = {"keyed_at": "factory", "override_reason": "its records"}
    under_aa = mortise(24, KeyingInstruction(KeyingKind.GMK, master="AA"))
    accept(work, issued(work, flats(work, lines=(under_aa,), system=begun, **factory)))
    system = work.session.scalars(sa.select(KeySystem)).one()
    alone = QuoteRequest(system.customer_id, (keys(3, "AA2"),))
    refused = "The records of The Flats are with the factory: order these keys there."
    assert told(work, alone) == [("lines.0.symbol", refused)]

    beside = replace(alone, system=SystemRequest(existing_id=system.id), **factory)  # type: ignore[arg-type]
    assert told(work, replace(beside, lines=(keys(4, "masters"),))) == [("lines.0.symbol", refused)]
    for symbol in ("AA2", "AB", "masters"):
        with pytest.raises(Problems) as problems:
            issued(work, replace(beside, lines=(under_aa, keys(4, symbol))))
        assert [(one.field, one.message) for one in problems.value.problems] == [("lines.1.symbol", refused)]
    before = to_cut(work)
    job = issued(work, replace(beside, lines=(under_aa, keys(3, "AA"), keys(2, "A"))))
    accept(work, job)
    assert {symbol: to_cut(work)[symbol] - before.get(symbol, 0) for symbol in ("AA", "A")} == {"AA": 3, "A": 2}
    [maker] = factory_makers(work.session, job)
    groups = factory_work(work, job, schedule_of(work, job), maker).groups
    assert {one.stamp: one.keys for one in groups if one.words == "keys only"} == {"AA": 3, "A": 2}
    move_job(work, job.id, job.version, Stage.READY)
    assert still_open(work.session, job).keys == ()


def test_further_keys_to_a_keyset_on_record_reach_the_bench_without_a_cylinder(work: Work) -> None:
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="soon")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    who = customer_id(work, "Harbourmaster")
    job = issued(work, QuoteRequest(who, (keys(3, "2AA"),)))
    assert "Keys to 2AA of The Flats" in read_snapshot(job.revisions[-1].snapshot).lines[0].words
    before = to_cut(work)["2AA"]
    accept(work, job)
    assert to_cut(work)["2AA"] == before + 3
    assert {row.job.number: row.keys for row in bench_day(work.session, work.today).rows}[job.number] == 3
    [bench] = bench_work(work, job).systems
    assert [(key.symbol, key.quantity) for key in bench.keys] == [("2AA", 3)] and bench.cylinders == ()

    [(field, words)] = told(work, QuoteRequest(who, (keys(3, "9AA"),)))
    assert field == "lines.0.symbol" and "No keyset '9AA'" in words
    assert told(work, lantern(work, keys(3, "2AA"))) != []  # another customer's
    accept(
        work,
        issued(work, flats(work, 2, system=SystemRequest(name="Annex"), keyed_at="shop", override_reason="soon")),
    )
    [(field, words)] = told(work, QuoteRequest(who, (keys(3, "2AA"),)))
    assert field == "lines.0.symbol" and "2AA is in The Flats and Annex: choose" in words
    assert told(work, QuoteRequest(who, (keys(3, "2AA"),), system=SystemRequest(existing_id=system.id))) == []


def test_a_mistyped_keyset_is_told_before_the_quote_is_issued(work: Work) -> None:
    """Beside other keyed lines too; what acceptance makes is known before."""
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="soon")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    ask = QuoteRequest(
        system.customer_id, (mortise(2, MK), keys(2, "ZZ9")), system=SystemRequest(existing_id=system.id)
    )
    for asked in (ask, lantern(work, mortise(2, KD), keys(2, "ZZ9"))):
        [(field, words)] = told(work, asked)
        assert field == "lines.1.symbol" and "No keyset 'ZZ9'" in words
    for symbol in ("4AA", "AA"):
        assert told(work, replace(ask, lines=(ask.lines[0], keys(2, symbol)))) == []
    for symbol in ("5AA", "SKD1"):
        assert [field for field, _ in told(work, replace(ask, lines=(ask.lines[0], keys(2, symbol))))] == [field]
    under = replace(ask.lines[0], keying=KeyingInstruction(KeyingKind.GMK, master="AA"))
    new = replace(ask, system=SystemRequest(name="New", levels=3, masters=2))
    for symbol, fields in (("AB", []), ("AC", ["lines.1.symbol"])):
        assert [one for one, _ in told(work, replace(new, lines=(under, keys(2, symbol))))] == fields
    assert [field for field, _ in told(work, replace(ask, system=None))] == ["system"]


def test_a_keyway_that_the_keys_are_not_on_is_refused_on_their_line(work: Work) -> None:
    """It was printed on the quote, while the blanks were taken by the keyset's own."""
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="soon")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    asked = SystemRequest(existing_id=system.id)
    alone = QuoteRequest(system.customer_id, (keys(2, "1AA", "AQ2"),), system=asked)
    line_1 = QuoteRequest(system.customer_id, (mortise(1, MK), keys(2, "line 1", "AQ2")), system=asked)
    further = replace(line_1, lines=(line_1.lines[0], keys(2, "3AA", "AQ2")))
    on_aq2 = mortise(1, KD, attributes=replace(mortise(1, KD).attributes, keyway="AQ2"))
    masters = replace(line_1, lines=(line_1.lines[0], keys(2, "masters", "AQ2"), on_aq2))
    for place, ask in ((0, alone), (1, line_1), (1, further), (1, masters)):
        [(field, words)] = told(work, ask)
        assert field == f"lines.{place}.keyway"
        assert words == "These keys are on keyway AQ1, not AQ2: choose that, or leave it empty."
        for keyway in ("AQ1", ""):
            mended = replace(ask.lines[place], attributes=keys(1, "", keyway).attributes)
            assert told(work, replace(ask, lines=(*ask.lines[:place], mended, *ask.lines[place + 1 :]))) == []


def test_control_keys_of_cores_that_the_factory_keys_are_on_record(work: Work) -> None:
    core = LineRequest(
        LineKind.CYLINDER, 12, "NOR", attributes=CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    )
    lines = (replace(core, keying=MK), keys(2, keyway="", price_code="KEY-CONTROL"))
    job = issued(
        work, lantern(work, *lines, system=SystemRequest(name="Cores"), keyed_at="factory", override_reason="soon")
    )
    assert read_snapshot(job.revisions[-1].snapshot).lines[-1].words == "Control key, cut: keys to CONTROL"
    accept(work, job)
    assert to_cut(work)["CONTROL"] == 2
    control = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "CONTROL")).one()
    assert control.level is Level.CONTROL and control.bitting is None


def test_control_keys_of_factory_cores_of_an_earlier_release_can_be_sold(work: Work) -> None:
    core = LineRequest(
        LineKind.CYLINDER, 12, "NOR", attributes=CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    )
    cores = lantern(work, replace(core, keying=MK), system=SystemRequest(name="Cores"), keyed_at="factory")
    accept(work, issued(work, replace(cores, override_reason="soon")))
    control = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "CONTROL")).one()
    system_id = control.system_id
    with transaction(work.session):  # earlier releases gave the factory's control key no symbol
        work.session.execute(sa.delete(Key).where(Key.keyset_id == control.id))
        work.session.delete(control)
    more = replace(cores, system=SystemRequest(existing_id=system_id), override_reason="soon")
    job = issued(work, replace(more, lines=(*cores.lines, keys(2, "CONTROL", "NH1"))))
    assert "Keys to CONTROL" in read_snapshot(job.revisions[-1].snapshot).lines[-1].words
    accept(work, job)
    assert to_cut(work)["CONTROL"] == 2


def test_an_earlier_quote_that_never_said_whose_keys_they_are_is_not_accepted(work: Work) -> None:
    job = issued(work, lantern(work, mortise(2, KD), keys(4, "line 1")))
    first = job.revisions[-1]
    snapshot = replace(read_snapshot(first.snapshot), revision=2)
    snapshot.ask["lines"][1]["symbol"] = ""  # as earlier releases issued it
    text = snapshot.to_text()
    columns = {one.key: getattr(first, one.key) for one in sa.inspect(QuoteRevision).columns}
    earlier = {
        **columns,
        "id": None,
        "revision": 2,
        "snapshot": text,
        "sha256": snapshot_hash(text),
        "request_token": "before",
    }
    with transaction(work.session):
        work.session.add(QuoteRevision(**earlier))
    with pytest.raises(LedgerError, match="Say which keys these are: those of line 1") as refused:
        accept(work, work.session.get_one(Job, job.id))
    assert refused.value.field == "lines.1.symbol"
    assert refused.value.message.endswith("Issue a revision that says it (Quote anew, on the job's page).")
    assert to_cut(work) == {}


def test_keys_of_every_level_are_counted_by_a_line_a_level(work: Work) -> None:
    """Three floors: two keys to the grand master, two to each floor's master, two with each of six cylinders."""
    lines = tuple(mortise(2, KeyingInstruction(KeyingKind.GMK, master=name)) for name in ("AA", "AB", "AC"))
    three = {"system": SystemRequest(name="North Hall", levels=3, masters=3)}
    few = lantern(work, *lines, keys(2, "A"), keys(7, "each master"), **three)
    [(field, words)] = told(work, few)
    assert field == "lines.4.quantity" and words == "There are 3 of that level: enter 3 keys or a multiple of that."
    ask = lantern(work, *lines, keys(2, "A"), keys(6, "Masters"), **three)
    priced = price_request(work, ask)
    assert not priced.problems and priced.lines[-1].words == "Keys to each master, keyway AQ1"
    assert facts_of(work, priced).master_keys == 2
    job = issued(work, ask)
    accept(work, job)
    cut = to_cut(work)
    assert {symbol: cut[symbol] for symbol in ("A", "AA", "AB", "AC")} == {"A": 2, "AA": 2, "AB": 2, "AC": 2}
    assert sum(cut.values()) == sold(job) == 12 + 2 + 6


def test_a_control_key_of_cores_in_two_systems_is_asked_for_its_line(work: Work) -> None:
    """Cores of a new system and a single one beside it: each book has a control key of its own."""
    core = CylinderAttributes("sfic", chambers=7, keyway="NH1", finish="626")
    cores = LineRequest(LineKind.CYLINDER, 2, "NOR", attributes=core, keying=MK)
    both = (cores, replace(cores, quantity=1, keying=KD))
    control = keys(1, "", "", price_code="KEY-CONTROL")
    system = {"system": SystemRequest(name="The Row")}
    [(field, words)] = told(work, lantern(work, *both, control, **system))
    assert field == "lines.2.symbol"
    assert "enter 'control line 1' (The Row) or 'control line 2' (Single keyed NH1, 7 chambers)" in words
    ask = lantern(work, *both, replace(control, quantity=3, symbol="control line 2"), **system)
    job = issued(work, ask)
    accept(work, job)
    rows = sa.select(KeySystem.name, sa.func.count()).join(Keyset, Keyset.system_id == KeySystem.id)
    rows = rows.join(Key, Key.keyset_id == Keyset.id).where(Keyset.level == Level.CONTROL).group_by(KeySystem.name)
    # One comes with the other system's cores, sold or not: without it they can neither be put in nor taken out.
    assert dict(work.session.execute(rows).all()) == {"The Row": 1, "Single keyed NH1, 7 chambers": 3}
