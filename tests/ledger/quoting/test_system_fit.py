"""Cylinders that cannot be in the system they are asked for: told beside the line, before the quote is issued."""

from dataclasses import replace
from math import prod

import pytest
import sqlalchemy as sa

from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.cylinder_lines import job_cylinders
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.quoting.allocation import system_problems
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Keyway, LineKind, RecordsHolder
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued

MK = KeyingInstruction(KeyingKind.MK)


def _ask(work: Work, system: SystemRequest | None, *lines: LineRequest) -> QuoteRequest:
    return QuoteRequest(
        customer_id(work, "Harbourmaster"), lines, system=system, keyed_at="shop", override_reason="soon"
    )


def _line(keying: KeyingInstruction = MK, **attributes: object) -> LineRequest:
    made = replace(MORTISE, **attributes)  # type: ignore[arg-type]
    return LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=made, keying=keying)


def _problems(work: Work, ask: QuoteRequest) -> list[tuple[str, str]]:
    return [(told.field, told.message) for told in price_request(work, ask).problems if "join" in told.message]


def test_five_pin_cylinders_join_a_six_chamber_system_and_are_pinned_to_what_they_see(work: Work) -> None:
    """Whichever line comes first the keys have six cuts; what has five chambers sees the five at the shoulder."""
    ask = _ask(work, SystemRequest(name="The Flats"), _line(chambers=5), _line(), _line(MK, chambers=5))
    assert _problems(work, ask) == []
    priced = price_request(work, ask)
    # Two depths a chamber at most, a change's and its master's: 2^5 of 10^5, 2^6 of 10^6.
    told = [one for one in priced.plan.sentences if "bittings" in one]
    assert told == [
        "At most one in 3,125 of all bittings turns each cylinder of lines 1 and 3.",
        "At most one in 15,625 of all bittings turns each cylinder of line 2.",
    ]
    assert any("5 chambers, while keys of The Flats have 6 cuts" in said for _, said in priced.notes)
    job = accept(work, issued(work, ask))
    system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Flats")).one()
    assert system.chambers == 6
    cuts = open_bittings(work.session, work.vault, [system])
    by_symbol = {one.symbol: cuts[one.id] for one in system.keysets}
    short = {one.symbol for one in system.keysets for cylinder in one.cylinders if cylinder.chambers == 5}
    assert len({by_symbol[symbol][:5] for symbol in short}) == 4
    bench = bench_work(work, job)
    [sheet] = bench.systems
    assert {len(one.pinning.chambers) for one in sheet.cylinders} == {5, 6}
    assert all(one.pinning.combinations <= 2 ** len(one.pinning.chambers) for one in sheet.cylinders)
    for group in sheet.cylinders:
        seen = len(group.pinning.chambers)
        columns = zip(*(by_symbol[symbol][:seen] for symbol in group.operated_by), strict=True)
        shears = [sorted(set(column)) for column in columns]
        assert [pins.bottom for pins in group.pinning.chambers] == [depths[0] for depths in shears]
        assert group.pinning.combinations == prod(map(len, shears))
        assert ("5 chambers, keys of 6 cuts" in group.words) == (seen == 5)
    rows = job_cylinders(work.session, job.id)
    said = [rows.row(line).remarks for line in rows.lines]
    assert [bool(one) for one in said] == [True, True, False, False, True, True]
    assert said[0] == "5 chambers, keys of 6 cuts"


def test_a_longer_cylinder_cannot_join_a_system_of_fewer_cuts(work: Work) -> None:
    with transaction(work.session):
        insert_system(work, SystemForm(customer_id(work, "Harbourmaster"), "Old Flats", 2, "AQ1", 5))
    existing = SystemRequest(existing_id=work.session.scalars(sa.select(KeySystem.id)).one())
    [(field, words)] = _problems(work, _ask(work, existing, _line()))
    assert field == "lines.0.keyway"
    assert words.startswith("Six-pin cylinders cannot join Old Flats, a five-chamber system.")


def test_an_existing_system_says_what_fits_it(work: Work) -> None:
    spec = work.session.scalars(sa.select(Keyway.spec_id).where(Keyway.code == "AQ1")).one()
    system = KeySystem(
        customer_id=customer_id(work, "Harbourmaster"),
        name="Old Flats",
        levels=2,
        keyway="AQ1",
        chambers=6,
        spec_id=spec,
        created_at=work.now,
    )
    work.session.add(system)
    work.session.commit()
    existing = SystemRequest(existing_id=system.id)
    assert _problems(work, _ask(work, existing, _line())) == []
    [(field, words)] = _problems(work, _ask(work, existing, _line(keyway="AQ2")))
    assert field == "lines.0.keyway" and "AQ2 cannot join Old Flats, which is on keyway AQ1" in words
    assert _problems(work, _ask(work, existing, _line(chambers=5))) == []
    system.records = RecordsHolder.NOBODY
    work.session.commit()
    told = price_request(work, _ask(work, existing, _line())).problems
    assert any(one.field == "lines.0.keying" and "key these single" in one.message for one in told)


