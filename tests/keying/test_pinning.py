from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    Bitting,
    BittingSpec,
    ChamberPins,
    KeyingError,
    KeyStop,
    Pinning,
    PinSize,
    cut_list,
    in_place_of,
    inches_text,
    pick_list,
    pin,
    pin_length,
    plan_levels,
    read_kit_sizes,
    root_depth,
    write_kit_sizes,
)
from tests.keying.oracle import bittings_of, every_bitting, operates, small_specs

CORE = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=23, control_offset=10, min_master_pin=2)


@st.composite
def locks(draw):
    spec = draw(small_specs())
    return spec, draw(st.lists(bittings_of(spec), min_size=1, max_size=4))


@given(locks())
def test_pins_shear_for_exactly_the_intended_and_the_counted_phantoms(lock):
    spec, bittings = lock
    found = pin(spec, {f"K{n}": bitting for n, bitting in enumerate(bittings)})
    heights = []  # where each chamber's pins part, reckoned up from the pins themselves
    for pins in found.chambers:
        height, parts = pins.bottom, [pins.bottom]
        for size in pins.masters:
            height += size
            parts.append(height)
        heights.append(parts)
    opening = [b for b in every_bitting(spec) if all(c in parts for c, parts in zip(b, heights, strict=True))]
    assert opening == [b for b in every_bitting(spec) if operates(b, bittings)]
    assert found.combinations == len(opening)
    assert found.intended == len(set(bittings))
    assert found.phantom == len(opening) - len(set(bittings))


@given(st.tuples(*[st.integers(0, 9)] * 6), st.tuples(*[st.integers(0, 9)] * 6), st.tuples(*[st.integers(0, 9)] * 6))
def test_a_core_balances_in_every_chamber(tmk, change, control):
    found = pin(CORE, {"TMK": tmk, "AA1": change}, control)
    for pins, cut in zip(found.chambers, control, strict=True):
        line = pins.bottom + sum(pins.masters) + pins.buildup
        assert line == cut + 10
        assert line + pins.top == 23


def test_a_conventional_stack_balances_to_its_total():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2, stack_total=14)
    found = pin(spec, {"TMK": (5, 2, 8), "AA1": (3, 2, 0)})
    assert found.chambers == (
        ChamberPins(3, (2,), None, 9),
        ChamberPins(2, (), None, 12),
        ChamberPins(0, (8,), None, 6),
    )
    assert (found.combinations, found.intended, found.phantom) == (4, 2, 2)
    assert found.warnings == ()


def test_pins_that_cannot_be_are_warned_of_by_chamber():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=9, control_offset=2, min_master_pin=2)
    found = pin(spec, {"TMK": (5, 2, 8), "AA1": (4, 2, 8)}, (4, 0, 9))
    assert found.warnings[:4] == (
        "Chamber 1: master pin 1 is under the least master pin 2.",
        "Chamber 1: build-up pin 1 is under the least master pin 2.",
        "Chamber 2: build-up pin 0 is under the least master pin 2.",
        "Chamber 3: the top pin would be below zero: the stack is higher than the stack total.",
    )
    below = pin(spec, {"TMK": (5, 2, 8)}, (4, 0, 0)).warnings
    assert any(warning.startswith("Chamber 3: the build-up pin would be below zero") for warning in below)


def test_a_stack_that_fills_its_total_is_warned_of():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=8)
    assert pin(spec, {"AA": (5, 2, 8)}).warnings == (
        "Chamber 3: there is no room for a top pin: the stack fills the stack total.",
    )


def test_a_control_key_needs_its_offset():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1)
    with pytest.raises(KeyingError) as refused:
        pin(spec, {"AA": (1, 1, 1)}, (2, 2, 2))
    assert refused.value.field == "spec.control_offset"


def test_a_cylinder_needs_a_key():
    with pytest.raises(KeyingError) as refused:
        pin(CORE, {})
    assert refused.value.field == "keys"


