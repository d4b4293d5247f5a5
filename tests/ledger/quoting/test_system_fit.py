"""Cylinders that cannot be in the system they are asked for: told beside the line, before the quote is issued."""

from dataclasses import replace

import pytest
import sqlalchemy as sa

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


def test_five_pin_cylinders_cannot_join_a_six_chamber_system(work: Work) -> None:
    ask = _ask(
        work, SystemRequest(name="The Flats"), _line(), _line(chambers=5), _line(KeyingInstruction(KeyingKind.KD))
    )
    assert _problems(work, ask) == [
        (
            "lines.1.keyway",
            "Five-pin cylinders cannot join The Flats, a six-chamber system. Choose six-pin cylinders, or key these "
            "different (KD).",
        )
    ]


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
    [(field, words)] = _problems(work, _ask(work, existing, _line(chambers=5)))
    assert words.startswith("Five-pin cylinders cannot join Old Flats")
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