def test_a_master_that_the_system_has_not_is_told_beside_its_line(work: Work) -> None:
    with transaction(work.session):
        form = SystemForm(customer_id(work, "Harbourmaster"), "Old Flats", 3, "AQ1", 6, masters=2)
        system = insert_system(work, form)
    lines = [_line(KeyingInstruction(KeyingKind.MK, master=master)) for master in ("", "AB", "ZZ")]
    told = price_request(work, _ask(work, SystemRequest(existing_id=system.id), *lines)).problems
    assert [(one.field, one.message) for one in told] == [
        ("lines.2.master", "Old Flats has no master 'ZZ'; it has AA, AB."),
        ("lines.0.master", "Old Flats has several masters: say under which this goes, AA, AB."),
    ]


def test_a_line_above_the_levels_of_its_system_is_told_what_the_system_has(work: Work) -> None:
    grand, great = (KeyingInstruction(kind) for kind in (KeyingKind.GMK, KeyingKind.GGMK))
    with transaction(work.session):
        whose = customer_id(work, "Harbourmaster")
        two, three = (insert_system(work, SystemForm(whose, f"{n} levels", n, "AQ1", 6)) for n in (2, 3))
    told = price_request(work, _ask(work, SystemRequest(existing_id=two.id), _line(), _line(grand))).problems
    assert [(one.field, one.message) for one in told] == [
        (
            "lines.1.keying",
            "2 levels has two levels, masters over changes: nothing in it can be keyed GMK. Key this line MK, or "
            "start a system of three levels.",
        )
    ]
    [told] = price_request(work, _ask(work, SystemRequest(existing_id=three.id), _line(grand), _line(great))).problems
    assert told.field == "lines.1.keying" and "start a system of four levels" in told.message


def test_a_quote_of_an_earlier_release_above_its_systems_levels_is_not_accepted(work: Work) -> None:
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer_id(work, "Harbourmaster"), "Old Flats", 3, "AQ1", 6))
    job = issued(work, _ask(work, SystemRequest(existing_id=system.id), _line(KeyingInstruction(KeyingKind.GMK))))
    with transaction(work.session):
        system.levels = 2
    with pytest.raises(LedgerError, match="nothing in it can be keyed GMK") as refused:
        accept(work, job)
    assert refused.value.field == "lines.0.keying"


def test_a_new_system_has_the_levels_of_its_highest_line(work: Work) -> None:
    """Whichever line comes first, it is quoted and made so."""
    grand = KeyingInstruction(KeyingKind.GMK)
    for place, lines in enumerate(((_line(), _line(grand)), (_line(grand), _line()))):
        job = issued(work, _ask(work, SystemRequest(name=f"Flats {place}"), *lines))
        assert any(
            f"Flats {place}, 3 levels" in line.words for line in read_snapshot(job.revisions[-1].snapshot).lines
        )
        accept(work, job)
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == f"Flats {place}")).one()
        assert system.levels == 3


def test_lines_under_a_master_ask_once_for_their_system_and_bill_no_new_one(work: Work) -> None:
    priced = price_request(work, _ask(work, None, _line(), _line()))
    assert [one.field for one in priced.problems] == ["system"]
    assert {line.kind for line in priced.lines} == {"cylinder", "keying", "keys"}
    assert price_request(work, _ask(work, None, _line(KeyingInstruction(KeyingKind.KD)))).problems == ()


def test_the_words_are_those_of_the_trade(work: Work) -> None:
    ask = _ask(work, SystemRequest(name="Quay"), _line(), _line(chambers=7))
    [told] = system_problems(work, ask, ask.lines, ())
    assert told.field == "lines.1.keyway"
    assert "Seven-pin cylinders cannot join Quay, a six-chamber system" in told.message
    assert system_problems(work, ask, ask.lines[:1], ()) == []


def test_cylinders_under_a_master_on_another_keyway_are_of_that_keyway(work: Work) -> None:
    """A system on AQ1 with a master on AQ3: its cylinders, their keysets and the blanks of its keys are of AQ3."""
    with transaction(work.session):
        owner = customer_id(work, "Harbourmaster")
        system = insert_system(work, SystemForm(owner, "Old Flats", 3, "AQ1", 6, masters=2, changes=20))
    extend_system(work, system.id, ExtendForm(grand="A", masters=1, changes_each=1, keyway="AQ3"))
    existing, under = SystemRequest(existing_id=system.id), KeyingInstruction(KeyingKind.GMK, master="AC")
    [(field, words)] = _problems(work, _ask(work, existing, _line(under)))
    assert field == "lines.0.keyway"
    assert words.startswith("Cylinders on keyway AQ1 cannot join AC of Old Flats, which is on keyway AQ3")
    assert _problems(work, _ask(work, existing, _line(under, keyway="AQ3"))) == []
    assert _problems(work, _ask(work, existing, _line(replace(under, master="AA"), keyway="AQ3")))
    job = accept(work, issued(work, _ask(work, existing, _line(under, keyway="AQ3"))))
    keysets = [one.keyset for one in job.cylinders]
    assert {(one.keyway, keyset.keyway) for one, keyset in zip(job.cylinders, keysets, strict=True) if keyset} == {
        ("AQ3", "AQ3")
    }
    assert {one.parent.symbol for one in keysets if one is not None and one.parent is not None} == {"AC"}
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
