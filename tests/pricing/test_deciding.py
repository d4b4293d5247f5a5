from cProfile import Profile
from datetime import date, timedelta
from pstats import Stats

import pytest

from app.pricing import (
    BenchTerms,
    CylinderSource,
    CylinderType,
    FactoryTerms,
    KeyingKind,
    KeyingRequest,
    ObstacleCode,
    Place,
    RecordsHolder,
    SystemAge,
    cost_points,
    decide,
    find_flips,
)

MONDAY = date(2026, 3, 2)


def codes(way):
    return [obstacle.code for obstacle in way.obstacles]


def test_the_cheaper_possible_way_is_chosen(ask, bench, factory):
    for count in (1, 11, 12, 13, 14, 15, 150):
        decision = decide(ask(count), bench, factory)
        assert decision.choice is (Place.FACTORY if count >= 14 else Place.SHOP)
        assert decision.saving_cents >= 0
        assert decision.remedy is None


def test_equal_costs_go_to_the_factory_as_the_break_even_counts_them(ask, bench_json, factory_json):
    bench_json |= {"labour_cents_per_hour": 0, "key_cut_cents": 0, "key_blank_cents": 0, "pin_cents": 0}
    factory_json |= {
        "setup_cents": {},
        "per_cylinder_cents": {"GMK": 0},
        "freight": [],
        "min_cylinders": 0,
        "min_order_cents": 0,
    }
    decision = decide(ask(3), BenchTerms.from_json(bench_json), FactoryTerms.from_json(factory_json))
    assert decision.choice is Place.FACTORY
    assert decision.saving_cents == 0
    assert decision.break_even.quantity == 1
    assert "cost the same" in decision.reasons[0]


def test_without_factory_terms_only_the_bench_is_left(ask, bench):
    decision = decide(ask(150), bench, None)
    assert decision.choice is Place.SHOP
    assert codes(decision.factory) == [ObstacleCode.NO_TERMS]
    assert decision.factory.total_cents is None
    assert decision.break_even is None
    assert decision.to_json()["break_even"] is None


def test_the_factorys_minimums_are_for_this_order(ask, bench, factory):
    assert codes(decide(ask(11), bench, factory).factory) == [ObstacleCode.MINIMUM_CYLINDERS]
    assert codes(decide(ask(12), bench, factory).factory) == []
    poor = decide(ask(12, goods_cents=14_999), bench, factory)
    assert codes(poor.factory) == [ObstacleCode.MINIMUM_ORDER]
    assert codes(decide(ask(12, goods_cents=15_000), bench, factory).factory) == []


def test_an_unknown_value_of_goods_is_a_risk_and_no_obstacle(ask, bench, factory):
    decision = decide(ask(20, goods_cents=None), bench, factory)
    assert decision.choice is Place.FACTORY
    assert any("was not checked" in risk for risk in decision.risks)


def test_the_factorys_date_counts_both_sides_closed_days(ask, bench_json, factory_json):
    # Ordered Monday 2 March; 15 working days on is Monday 23 March.
    ready = decide(ask(20), BenchTerms.from_json(bench_json), FactoryTerms.from_json(factory_json)).factory.ready
    assert ready == date(2026, 3, 23)
    factory_json["closed_days"] = ["2026-03-04", "2026-03-07"]
    bench_json["closed_days"] = ["2026-03-02", "2026-03-25"]
    # The house is closed on the day asked, so the order goes out a day later; the maker's closed Wednesday
    # costs a day, its closed Saturday none: Wednesday 25 March, when the house is closed.
    later = decide(ask(20), BenchTerms.from_json(bench_json), FactoryTerms.from_json(factory_json)).factory.ready
    assert later == date(2026, 3, 26)


def test_a_need_by_date_drops_the_factory_on_the_day_before_its_date(ask, bench, factory):
    on_time = decide(ask(20, need_by=date(2026, 3, 23)), bench, factory)
    assert on_time.choice is Place.FACTORY
    assert any("No day to spare" in risk for risk in on_time.risks)
    late = decide(ask(20, need_by=date(2026, 3, 20)), bench, factory)
    assert late.choice is Place.SHOP
    assert codes(late.factory) == [ObstacleCode.DATE]
    assert late.saving_cents < 0
    assert any("Needed 1 working day later" in flip and "$" in flip for flip in late.flips)


