"""A clerk's words at the counter, in the words of the demo's house; what each line means is said by hand."""

import csv
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import CatalogItem, CylinderAttributes, load_makers
from app.ledger.care.opening import Ledger
from app.ledger.catalog.price_queries import PriceEntry
from app.ledger.quoting.quick_line import QuickReading, read_quick_line, read_quick_words
from app.ledger.quoting.quick_words import HouseWords
from app.ledger.store.work import Actor
from app.ledger.tables import LineKind, Role
from app.pricing import KeyingKind, PriceKind, Urgency
from tests.conftest import NOW
from tests.stocked import DEMO, empty_house

__all__ = ["empty_house"]

Line = dict[str, Any]


@cache
def house() -> HouseWords:
    makers: Any = {maker.code: maker for maker in load_makers(DEMO / "makers")}
    with (DEMO / "prices.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    kinds = {"goods": PriceKind.GOODS, "labor": PriceKind.LABOR}
    entries = {
        row["code"]: PriceEntry(row["code"], row["description"], row["category"], kinds[row["kind"]]) for row in rows
    }
    return HouseWords(makers, list(entries.values()), [item for maker in makers.values() for item in maker.items])


def heard(words: str) -> QuickReading:
    return read_quick_words(words, house())


def cylinder(quantity: int, kind: str, **said: Any) -> Line:
    return {"kind": "cylinder", "quantity": quantity, "type": kind, **said}


# What the catalog alone has of it: six pins and the standard cam of Ardent Brass.
ARD6 = {"maker": "ARD", "chambers": 6, "drilled": 6}
MORTISE6 = {**ARD6, "cam": "standard"}
AQ1_18: Line = {"length": "1-1/8", "keyway": "AQ1", "finish": "626", **MORTISE6, "completed": "A18M-Q1-66.SC"}
TABLE: tuple[tuple[str, Sequence[Line], str], ...] = (
    ("2 mortise 1-1/8 626 KA 4 keys",
     [cylinder(2, "mortise", length="1-1/8", finish="626", keying="KA", keys_in_all=4)], ""),
    ("4 keys KA 626 1-1/8 mortise 2",
     [cylinder(2, "mortise", length="1-1/8", finish="626", keying="KA", keys_in_all=4)], ""),
    ("2 mortise 1-1/8 AQ1 six pin 626 KA two keys each",
     [cylinder(2, "mortise", keying="KA", keys_each=2, **AQ1_18)], ""),
    ('mort 1 1/8" AQ1 6-pin oil rubbed',
     [cylinder(1, "mortise", **{**AQ1_18, "finish": "613", "completed": "A18M-Q1-66.OB"})], ""),
    ("1.125 mortice AQ2 26D",
     [cylinder(1, "mortise", **{**AQ1_18, "keyway": "AQ2", "completed": "A18M-Q2-66.SC"}, filled=["chambers"])], ""),
    ("6 rim AQ1 satin chrome master keyed under AB",
     [cylinder(6, "rim", keyway="AQ1", finish="626", keying="MK", master="AB")], ""),
    ("2 rim AQ1 GGMK under A two keys each",
     [cylinder(2, "rim", keyway="AQ1", keying="GGMK", master="A", keys_each=2)], ""),
    ("2 rim AQ1 under a master", [cylinder(2, "rim", keyway="AQ1", keying="MK")], "under"),
    ("6 rim AQ1 satin chrome MK AB",
     [cylinder(6, "rim", keyway="AQ1", finish="626", keying="MK", master="AB")], ""),
    ("150 mortise master keyed", [cylinder(150, "mortise", keying="MK")], ""),
    ("1,000 mortise grand master", [cylinder(1000, "mortise", keying="GMK")], ""),
    ("2 deadbolts keyed alike four keys", [cylinder(2, "deadbolt", keying="KA", keys_in_all=4)], ""),
    ("two capstan deadbolts 626 AQ1 keyed the same with four keys",
     [cylinder(2, "deadbolt", keying="KA", keys_in_all=4, keyway="AQ1", finish="626", **ARD6,
               completed="CAP2-Q1-66.SC", filled=["chambers"])], ""),
    ("capstan 2 deadbolt AQ3",
     [cylinder(1, "deadbolt", keyway="AQ3", finish="626", **ARD6, completed="CAP2-Q3-66.SC",
               filled=["chambers", "finish"])], ""),
    ("a dozen padlocks all different", [cylinder(12, "padlock", keying="KD")], ""),
    ("4 knobs KA", [cylinder(4, "lockset", keying="KA")], ""),
    ("2 deadbolt cylinders AQ1", [cylinder(2, "bored", keyway="AQ1")], ""),
    ("a pair of rim cylinders 1-1/4 brushed chrome AQ1",
     [cylinder(2, "rim", length="1-1/4", keyway="AQ1", finish="626")], ""),
    ("two dozen pell rim KD", [cylinder(24, "rim", maker="PAR", keying="KD")], ""),
    ("3 Pell & Rowe rim and 2 mortise", [cylinder(3, "rim", maker="PAR"), cylinder(2, "mortise")], ""),
    ("2 mortise 626 KA and 1 rim 605",
     [cylinder(2, "mortise", finish="626", keying="KA"), cylinder(1, "rim", finish="605")], ""),
    ("2 mortise 626 KA 1 rim 605",
     [cylinder(2, "mortise", finish="626", keying="KA"), cylinder(1, "rim", finish="605")], ""),
    ("2 mortise AQ1 hooked cam 1-1/4",
     [cylinder(2, "mortise", **{**AQ1_18, "length": "1-1/4", "cam": "hooked", "completed": "A20M-Q1-66H.SC"},
               filled=["chambers", "finish"])], ""),
    ("sfic NH1 seven pin 26d KA2",
     [cylinder(1, "sfic", keyway="NH1", finish="626", chambers=7, maker="NOR", keying="KA", set_size=2,
               completed="NSC7:H1:626")], ""),
    ("6 rim AQ1 GMK AB", [cylinder(6, "rim", keyway="AQ1", keying="GMK", master="AB")], ""),
    ("3 rim KA under AB AQ1", [cylinder(3, "rim", keyway="AQ1", keying="MK", set_size=3, master="AB")], ""),
    ("a half dozen rim in finish 3", [cylinder(6, "rim", finish="605")], ""),
    ("2 core NH1 7 pin", [cylinder(2, "sfic", keyway="NH1", chambers=7)], ""),
    ("6 mortise AQ2 keyed alike in sets of 2",
     [cylinder(6, "mortise", keying="KA", set_size=2, **{**AQ1_18, "keyway": "AQ2", "completed": "A18M-Q2-66.SC"},
               filled=["length", "chambers", "finish"])], ""),
    ("no keys, 2 bored AQ3",
     [cylinder(2, "bored", keyway="AQ3", finish="626", tailpiece="half-round", keys_in_all=0, **ARD6,
               completed="AD-Q3-66.SC", filled=["chambers", "finish"])], ""),
    ("A18M-Q1-66.SC x 3 KD",
     [{"kind": "part number", "quantity": 3, "maker": "ARD", "part_number": "A18M-Q1-66.SC", "keying": "KD"}], ""),
    ("5 a18m-q1-66.sc 626 KA",
     [{"kind": "part number", "quantity": 5, "maker": "ARD", "part_number": "A18M-Q1-66.SC", "keying": "KA"}], ""),
    ("2 31.118.P26/C2", [{"kind": "part number", "quantity": 2, "maker": "PAR", "part_number": "31.118.P26/C2"}], ""),
    ("18M-Q?-66 2", [{"kind": "part number", "quantity": 2, "part_number": "18M-Q?-66"}], ""),
    ("2 key blanks AK6-12",
     [{"kind": "part number", "quantity": 2, "maker": "ARD", "part_number": "AK6-12"}], ""),
    ("budget deadbolt 2", [{"kind": "part number", "quantity": 2, "maker": "PAR", "part_number": "P-BUDGET"}], ""),
    ("ring set 3", [{"kind": "hardware", "quantity": 3, "price_code": "RING-SET"}], ""),
    ("3 flat strikes 626", [{"kind": "hardware", "quantity": 3, "price_code": "STRIKE-FLAT"}], ""),
    ("1 key cabinet and 2 key tags",
     [{"kind": "hardware", "quantity": 1, "price_code": "KEY-CABINET"},
      {"kind": "hardware", "quantity": 2, "price_code": "KEY-TAGS"}], ""),
    ("trip", [{"kind": "trip", "quantity": 1, "price_code": "TRIP"}], ""),
    ("trip beyond the harbor", [{"kind": "trip", "quantity": 1, "price_code": "TRIP-FAR"}], ""),
    ("3 quarter hours of labor", [{"kind": "labor", "quantity": 3, "price_code": "LABOR-QUARTER"}], ""),
    ("2 hours labor", [{"kind": "labor", "quantity": 8, "price_code": "LABOR-QUARTER"}], ""),
    ("an hour and a half of labor", [{"kind": "labor", "quantity": 6, "price_code": "LABOR-QUARTER"}], ""),
    ("2 hours rim AQ1", [cylinder(1, "rim", keyway="AQ1")], "2 hours"),
    ("three AQ1 keys", [{"kind": "keys", "quantity": 3, "keyway": "AQ1"}], ""),
    ("standard cam x 3", [{"kind": "part number", "quantity": 3, "part_number": "standard cam"}], "standard cam"),
    ("2 control keys", [{"kind": "keys", "quantity": 2, "price_code": "KEY-CONTROL"}], ""),
    ("2 mortise six pin, 3 mortise six pin, 3 keys to A",
     [cylinder(2, "mortise", chambers=6), cylinder(3, "mortise", chambers=6),
      {"kind": "keys", "quantity": 3, "symbol": "A"}], ""),
    ("3 extra keys to AA1", [{"kind": "keys", "quantity": 3, "symbol": "AA1"}], ""),
    ("5 copies AQ1", [{"kind": "keys", "quantity": 5, "keyway": "AQ1", "symbol": "own"}], ""),
    ("rekey 3 rim alike", [{"kind": "rekey", "quantity": 3, "type": "rim", "keying": "KA"}], ""),
    ("2 rim rekeyed AQ1 five pin all different",
     [{"kind": "rekey", "quantity": 2, "type": "rim", "keyway": "AQ1", "chambers": 5, "keying": "KD"}], ""),
    ("rekey 2 rim KA and 3 mortise KD; 1 rim",
     [{"kind": "rekey", "quantity": 2, "type": "rim", "keying": "KA"},
      {"kind": "rekey", "quantity": 3, "type": "mortise", "keying": "KD"}, cylinder(1, "rim")], ""),
    ("2 mortise 626; ring set; trip",
     [cylinder(2, "mortise", finish="626"), {"kind": "hardware", "quantity": 1, "price_code": "RING-SET"},
      {"kind": "trip", "quantity": 1, "price_code": "TRIP"}], ""),
    ("2 x rim, 3 extra keys and 1 ring set",
     [cylinder(2, "rim"), {"kind": "keys", "quantity": 3},
      {"kind": "hardware", "quantity": 1, "price_code": "RING-SET"}], ""),
    ("rim 1-1/4 626 keyed to the college's key",
     [cylinder(1, "rim", length="1-1/4", finish="626", keying="OWN")], ""),
    ("2 rim keyed to the customer’s old key", [cylinder(2, "rim", keying="OWN")], ""),
    # What is said of the door is no length and no finish of a cylinder.
    ("2 mortise 626 2-1/4 in door",
     [cylinder(2, "mortise", finish="626", door="2-1/4 in")], ""),
    ("aluminum door 4 in stile, deadbolt",
     [cylinder(1, "deadbolt", stile="4 in", material="aluminum")], ""),
    ("3 mortise 1-1/8 for a 57 mm steel door",
     [cylinder(3, "mortise", length="1-1/8", door="57 mm", material="steel")], ""),
    ("mortise for 1-3/4 thick wooden doors", [cylinder(1, "mortise", door="1-3/4", material="wood")], ""),
    ("rekey 2 rim 1-3/4 door", [{"kind": "rekey", "quantity": 2, "type": "rim"}], "1-3/4 door"),
    # What is not understood, and what can be several things.
    ("2 mortise purple 626", [cylinder(2, "mortise", finish="626")], "purple"),
    ("2 mortise 3 AQ1", [cylinder(2, "mortise", keyway="AQ1")], "3"),
    ("2 rim brass", [cylinder(2, "rim", finish="605")], ""),
    ("2 mortise brass AQ1", [cylinder(2, "mortise", keyway="AQ1")], "brass"),
    ("9/0 mortise", [cylinder(1, "mortise")], "9/0"),
    ("A18M-Q1-66.SC 605",
     [{"kind": "part number", "quantity": 1, "maker": "ARD", "part_number": "A18M-Q1-66.SC"}], "605"),
    ("rekey 2 mortise 626", [{"kind": "rekey", "quantity": 2, "type": "mortise"}], "626"),
    ("collar ring", [{"kind": "part number", "quantity": 1, "part_number": "collar ring"}], "collar ring"),
    ("KA 626", [], "KA|626"),
    ("good morning", [], "good|morning"),
    ("", [], ""),
)  # fmt: skip


@pytest.mark.parametrize(("words", "lines", "unread"), TABLE, ids=[row[0] or "nothing" for row in TABLE])
def test_a_clerks_words_become_lines(words: str, lines: Sequence[Line], unread: str) -> None:
    reading = heard(words)
    found = [line.to_json() for line in reading.lines]
    assert [{name: said for name, said in line.items() if name != "could_be"} for line in found] == list(lines)
    assert [word.text for word in reading.not_understood] == (unread.split("|") if unread else [])


def test_each_word_is_told_as_what_it_was_taken_for() -> None:
    told = [(word.text, word.means) for word in heard("2 mortise 1-1/8 AQ1 US26D KA with 4 keys, purple").words]
    assert told == [
        ("2", "quantity 2"),
        ("mortise", "mortise cylinder"),
        ("1-1/8", "length 1-1/8 in"),
        ("AQ1", "keyway AQ1"),
        ("US26D", "626 satin chromium"),
        ("KA", "keyed alike"),
        ("with", "said along"),
        ("4 keys", "4 keys in all"),
        ("purple", ""),
    ]
    assert ("1 key", "1 key in all") in [(word.text, word.means) for word in heard("mortise AQ1 1 key").words]


def test_what_can_be_several_things_is_told_with_all_of_them() -> None:
    hints = {word.text: word.hint for word in heard("2 mortise brass AQ1 3").words if word.hint}
    assert hints == {
        "brass": "could be 605 bright brass or 606 satin brass",
        "3": "could be 3 keys, or finish 605 bright brass or 632 bright brass plated",
    }
    (line,) = heard("2 mortise AQ1 1-1/8 satin chrome").lines
    assert line.could_be == ("A18M-Q1-66.SC", "A18M-Q1-56.SC", "A18M-Q1-66L.SC")
    (ring,) = heard("collar ring 1/8 in").lines
    assert (ring.kind, ring.could_be) == (LineKind.PART, ("AG-02", "PG-8"))


def test_what_is_left_unsaid_is_the_usual() -> None:
    by_hand, keyed = heard("2 rim AQ1; 3 A18M-Q1-66.SC KA2 6 keys").lines
    ask = by_hand.request()
    assert (ask.keying.kind, ask.keys_each, ask.keys) == (KeyingKind.KD, 2, 4)
    ask = keyed.request()
    assert (ask.keying.kind, ask.keying.set_size, ask.keys, ask.part_number) == (KeyingKind.KA, 2, 6, "A18M-Q1-66.SC")


def test_the_house_on_record_is_what_is_read(ledger: Ledger) -> None:
    with ledger.work(Actor(None, "a test", Role.COUNTER), NOW) as work:
        (line,) = read_quick_line(work, "2 mortise AQ1 six pin 1-1/8 626 KA").lines
        assert (line.completed, line.maker, line.keying) == ("A18M-Q1-66.SC", "ARD", KeyingKind.KA)
        with pytest.raises(BitternError, match="At most 500 characters"):
            read_quick_line(work, "2 mortise " * 60)


DASHES = st.text(alphabet='0123456789-–−—./½"” xKADM?ab,;\n\t\0²', max_size=20)


@settings(deadline=None, max_examples=120, derandomize=True)
@given(st.text(max_size=60) | DASHES)
@example("0–")
def test_any_words_can_be_typed_and_each_is_told(typed: str) -> None:
    reading = heard(typed)
    told = "".join(word.text for word in reading.words)
    assert all(letter in typed for letter in told)


@pytest.mark.parametrize(
    ("words", "number", "quantity"),
    [
        ("6 dm 118-826D keyed different", "DM 118-826D", 6),
        ("DM 118-826D, 6", "DM 118-826D", 6),
        ("2 dr 903 keyed alike 5 keys", "DR-903", 2),
        ("2 A18M Q1 66.SC", "A18M-Q1-66.SC", 2),
    ],
)
def test_a_number_with_blanks_is_one_number(words: str, number: str, quantity: int) -> None:
    items = [
        CatalogItem(one, "Dunlin Metal", "cylinder", "a cylinder", 0, 4510, stocked=False)
        for one in ("DM 118-826D", "DR-903")
    ]
    (line,) = read_quick_words(words, replace(house(), items=[*house().items, *items])).lines
    assert (line.part_number, line.quantity, line.kind) == (number, quantity, LineKind.PART)


@pytest.mark.parametrize(
    ("words", "urgency", "said"),
    [
        ("2 deadbolts keyed alike four keys, he waits", Urgency.WAITS, "he waits"),
        ("while she waits: 2 rim AQ1 KA", Urgency.WAITS, "while she waits"),
        ("2 rim AQ1 KA; customer is waiting", Urgency.WAITS, "customer is waiting"),
        ("a trip and 2 rim AQ1 as a rush job", Urgency.RUSH, "as a rush job"),
        ("2 rim AQ1 KA", None, ""),
    ],
)
def test_whether_somebody_waits_is_heard_of_all_of_it(words: str, urgency: Urgency | None, said: str) -> None:
    reading = heard(words)
    assert reading.urgency is urgency
    assert len(reading.lines) == 1 + ("trip" in words)  # rush work is no line of its own
    meant = [word.means for word in reading.words if word.text == said]
    assert meant == ([f"at the bench: {urgency.words}"] if urgency else [])


def test_what_is_said_beside_a_worn_number_is_of_the_old_cylinder_and_its_key() -> None:
    """It was not understood: no number that can be several is of one finish."""
    reading = heard("18M-Q?-66 626 AQ1 to the customer's key")
    [line] = (one.request() for one in reading.lines)
    assert not reading.not_understood
    assert (line.part_number, line.replaces_finish, line.attributes) == ("18M-Q?-66", "626", CylinderAttributes(""))
    assert (line.keying.kind, line.keying.key_keyway) == (KeyingKind.OWN, "AQ1")
    alike = heard("2 18M-Q?-66 AQ1 satin chrome KA")  # no key says that it is AQ1's
    assert [(word.text, word.hint) for word in alike.not_understood] == [
        ("AQ1", "choose the one among those that 18M-Q?-66 can be")
    ]
    assert alike.lines[0].request().replaces_finish == "626"