def test_a_pin_as_thin_as_the_least_is_no_warning():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2, control_offset=10, min_master_pin=2)
    found = pin(spec, {"AA": (9, 9, 1), "1AA": (7, 9, 1)}, (1, 1, 3))
    assert found.chambers[0].masters == (2,)
    assert found.chambers[0].buildup == found.chambers[1].buildup == 2
    assert found.warnings == ()


def _stacks(pinning: Pinning) -> list[set[int]]:
    """Where each chamber's pins part, over the key's tip, added up pin by pin; a pin without height parts nothing."""
    found = []
    for pins in pinning.chambers:
        height, joints = 0, set()
        for size in (pins.bottom, *pins.masters, pins.buildup):
            if size is not None and (size or not joints):
                height += size
                joints.add(height)
        found.append(joints)
    return found


def _turns(cuts: Bitting, stacks: list[set[int]], line: int = 0) -> bool:
    """Whether every chamber parts at a line so far over the operating one."""
    return all(cut + line in joints for cut, joints in zip(cuts, stacks, strict=True))


@st.composite
def cores(draw):
    depths = draw(st.integers(2, 4))
    spec = BittingSpec(chambers=3, depths=depths, macs=9, control_offset=draw(st.integers(1, depths + 1)))
    cuts = st.tuples(*[st.integers(0, depths - 1)] * 3)
    keys = draw(st.lists(cuts, min_size=1, max_size=3))
    deepest = [max(column) for column in zip(*keys, strict=True)]
    control = draw(
        cuts.map(lambda c: tuple(max(x, d - spec.control_offset) for x, d in zip(c, deepest, strict=True)))
    )
    return spec, {f"K{n}": key for n, key in enumerate(keys)}, control


@settings(max_examples=300)
@given(cores())
def test_a_control_line_is_warned_of_just_where_a_plain_key_reaches_it(core):
    """Every key there is, tried at both lines of the stack as it stands, pin on pin."""
    spec, keys, control = core
    found = pin(spec, keys, control)
    stacks, said = _stacks(found), " ".join(found.warnings)
    takes_out = [cuts for cuts in every_bitting(spec) if _turns(cuts, stacks, spec.control_offset)]
    turns = [cuts for cuts in every_bitting(spec) if _turns(cuts, stacks)]
    assert control in takes_out and set(keys.values()) <= set(turns)
    pulling = [symbol for symbol, cuts in keys.items() if cuts in takes_out]
    assert [one for one in found.warnings if "would take the core out" in one] == (
        [f"{', '.join(pulling)} reaches the control line in every chamber: it would take the core out."]
        if pulling
        else []
    )
    by_plain_cuts = [cuts for cuts in takes_out if operates(cuts, list(keys.values()))]
    assert ("that nobody ordered reaches the control line" in said) == (bool(by_plain_cuts) and not pulling)
    beside = len(takes_out) - 1
    assert (f"Besides the control key {beside} bitting" in said) == bool(beside)
    # A stack that lets in more plain keys than are counted says so: the control line's joint is within their reach.
    assert (len(turns) > found.combinations) <= ("control line's joint lets cut" in said)
    if spec.control_offset >= spec.depths:
        assert len(turns) == found.combinations and not beside


def test_the_published_core_parts_its_two_lines():
    """P: stack 23, offset 10 of ten depths: a lock maker's technical manual, manualarchiveguide.com manual 3603228
    page=58; its example is within both lines (computed here)."""
    keys = {"TMK": (5, 2, 8, 6, 1, 4), "AA1": (7, 4, 2, 8, 3, 6)}
    assert pin(CORE, keys, (9, 6, 0, 4, 7, 8)).warnings == ()
    assert pin(CORE, keys, (7, 2, 2, 6, 3, 4)).warnings == (
        "A key of plain cuts that nobody ordered reaches the control line in every chamber, and turns the plug.",
    )
    assert pin(CORE, keys, (7, 4, 2, 8, 3, 6)).warnings == (
        "AA1 reaches the control line in every chamber: it would take the core out.",
    )


