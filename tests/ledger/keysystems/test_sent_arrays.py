"""A system's array at its factory: two papers of which neither opens a door alone, on record, and known when lost."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.documents import sealed_letter_pdf, sealed_list_pdf
from app.errors import Problems
from app.keying import write_bitting
from app.ledger.catalog.price_queries import get_house
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings, spec_of
from app.ledger.keysystems.selective import add_selective
from app.ledger.keysystems.sent_arrays import (
    ArrayState,
    SealedRow,
    SendForm,
    note_array,
    sealed_letter,
    sealed_list,
    send_array,
    sent_arrays,
)
from app.ledger.quoting.issuing import house_head
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import BITTINGS_REVEALED
from app.ledger.store.work import Work
from app.ledger.tables import Event, KeySystem, Level, Maker, RecordsHolder
from tests.ledger.test_main_job import accept, flats, issued, openings
from tests.reading import pdf_text
from tests.sold_systems import sold_halls


@pytest.fixture
def system(work: Work) -> KeySystem:
    accept(work, issued(work, flats(work, 6, keyed_at="shop", override_reason="here")), openings(6))
    return work.session.scalars(sa.select(KeySystem)).one()


def form(work: Work, **more: object) -> SendForm:
    maker = work.session.scalars(sa.select(Maker).where(Maker.code == "ARD")).one()
    said = {"maker_id": maker.id, "person": "M. Fern", "purpose": "40 more cylinders", "way": "registered post"}
    return SendForm(**{**said, **more})  # type: ignore[arg-type]


def test_the_two_papers_together_say_all_and_each_alone_opens_no_door(work: Work, system: KeySystem) -> None:
    sent = send_array(work, system.id, form(work))
    found, letter = sealed_list(work, system.id, sent.number), sealed_letter(work, system.id, sent.number)
    opened = open_bittings(work.session, work.vault, [system])
    symbols = {number: symbol for number, symbol, _, _ in letter.rows}
    together = {symbols[row.number]: row.bitting for row in found.rows}
    assert together == {one.symbol: write_bitting(spec_of(system), opened[one.id]) for one in system.keysets}
    assert [row.number for row in found.rows] == list(range(1, len(opened) + 1))
    assert [symbols[row.number] for row in found.rows if row.is_top] == ["AA"]
    assert len(found.chambers) == system.chambers
    assert [one.depths[0] for one in found.chambers] == [*together["AA"]]
    # As they are printed.
    sealed = pdf_text(sealed_list_pdf(found, "Letter"))
    told = pdf_text(sealed_letter_pdf(letter, house_head(get_house(work.session))))
    squeezed = re.sub(r"\s", "", sealed)
    assert all(bitting in squeezed for bitting in together.values())
    named = (system.name, system.customer.name, get_house(work.session).name, *together)
    assert not [word for word in named if re.search(rf"\b{re.escape(word)}\b", sealed)]
    assert not [bitting for bitting in together.values() if bitting in re.sub(r"\s", "", told)]
    assert all(word in told for word in (system.name, "M. Fern", "registered post", sent.reference, *together))
    # Printed again, the numbers are the same; another sending has others.
    assert sealed_letter(work, system.id, sent.number).rows == letter.rows
    other = send_array(work, system.id, form(work, purpose="20 more"))
    assert sealed_letter(work, system.id, other.number).rows != letter.rows


def test_the_papers_of_a_system_on_two_keyways_say_which_key_enters_which(work: Work) -> None:
    """F1 to F7 hang on AQ1, G1 to G3 on AQ3: keyed into the other keyway, no key would go into its door."""
    halls = sold_halls(work)
    sent = send_array(work, halls.id, form(work))
    letter = sealed_letter(work, halls.id, sent.number)
    levels = {symbol: level for _, symbol, level, _ in letter.rows}
    assert levels["A"] == "grand master, on AQ1 and AQ3" and levels["AC"] == "master, on AQ3"
    assert {symbol for symbol, level in levels.items() if level == "change, on AQ3"} == {"AC1", "AC2", "AC3"}
    assert {levels[symbol] for symbol in ("AA1", "AA4", "AB1")} == {"change, on AQ1"}
    told = " ".join(pdf_text(sealed_letter_pdf(letter, house_head(get_house(work.session)))).split())
    assert "keyways AQ1, AQ3, of" in told and "AC2 change, on AQ3 AC" in told
    listed = sealed_list_pdf(sealed_list(work, halls.id, sent.number), "Letter")
    assert "AQ1, AQ3, Ardent AQ" in " ".join(pdf_text(listed).split())


def test_what_was_sent_is_not_printed_again_with_other_bittings(work: Work, system: KeySystem) -> None:
    sent = send_array(work, system.id, form(work))
    first = sealed_list(work, system.id, sent.number)
    assert sealed_list(work, system.id, sent.number) == first
    one, other = [keyset for keyset in system.keysets if keyset.level is Level.CHANGE][:2]
    opened = open_bittings(work.session, work.vault, [system])
    with transaction(work.session):
        reseal_bittings(work, system, [(one, opened[other.id]), (other, opened[one.id])])
    shown = [kind for kind in work.session.scalars(sa.select(Event.kind)) if kind == BITTINGS_REVEALED]
    for paper in (sealed_list, sealed_letter):
        with pytest.raises(LedgerError, match=f"Since {sent.reference} was sent, bittings .* Send the array anew"):
            paper(work, system.id, sent.number)
    assert [kind for kind in work.session.scalars(sa.select(Event.kind)) if kind == BITTINGS_REVEALED] == shown
    anew = send_array(work, system.id, form(work))
    assert {row.bitting for row in sealed_list(work, system.id, anew.number).rows} == {
        row.bitting for row in first.rows
    }


def test_the_array_of_a_paper_leaves_out_what_only_the_selective_master_is_cut_to(
    work: Work, system: KeySystem
) -> None:
    place = add_selective(work, system.id, "ENG").place
    found = sealed_list(work, system.id, send_array(work, system.id, form(work)).number)
    assert f"{place.depth:X}" not in found.chambers[place.chamber - 1].depths
    told = " ".join(pdf_text(sealed_list_pdf(found, "Letter")).split())
    said = "only the selective master and the keys under it have it. Give it to no other key."
    assert f"Chamber {place.chamber}, depth {place.depth:X}: {said}" in told
    assert "Other depths of the keys under it" in told and "Depths below" not in told  # the top's may be the deeper


def test_a_long_list_takes_few_pages_and_each_number_stands_before_its_bitting(work: Work, system: KeySystem) -> None:
    found = sealed_list(work, system.id, send_array(work, system.id, form(work)).number)
    cuts = [f"{one:06}" for one in range(7, 154 * 4211, 4211)]
    rows = tuple(SealedRow(place, one, is_top=place == 18) for place, one in enumerate(cuts, 1))
    text = pdf_text(sealed_list_pdf(replace(found, rows=rows), "Letter"))
    printed = re.sub(r"\s+", " ", text)
    assert "page 1 of 3" in printed
    spaced = (rf"\b{row.number} {' ?'.join(row.bitting)}{' top master' if row.is_top else ''}\b" for row in rows)
    assert all(re.search(one, printed) for one in spaced) and printed.count("top master") == 1


def test_every_look_is_on_record_and_no_event_has_a_bitting(work: Work, system: KeySystem) -> None:
    sent = send_array(work, system.id, form(work))
    sealed_list(work, system.id, sent.number)
    events = work.session.scalars(sa.select(Event).where(Event.subject == f"key system {system.id}")).all()
    assert [one.summary for one in events if one.kind == BITTINGS_REVEALED] == [
        f"Bittings of The Flats shown to Wren: list {sent.reference} for Ardent Brass"
    ]
    cuts = open_bittings(work.session, work.vault, [system]).values()
    told = " ".join(f"{one.summary} {one.detail}" for one in events)
    assert not [one for one in cuts if write_bitting(spec_of(system), one) in told]


def test_what_became_of_a_copy_is_known(work: Work, system: KeySystem) -> None:
    sent = send_array(work, system.id, form(work))
    assert [one.state for one in sent_arrays(work.session, system.id)] == [ArrayState.ON_ITS_WAY]
    note_array(work, system.id, sent.number, ArrayState.RECEIVED, "receipt of M. Fern")
    found = note_array(work, system.id, sent.number, ArrayState.LOST)
    assert (found.is_at_large, found.state_on, found.note) == (True, work.today, "")
    with pytest.raises(NotFound):
        note_array(work, system.id, sent.number + 1, ArrayState.LOST)
    with pytest.raises(LedgerError) as refused:
        note_array(work, system.id, sent.number, ArrayState.LOST, "x" * 301)
    assert refused.value.field == "note"


def test_all_that_lacks_is_told_at_once(work: Work, system: KeySystem) -> None:
    with pytest.raises(Problems) as refused:
        send_array(work, system.id, SendForm(0, " ", "", "x" * 121))
    assert {one.field for one in refused.value.problems} == {"maker_id", "person", "purpose", "way"}
    assert not sent_arrays(work.session, system.id)


def test_what_the_house_does_not_hold_it_cannot_send(work: Work, system: KeySystem) -> None:
    system.records = RecordsHolder.FACTORY
    work.session.commit()
    with pytest.raises(LedgerError, match="nothing to send"):
        send_array(work, system.id, form(work))