def test_cylinders_that_come_in_on_the_day_of_need_are_in_time_and_the_hours_are_lacking(ask, bench_json):
    # Nothing is on the shelf: three working days on is Thursday, and the bench is full all that day.
    full = bench_json | {"uncombinated_on_hand": {}, "uncombinated_lead_days": 3, "minutes_promised": 10_000}
    for day, code in ((4, ObstacleCode.DATE), (5, ObstacleCode.HOURS)):
        late = decide(ask(20, need_by=date(2026, 3, day)), BenchTerms.from_json(full), None)
        assert codes(late.shop) == [code]


def test_the_bench_is_dropped_when_it_has_not_the_hours(ask, bench_json):
    # 20 GMK: 90 + 20 × (6 + 7 + 2) + 40 × 1 = 430 minutes, at 360 a day: two days.
    bench = BenchTerms.from_json(bench_json)
    assert decide(ask(20), bench, None).shop.bench_minutes == 430
    assert decide(ask(20), bench, None).shop.ready == MONDAY + timedelta(1)
    full = BenchTerms.from_json(bench_json | {"minutes_promised": 290})
    assert decide(ask(20), full, None).shop.ready == MONDAY + timedelta(1)
    over = BenchTerms.from_json(bench_json | {"minutes_promised": 291})
    assert decide(ask(20), over, None).shop.ready == MONDAY + timedelta(2)
    late = decide(ask(20, need_by=MONDAY + timedelta(1)), over, None)
    assert late.choice is None
    assert codes(late.shop) == [ObstacleCode.HOURS]
    assert "7 h 9 min free by then; this job needs 7 h 10 min" in late.shop.obstacles[0].detail
    assert "Wednesday 4 March 2026" in late.remedy


def test_the_bench_closed_today_begins_on_the_next_open_day(ask, bench_json):
    closed = BenchTerms.from_json(bench_json | {"closed_days": ["2026-03-02", "2026-03-03"]})
    assert decide(ask(1), closed, None).shop.ready == date(2026, 3, 4)


def test_lacking_cylinders_come_first_and_promised_work_is_done_meanwhile(ask, bench_json):
    bench_json |= {"uncombinated_on_hand": {"mortise": 19}, "minutes_promised": 720}
    decision = decide(ask(20), BenchTerms.from_json(bench_json), None)
    # Six working days to Tuesday 10 March; the 430 minutes then take that day and the next.
    assert decision.shop.ready == date(2026, 3, 11)
    assert any("1 cylinder without pins" in risk for risk in decision.risks)
    early = decide(ask(20, need_by=date(2026, 3, 9)), BenchTerms.from_json(bench_json), None)
    assert codes(early.shop) == [ObstacleCode.DATE]
    never = BenchTerms.from_json(bench_json | {"uncombinated_lead_days": None})
    assert codes(decide(ask(20), never, None).shop) == [ObstacleCode.STOCK]
    own = decide(ask(20, source=CylinderSource.CUSTOMER), never, None)
    assert own.choice is Place.SHOP


def test_a_bench_without_time_or_with_years_of_work_is_no_way(ask, bench_json):
    idle = BenchTerms.from_json(bench_json | {"minutes_per_day": 0})
    assert codes(decide(ask(), idle, None).shop) == [ObstacleCode.HOURS]
    slow = BenchTerms.from_json(bench_json | {"minutes_per_day": 1, "minutes_promised": 1_000_000})
    assert codes(decide(ask(), slow, None).shop) == [ObstacleCode.HOURS]
    assert decide(ask(), slow, None).shop.total_cents is not None


def test_the_customers_own_cylinders_stay_here(ask, bench, factory):
    decision = decide(ask(150, source=CylinderSource.CUSTOMER), bench, factory)
    assert decision.choice is Place.SHOP
    assert ObstacleCode.OWN_CYLINDERS in codes(decision.factory)


@pytest.mark.parametrize(
    ("holder", "changes", "shop", "away"),
    [
        (RecordsHolder.SHOP, {}, True, True),
        (RecordsHolder.SHOP, {"takes_records": False}, True, False),
        (RecordsHolder.FACTORY, {}, False, True),
        (RecordsHolder.FACTORY, {"holds_records": False}, False, False),
        (RecordsHolder.NOBODY, {}, False, False),
    ],
)
def test_a_system_is_extended_only_where_its_records_are(ask, bench, factory_json, holder, changes, shop, away):
    terms = FactoryTerms.from_json(factory_json | changes)
    decision = decide(ask(20, system=SystemAge.EXISTING, records=holder), bench, terms)
    assert (decision.shop.possible, decision.factory.possible) == (shop, away)
    for way in (decision.shop, decision.factory):
        assert way.possible or codes(way) == [ObstacleCode.RECORDS]
    assert any("written authority" in risk for risk in decision.risks)