@given(locks(), st.integers(1, 3), st.integers(2, 500))
def test_bounds_are_warned_of_just_where_they_are_passed(lock, most, one_in):
    spec, bittings = lock
    keys = {f"K{n}": bitting for n, bitting in enumerate(bittings)}
    bare = pin(spec, keys)
    found = pin(replace(spec, most_master_pins=most, share_one_in=one_in), keys)
    opening = sum(operates(cuts, bittings) for cuts in every_bitting(spec))
    everything = spec.depths**spec.chambers
    assert bare.share == Fraction(opening, everything) and bare.passed == ()
    crowded = [f"Chamber {n}:" for n, pins in enumerate(found.chambers, start=1) if len(pins.masters) > most]
    assert [said[: said.index(":") + 1] for said in found.passed if "master pins" in said] == crowded
    assert any("of all bittings" in said.casefold() for said in found.passed) == (opening * one_in > everything)
    assert set(found.passed) <= set(found.warnings) and set(bare.warnings) <= set(found.warnings)


def test_a_key_that_breaks_the_macs_is_named_with_its_cuts_counted_from_the_stop():
    spec = BittingSpec(chambers=4, depths=10, macs=4)
    keys = {"AA": (1, 2, 3, 9), "1AA": (1, 2, 3, 4)}
    assert pin(spec, keys).warnings == ("AA breaks the MACS of 4: cuts 3 and 4.",)
    assert pin(replace(spec, stop=KeyStop.TIP), keys).warnings == ("AA breaks the MACS of 4: cuts 2 and 1.",)


@given(st.sampled_from(KeyStop), st.integers(3, 6), st.integers(3, 6), st.data())
def test_a_cylinder_sees_the_cuts_that_stand_under_its_chambers(stop, cuts, chambers, data):
    """Keys that stop at the tip count their cuts from there, others from the shoulder; a short cylinder sees the cuts
    at the stop (common practice, no source). Here the blade is laid out in inches from its stop, cut by cut."""
    inches = {"depth0_in": "0.335", "increment_in": "0.015", "first_cut_in": "0.231", "spacing_in": "0.156"}
    spec = BittingSpec.from_json({"chambers": cuts, "depths": 6, "stop": stop, **inches})
    key = data.draw(st.tuples(*[st.integers(0, 5)] * cuts))
    places = {cut.place: cut.root for cut in cut_list(spec, key)}
    cylinder = replace(spec, chambers=chambers)
    under = [cut.place for cut in cut_list(cylinder, (0,) * chambers)]  # where the chambers stand, bow to tip
    roots = [places.get(place, root_depth(spec, 0)) for place in under]  # uncut: as high as the shallowest cut
    assert roots == [root_depth(spec, depth) for depth in spec.entering(key, chambers)]
    if chambers <= cuts:
        found = pin(spec, {"AA": key}, chambers=chambers)
        assert [pins.bottom for pins in found.chambers] == list(spec.entering(key, chambers))
        assert found.numbers == tuple(cylinder.chamber_numbers)


@given(st.sampled_from(KeyStop), st.lists(st.tuples(*[st.integers(0, 2)] * 4), min_size=1, max_size=3))
def test_a_short_cylinder_lets_in_what_it_sees(stop, bittings):
    """Two keys alike in the seen cuts both operate, and count as one combination."""
    spec = BittingSpec(chambers=4, depths=3, macs=2, stop=stop)
    found = pin(spec, {f"K{n}": bitting for n, bitting in enumerate(bittings)}, chambers=3)
    seen = {cuts[1:] if stop is KeyStop.TIP else cuts[:3] for cuts in bittings}
    short = replace(spec, chambers=3)
    opening = [cuts for cuts in every_bitting(short) if operates(cuts, list(seen))]
    assert found.combinations == len(opening) and found.share == Fraction(len(opening), 27)
    assert (found.intended, found.phantom) == (len(seen), len(opening) - len(seen))
    with pytest.raises(KeyingError) as refused:
        pin(spec, {"AA": bittings[0]}, chambers=5)
    assert refused.value.field == "chambers"


