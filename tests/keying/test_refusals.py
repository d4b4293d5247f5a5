"""The sentence of each refusal, whole, with its field: they are what somebody mends by."""

from collections.abc import Callable
from random import Random

import pytest

from app.keying import (
    BittingSpec,
    KeyingError,
    LevelArray,
    audit,
    choose_bittings,
    cross_cost,
    extend,
    lost_key,
    name_wanted,
    operating_chains,
    pin,
    plan_levels,
    progress,
    read_symbol,
)

SPEC = BittingSpec(chambers=3, depths=6, macs=3, step=2)
TMK = (1, 1, 2)
# Three chambers serve changes, two depths each: eight changes under a master, two of them issued.
PLAN = plan_levels(BittingSpec(chambers=4, depths=6, macs=5, step=2), (1, 1, 2, 2), levels=3, changes_per_master=2)
ARRAY = LevelArray(PLAN.tmk, PLAN.roles)
SYMBOLS = (
    "This is not a standard key symbol. Use such as AA, AA1, 1AA, A1, GGM, SKD1, X1X, XAA1 or AA1(NMK); "
    "I and O are no letters of a symbol, and X before it marks a crossed cylinder."
)


def extended(**more: object) -> object:
    return extend(PLAN.spec, ARRAY, PLAN.keys, PLAN.cylinders, **more)


REFUSALS: list[tuple[Callable[[], object], str, str]] = [
    (lambda: pin(SPEC, {}), "keys", "Name at least one key that operates this cylinder."),
    (
        lambda: pin(SPEC, {"AA": TMK}, TMK),
        "spec.control_offset",
        "A control key needs the spec's control offset.",
    ),
    (lambda: progress(SPEC, (1, 1)), "tmk", "The master does not fit this spec."),
    (
        lambda: progress(SPEC, (1, 5, 2)),
        "tmk",
        "The master's own cuts in chambers 1 and 2 differ by more than the MACS of 3: choose another master.",
    ),
    (
        lambda: progress(SPEC, TMK, [(3,), (3,)]),
        "array",
        "The array has 2 columns; this spec has 3 chambers.",
    ),
    (lambda: progress(SPEC, TMK, [(3,), (7,), ()]), "array", "Chamber 2: a depth is not one of this spec's."),
    (
        lambda: progress(SPEC, TMK, [(3,), (3, 1), ()]),
        "array",
        "Chamber 2: the master's own depth stands below it; remove it.",
    ),
    (lambda: progress(SPEC, TMK, [(3, 3), (), ()]), "array", "Chamber 1: a depth stands twice in its column."),
    (
        lambda: progress(SPEC, TMK, [(3,), (), (3,)]),
        "array",
        "Chamber 3: in a two-step progression every depth keeps the master's parity, odd or even.",
    ),
    (
        lambda: progress(SPEC, TMK, held=[1, 2, 3]),
        "array",
        "No chamber progresses: give at least one chamber depths below the master.",
    ),
    (
        lambda: progress(SPEC, TMK, order=[1, 2, 1]),
        "order",
        "The order names a chamber twice; name each progressed chamber once.",
    ),
    (
        lambda: progress(SPEC, TMK, order=[3, 1]),
        "order",
        "The order leaves out progressed chamber 2; name each once.",
    ),
    (lambda: progress(SPEC, TMK, order=[4]), "order", "Enter a whole number from 1 to 3, not '4'."),
    (lambda: progress(SPEC, TMK, held=[0]), "held", "Enter a whole number from 1 to 3, not '0'."),
    (
        lambda: audit({"AA": (1, 1), "1AA": (1, 1, 1)}, {}),
        "keys",
        "All keys of a system need the same number of cuts.",
    ),
    (
        lambda: audit({"AA": TMK}, {"C": []}),
        "cylinders.C",
        "Name at least one key that operates this cylinder.",
    ),
    (
        lambda: audit({"AA": TMK}, {"C": ["AA", "B\n"]}),
        "cylinders.C",
        "There is no key B? in this system: correct the list.",
    ),
    (lambda: cross_cost({"AA": TMK}, {}, "C", []), "cylinder", "There is no such cylinder in this system."),
    (
        lambda: choose_bittings({"AA": TMK}, {"AA": [TMK]}, {}),
        "candidates",
        "A keyset is both fixed and open.",
    ),
    (lambda: lost_key(SPEC, {"AA": TMK}, {}, "1AA", Random(1)), "lost", "There is no such key in this system."),
    (
        lambda: extend(SPEC, None, {"AA": TMK}, {}),
        "system",
        "This system has no array to go on in. Search for bittings beside the keys in service, or key these "
        "cylinders single (SKD).",
    ),
    (
        lambda: extend(SPEC, ARRAY, {}, {}),
        "system",
        "A system cannot be extended without the list of all bittings in use. "
        "Key these cylinders single (SKD), or begin a new system.",
    ),
    (lambda: extended(changes={"AB": 1}), "changes.AB", "There is no such master in this system."),
    (lambda: extended(masters={"B": [1]}), "masters.B", "There is no such grand master in this system."),
    (
        lambda: extended(changes={"AA": 90}),
        "changes.AA",
        "90 changes were asked for under AA, but only 2 are left that neither are issued nor clash with a cylinder "
        "in service.",
    ),
    (
        lambda: extended(masters={"A": [90]}),
        "masters.A",
        "No master is left under A with room for 90 changes.",
    ),
    (
        lambda: extended(changes={"AA": -1}),
        "changes.AA",
        "Enter a whole number from 0 to 100,000, not '-1'.",
    ),
    (
        lambda: extended(masters={"A": [100_001]}),
        "masters.A",
        "Enter a whole number from 0 to 100,000, not '100001'.",
    ),
    (lambda: name_wanted(["A"], {"AB": 1}, {}), "changes.AB", "There is no such master in this system."),
    (lambda: name_wanted(["A"], {}, {"B": [1]}), "masters.B", "There is no such grand master in this system."),
    (
        lambda: name_wanted(["GGM"], {}, {"GGM": [1]}),
        "masters.GGM",
        "A new grand master gets masters first, and these their changes: enter none.",
    ),
    (lambda: operating_chains({"1AA": "AA"}), "parent.1AA", "There is no keyset AA above it."),
    (
        lambda: operating_chains({"AA": "AB", "AB": "AA"}),
        "parent.AA",
        "Its parents run in a circle; correct one.",
    ),
    (lambda: read_symbol("AI", "mark"), "mark", SYMBOLS),
    (lambda: read_symbol(None, "mark"), "mark", SYMBOLS),
    (
        lambda: read_symbol("XAA", "mark"),
        "mark",
        "Only a change can be cross-keyed (X) or under a selective master; this symbol is a master's.",
    ),
]


@pytest.mark.parametrize(("ask", "field", "sentence"), REFUSALS)
def test_a_refusal_names_its_field_and_says_what_to_do(ask: Callable[[], object], field: str, sentence: str) -> None:
    with pytest.raises(KeyingError) as refused:
        ask()
    assert (refused.value.field, refused.value.message) == (field, sentence)