def test_without_records_the_remedy_is_to_key_single_which_is_then_possible(ask, bench, factory):
    """Never extend a system without its array and its list of bittings in use; key the lock single (ALOA
    technical standard, quoted in Keynotes, September 2014)."""
    decision = decide(ask(2, system=SystemAge.EXISTING), bench, factory)
    assert decision.choice is None
    assert "SKD" in decision.remedy
    single = decide(ask(2, KeyingKind.SKD, system=SystemAge.EXISTING), bench, factory)
    assert single.choice is Place.SHOP


def test_extending_costs_its_own_charge_in_place_of_a_set_up(ask, bench, factory):
    new = decide(ask(20), bench, factory)
    more = decide(ask(20, system=SystemAge.EXISTING, records=RecordsHolder.SHOP), bench, factory)
    assert new.factory.total_cents - more.factory.total_cents == 18_500 - 4_500
    assert new.shop.bench_minutes - more.shop.bench_minutes == 90 - 20


def test_keyways_of_the_factory_alone_and_with_authority(ask, bench, factory_json):
    terms = FactoryTerms.from_json(factory_json | {"factory_only_keyways": ["AQ5"]})
    assert codes(decide(ask(1, keyway="AQ5"), bench, terms).shop) == [ObstacleCode.KEYWAY]
    assert decide(ask(1, keyway="AQ1"), bench, terms).shop.possible
    assert any("written order" in risk for risk in decide(ask(1, keyway="AQ6"), bench, terms).risks)


def test_kinds_and_types_that_are_not_keyed(ask, bench_json, factory_json):
    del bench_json["type_minutes"]["lfic"], bench_json["kind_minutes"]["GGMK"]
    del factory_json["per_cylinder_cents"]["GGMK"]
    bench, factory = BenchTerms.from_json(bench_json), FactoryTerms.from_json(factory_json)
    neither = decide(ask(20, KeyingKind.GGMK), bench, factory)
    assert neither.choice is None
    assert (neither.shop.total_cents, neither.factory.total_cents) == (None, None)
    assert "another maker" in neither.remedy
    core = decide(ask(20, one=CylinderType.LFIC), bench, factory)
    assert core.choice is Place.FACTORY
    assert any("control key" in risk for risk in core.risks)


def test_neither_way_names_the_earliest_date(ask, bench_json, factory):
    bench = BenchTerms.from_json(bench_json | {"minutes_promised": 3_600})
    decision = decide(ask(20, need_by=date(2026, 3, 5)), bench, factory)
    assert decision.choice is None
    assert decision.saving_cents is None
    assert "Tuesday 17 March 2026" in decision.remedy
    assert "the bench" in decision.remedy
    assert len(decision.reasons) == 3


def test_neither_way_for_want_of_cylinders_says_how_many_more(ask, bench_json, factory):
    bench = BenchTerms.from_json(bench_json | {"minutes_per_day": 0})
    assert "With 4 more cylinders" in decide(ask(8), bench, factory).remedy
    assert "With 1 more cylinder the" in decide(ask(11), bench, factory).remedy
    poor = decide(ask(12, goods_cents=1), bench, factory)
    assert "more goods" in poor.remedy


def test_uncombinated_cylinders_cost_no_bench_time(ask, bench, factory):
    decision = decide(ask(5, KeyingKind.NONE), bench, factory)
    assert decision.shop.bench_minutes == 0
    assert [line.label for line in decision.shop.lines] == ["Key blanks"]
    assert decision.shop.ready == MONDAY


def every_decision(ask, bench_json, factory_json):
    for promised in (0, 100_000):
        bench = BenchTerms.from_json(bench_json | {"minutes_promised": promised})
        for terms in (None, FactoryTerms.from_json(factory_json)):
            for kind in KeyingKind:
                for system in SystemAge:
                    for records in RecordsHolder:
                        for count in (1, 12, 14, 150):
                            for need_by in (None, date(2026, 3, 2), date(2026, 3, 20), date(2026, 6, 1)):
                                given = ask(count, kind, system=system, records=records, need_by=need_by)
                                yield decide(given, bench, terms, 60)