KIT = {"bottom0_in": "0.160", "bottoms_in": "0.150 to 0.300 by 0.005", "masters_in": "0.03 to 0.2 by 0.005"}


def test_pins_are_told_in_inches_beside_the_kits_nearest():
    spec = BittingSpec.from_json(
        {"chambers": 3, "depths": 8, "increment_in": "0.018", "kit": {**KIT, "tolerance_in": "0.0015"}}
    )
    told = [pin_length(spec, PinSize("bottom", size)) for size in range(8)]
    # .160 and .018 a depth: .160 .178 .196 .214 .232 .250 .268 .286, in a kit of fives.
    exact = [
        "0.160",
        "0.178",
        "0.196",
        "0.214",
        "0.232",
        "0.250",
        "0.268",
        "0.286",
    ]
    nearest = [
        "0.160",
        "0.180",
        "0.195",
        "0.215",
        "0.230",
        "0.250",
        "0.270",
        "0.285",
    ]
    assert [str(one.exact) for one in told] == [str(Fraction(text)) for text in exact]
    assert [str(one.nearest) for one in told] == [str(Fraction(text)) for text in nearest]
    assert [one.off * 1000 for one in told] == [0, 2, -1, 1, -2, 0, 2, -1]
    assert [one.is_off for one in told] == [False, True, False, False, True, False, True, False]
    master = pin_length(spec, PinSize("master", 2))
    assert (inches_text(master.exact), inches_text(master.nearest), master.off_words) == (
        "0.036",
        "0.035",
        "0.001 short",
    )
    assert pin_length(spec, PinSize("top", 4)).nearest is None  # no top pins were entered: nothing is compared
    assert pin(spec, {"AA": (1, 0, 2), "1AA": (3, 0, 2)}).warnings == (
        "Off in the kit, inches: bottom 1 in chamber 1 0.002 long.",
    )
    assert pin_length(replace(spec, increment_in=None), PinSize("bottom", 1)) is None
    assert pin_length(spec, PinSize("top", None)) is None


@given(st.lists(st.fractions(Fraction(1, 1000), 1, max_denominator=1000), max_size=40))
def test_a_kit_reads_back_as_it_was_written(sizes):
    assert read_kit_sizes(write_kit_sizes(sorted(set(sizes)))) == tuple(sorted(set(sizes)))


@pytest.mark.parametrize(
    "text",
    ["0.3 to 0.1 by 0.005", "0.1 to 5 by 0.001", "0.1 0.2", "0.1 to 0.2", "0.1 to 0.2 by 0", "a, 0.2", 5, "11"],
)
def test_a_kit_that_cannot_be_is_refused(text):
    with pytest.raises(KeyingError):
        read_kit_sizes(text)


SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2, stack_total=23, control_offset=10)


def test_the_pick_list_adds_up_every_pin_of_every_cylinder():
    plan = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=2, changes_per_master=8)
    pinnings = [
        pin(SPEC, {symbol: plan.keys[symbol] for symbol in chain}, (9, 6, 0, 4, 7, 8))
        for chain in plan.cylinders.values()
    ]
    plain: Counter = Counter()
    for pinning in pinnings:
        for pins in pinning.chambers:
            plain["bottom", pins.bottom] += 2
            plain.update({("master", size): 0 for size in pins.masters})
            for size in pins.masters:
                plain["master", size] += 2
            if pins.buildup > 0:
                plain["build-up", pins.buildup] += 2
            if pins.top > 0:
                plain["top", pins.top] += 2
    found = pick_list((pinning, 2) for pinning in pinnings)
    assert dict(found.pins) == plain
    assert found.total == sum(plain.values())
    kinds = [size.kind for size, _ in found.pins]
    assert kinds == sorted(kinds, key=["bottom", "master", "build-up", "top"].index)