def test_every_decision_is_whole_and_its_reasons_hold_no_amount(ask, bench_json, factory_json):
    seen = set()
    for decision in every_decision(ask, bench_json, factory_json):
        seen.add(decision.choice)
        told = (*decision.reasons, *decision.shop.why_not, *decision.factory.why_not, decision.remedy or "")
        assert not any("$" in sentence for sentence in told)
        assert decision.reasons
        assert all(
            sentence[0].isupper() and sentence.endswith(".") for sentence in (*decision.reasons, *decision.flips)
        )
        assert (decision.choice is None) == (decision.remedy is not None)
        if decision.choice is None:
            assert not decision.shop.possible and not decision.factory.possible
            continue
        assert decision.chosen.possible
        others = [way.total_cents for way in (decision.shop, decision.factory) if way.possible]
        assert decision.chosen.total_cents == min(others)
        assert decision.chosen.ready >= MONDAY
        if decision.request.need_by:
            assert decision.chosen.ready <= decision.request.need_by
    assert seen == {None, Place.SHOP, Place.FACTORY}


def test_a_decision_cannot_be_changed(ask, bench, factory):
    decision = decide(ask(), bench, factory)
    with pytest.raises(AttributeError):
        decision.choice = Place.FACTORY


def test_a_mixed_group_is_costed_by_type(bench, factory):
    mixed = KeyingRequest(KeyingKind.MK, {CylinderType.MORTISE: 2, CylinderType.BORED: 3}, 10, MONDAY)
    # 45 + 2 × (6 + 5 + 2) + 3 × (8 + 5 + 2) + 10 × 1
    assert decide(mixed, bench, factory).shop.bench_minutes == 45 + 26 + 45 + 10


def test_only_a_close_call_is_named_one(ask, bench, factory):
    for count in (12, 13, 14, 15, 150):
        decision = decide(ask(count), bench, factory)
        shop, away = decision.shop.total_cents, decision.factory.total_cents
        assert any("close call" in risk for risk in decision.risks) == (abs(shop - away) * 20 < shop)
    assert any("close call" in risk for risk in decide(ask(14), bench, factory).risks)


def test_a_line_priced_again_takes_few_calls(ask, bench, factory):
    profile = Profile()
    profile.enable()
    asked = ask(18, need_by=date(2026, 3, 30))
    find_flips(decide(asked, bench, factory), bench, factory)
    cost_points(asked, bench, factory, 100, most=1)
    profile.disable()
    assert Stats(profile).total_calls < 3_000  # a scan of every quantity made some 110,000


def test_a_decision_goes_to_json_whole(ask, bench, factory):
    shop_lines = [
        ("Set-up at the bench", 6900),
        ("Pinning and checking", 46_000),
        ("Pins", 3040),
        ("Cutting keys", 6773),
        ("Key blanks", 3600),
    ]
    away_lines = [("Set-up at the factory", 18_500), ("Keying at the factory", 16_800), ("Freight", 2800)]
    assert decide(ask(40), bench, factory).to_json() == {
        "choice": "factory",
        "shop": {
            "possible": True,
            "total_cents": 66_313,
            "ready": "2026-03-04",
            "lines": [{"label": label, "cents": cents} for label, cents in shop_lines],
            "why_not": [],
            "bench_minutes": 770,
        },
        "factory": {
            "possible": True,
            "total_cents": 38_100,
            "ready": "2026-03-23",
            "lines": [{"label": label, "cents": cents} for label, cents in away_lines],
            "why_not": [],
            "bench_minutes": 0,
        },
        "break_even": 14,
        "break_even_limit": 5000,
        "factory_cheaper": [[14, 5000]],
        "saving_cents": 28_213,
        "reasons": [
            "For 40 cylinders keyed GMK, the factory is the less costly way.",
            "The factory is worth while from 14 such cylinders on.",
            "It is ready on Monday 23 March 2026; here it would be Wednesday 4 March 2026.",
        ],
        "owner_notes": [
            "Bench $663.13, factory $381.00: $282.13 apart.",
            "From 14 cylinders of this mix on the factory costs no more.",
        ],
        "flips": ["Below 14 cylinders of this mix, the bench would do it."],
        "risks": [],
        "remedy": None,
    }
    nowhere = decide(ask(40, system=SystemAge.EXISTING, records=RecordsHolder.NOBODY), bench, None).to_json()
    assert (nowhere["choice"], nowhere["break_even"], nowhere["break_even_limit"]) == (None, None, None)
    assert (nowhere["factory_cheaper"], nowhere["saving_cents"]) == ([], None)
    assert nowhere["remedy"] == (
        "Key these cylinders single (SKD), or start a new system; never extend one without its records."
    )