def test_a_stack_without_a_total_counts_tops_without_size():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    found = pick_list([(pin(spec, {"AA": (1, 1, 2)}), 3)])
    assert found.pins == ((PinSize("bottom", 1), 6), (PinSize("bottom", 2), 3), (PinSize("top", None), 9))


def test_stock_is_drawn_down_or_told_short():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    found = pick_list([(pin(spec, {"AA": (1, 1, 2)}), 3)])
    stock = {PinSize("bottom", 1): 6, PinSize("bottom", 2): 10, PinSize("top", None): 100, PinSize("master", 2): 4}
    assert found.short(stock) == ()
    assert found.drawn_down(stock) == {
        PinSize("bottom", 1): 0,
        PinSize("bottom", 2): 7,
        PinSize("top", None): 91,
        PinSize("master", 2): 4,
    }
    scarce = {**stock, PinSize("bottom", 1): 4}
    del scarce[PinSize("top", None)]
    assert found.short(scarce) == ((PinSize("bottom", 1), 2), (PinSize("top", None), 9))
    with pytest.raises(KeyingError, match="2 × bottom 1, 9 × top") as refused:
        found.drawn_down(scarce)
    assert refused.value.field == "stock"


def test_a_core_without_a_control_key_is_pinned_as_a_plain_cylinder():
    found = pin(SPEC, {"AA": (5, 2, 8, 6, 1, 4)})
    assert found.chambers[2] == ChamberPins(8, (), None, 23 - 8)


@pytest.mark.parametrize("bittings", [[(1, 1)], [(1, 1, 1), (1, 1)], [(1, 1, 1, 1)]])
def test_keys_of_another_length_are_refused(bittings):
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=10)
    with pytest.raises(KeyingError) as refused:
        pin(spec, {f"K{n}": bitting for n, bitting in enumerate(bittings)})
    assert (refused.value.field, refused.value.message) == ("keys", "Every key needs 3 cuts.")
    with pytest.raises(KeyingError, match="Every key needs 3 cuts"):
        pin(spec, {"AA": (1, 1, 1)}, bittings[-1])


def test_without_a_least_pin_every_height_from_zero_will_do():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=10)
    assert pin(spec, {"AA": (9, 9, 9), "1AA": (8, 9, 9)}, (0, 0, 1)).warnings == ()


def test_pins_of_no_height_are_not_picked_and_those_of_one_increment_are():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=12, control_offset=10)
    found = pick_list(
        [(pin(spec, {"AA": (2, 2, 2)}, (0, 1, 2)), 1)]
    )  # line 10, 11, 12; build-up 8, 9, 10; top 2, 1, 0
    assert dict(found.pins)[PinSize("top", 1)] == 1 and PinSize("top", 0) not in dict(found.pins)
    low = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=2)
    found = pick_list([(pin(low, {"AA": (2, 3, 4)}, (0, 2, 4)), 1)])  # build-up 0, 1, 2
    assert [size for size, _ in found.pins if size.kind == "build-up"] == [
        PinSize("build-up", 1),
        PinSize("build-up", 2),
    ]


def test_pins_of_a_kind_stand_by_size_those_of_unknown_size_first():
    total = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=10)
    plain = BittingSpec(chambers=3, depths=10, macs=9, step=1)
    found = pick_list([(pin(total, {"AA": (2, 10 - 1, 0)}), 1), (pin(plain, {"AA": (11 - 2, 2, 0)}), 1)])
    assert [size.size for size, _ in found.pins if size.kind == "top"] == [None, 1, 8, 10]
    assert [size.size for size, _ in found.pins if size.kind == "bottom"] == [0, 2, 9]


def test_a_size_that_the_shelf_never_had_is_short():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=12)
    found = pick_list([(pin(spec, {"AA": (1, 2, 3)}), 1)])
    stock = {PinSize("bottom", depth): 1 for depth in (1, 2)} | {PinSize("top", 12 - depth): 1 for depth in (1, 2, 3)}
    assert found.short(stock) == ((PinSize("bottom", 3), 1),)
    with pytest.raises(KeyingError) as refused:
        found.drawn_down({**stock, PinSize("bottom", 3): 0, PinSize("top", 9): 0})
    assert refused.value.message == "The stock lacks 1 × bottom 3, 1 × top 9. Order these or correct the count."
    sizeless = pick_list([(pin(replace(spec, stack_total=None), {"AA": (1, 1, 1)}), 1)])
    with pytest.raises(KeyingError, match=r"The stock lacks 3 × bottom 1, 3 × top\. Order"):
        sizeless.drawn_down({})


PLAIN = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=18, min_master_pin=2)
FULL = {PinSize(kind, size): 50 for kind in ("bottom", "master", "build-up", "top") for size in range(1, 18)}


def _lines(core: BittingSpec, cuts: set[int], control: int | None, stack: list[int]) -> tuple[set[int], set[int]]:
    """The cuts that turn a chamber and those that take a core out, added up from its pins one by one."""
    joints, height = set(), 0
    for size in stack[:-1]:
        height += size
        joints.add(height)
    offset = core.control_offset
    depths = set(core.all_depths)
    return joints & depths, {one - offset for one in joints} & depths if offset is not None else set()


@pytest.mark.parametrize("spec", [PLAIN, CORE])
def test_what_stands_in_for_a_top_pin_opens_to_no_other_cut(spec):
    """Every offer in every chamber that can have that top pin: the same cuts part it as before, at either line."""
    seen = 0
    for deepest in spec.all_depths:
        for control in spec.all_depths if spec.control_offset else [None]:
            line = deepest if control is None else control + spec.control_offset
            between = [line - deepest] if line > deepest else []
            top = spec.stack_total - line
            if top < 1:
                continue
            before = _lines(spec, {deepest}, control, [deepest, *between, top])
            for pieces in in_place_of(spec, PinSize("top", top), FULL):
                sizes = [one.size for one in pieces]
                assert sum(sizes) == top and "bottom" not in {one.kind for one in pieces}
                assert _lines(spec, {deepest}, control, [deepest, *between, *sizes]) == before
                seen += 1
    assert seen > 20


def test_only_a_top_pin_is_made_of_several_and_its_lowest_piece_is_long():
    # 18 less a deepest cut of 9 and 2 beyond it: what stands over the lowest joint is 7 at most.
    spare = {PinSize("top", 9): 3, PinSize("top", 5): 3, PinSize("master", 4): 3, PinSize("bottom", 9): 9}
    assert in_place_of(PLAIN, PinSize("top", 13), spare) == ((PinSize("top", 9), PinSize("master", 4)),)
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 5): 2}) == ((PinSize("top", 5),) * 2,)
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 5): 1}) == ()  # it would take two
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 2): 5}) == ()  # 8 would stand over the lowest joint
    for kind, size in (("bottom", 6), ("master", 6), ("build-up", 6)):
        assert all(len(pieces) == 1 for pieces in in_place_of(PLAIN, PinSize(kind, size), FULL))
    assert in_place_of(PLAIN, PinSize("bottom", 6), FULL) == ()
    assert in_place_of(PLAIN, PinSize("master", 6), FULL) == ((PinSize("build-up", 6),),)
    # A core's control line lies 10 up: 23 - 10 - 11 leaves 2 over a joint, and no pin is under 2.
    assert in_place_of(CORE, PinSize("top", 8), {PinSize("top", 6): 1, PinSize("master", 2): 1}) == (
        (PinSize("top", 6), PinSize("master", 2)),
    )
    assert (
        in_place_of(CORE, PinSize("top", 8), {PinSize("top", 4): 2, PinSize("top", 7): 1, PinSize("top", 1): 1}) == ()
    )