def test_the_reasons_of_a_shop_decision(ask, bench, factory):
    assert decide(ask(11), bench, factory).reasons == (
        "The factory keys no order of fewer than 12 cylinders.",
        "So 11 cylinders keyed GMK can only be done here, which costs less as well.",
        "The factory becomes worth while from 14 such cylinders on.",
        "It is ready on Monday 2 March 2026.",
    )
    assert decide(ask(13), bench, factory).reasons == (
        "For 13 cylinders keyed GMK, the bench is the less costly way.",
        "The factory becomes worth while from 14 such cylinders on.",
        "It is ready on Monday 2 March 2026; from the factory it would be Monday 23 March 2026.",
    )
    # At 14 only the day decides: more cylinders would not turn it.
    on_friday = decide(ask(14, need_by=date(2026, 3, 20)), bench, factory)
    assert (on_friday.choice, on_friday.break_even.quantity) == (Place.SHOP, 14)
    assert not any("14 such cylinders" in reason for reason in on_friday.reasons)
    assert not any("14 cylinders of this mix" in flip for flip in on_friday.flips)


def test_the_reasons_where_the_factory_alone_can_do_it(ask, bench, factory_json):
    factory = FactoryTerms.from_json(factory_json | {"factory_only_keyways": ["AQ5"]})
    its_keyway = "Keyway AQ5 is keyed by its maker's factory only."
    # At 13 the bench would cost less, from 14 on the factory does.
    assert decide(ask(13, keyway="AQ5"), bench, factory).reasons == (
        its_keyway,
        "So 13 cylinders keyed GMK can only be done at the factory.",
        "It is ready on Monday 23 March 2026.",
    )
    assert decide(ask(14, keyway="AQ5"), bench, factory).reasons[:3] == (
        its_keyway,
        "So 14 cylinders keyed GMK can only be done at the factory, which costs less as well.",
        "The factory is worth while from 14 such cylinders on.",
    )


@pytest.mark.parametrize(
    ("count", "sentence"),
    [
        (1, "So 1 cylinder supplied uncombinated can only be done here, which costs less as well."),
        (40, "For 40 cylinders supplied uncombinated, the factory is the less costly way."),
    ],
)
def test_uncombinated_cylinders_are_supplied_and_not_keyed(ask, bench, factory, count, sentence):
    assert sentence in decide(ask(count, KeyingKind.NONE), bench, factory).reasons


@pytest.mark.parametrize(
    ("promised", "free"), [(360, "0 min"), (301, "59 min"), (300, "1 h 0 min"), (299, "1 h 1 min")]
)
def test_hours_free_by_then_are_shown_without_an_hour_where_there_is_none(ask, bench_json, promised, free):
    bench = BenchTerms.from_json(bench_json | {"minutes_promised": promised})
    late = decide(ask(4, need_by=MONDAY), bench, None)  # 90 + 4 × (6 + 7 + 2) + 8 × 1 = 158 minutes
    (obstacle,) = late.shop.obstacles
    assert obstacle.detail == f"It has {free} free by then; this job needs 2 h 38 min."


@pytest.mark.parametrize(
    ("setup", "note"),
    [
        (0, "From 1 cylinder of this mix on the factory costs no more."),
        (9000, "From 2 cylinders of this mix on the factory costs no more."),
        (10_000_000, "Up to 5,000 cylinders of this mix the factory never costs less."),
    ],
)
def test_the_owner_is_told_from_which_quantity_on(ask, bench, factory_json, setup, note):
    free = {"per_cylinder_cents": {"GMK": 0}, "per_key_cents": 0, "freight": [], "quantity_breaks": []}
    low = factory_json | free | {"min_cylinders": 0, "min_order_cents": 0, "setup_cents": {"GMK": setup}}
    assert decide(ask(5), bench, FactoryTerms.from_json(low)).owner_notes[1:] == (note,)
