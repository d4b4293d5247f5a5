"""What to order, when: values of textbooks, weeks or periods told as working days, which are as evenly spaced."""

from datetime import date

import pytest

from app.pricing import LotRules, add_working_days, plan_lots, reorder_point

BASE = date(2026, 3, 2)


def day(period):
    return add_working_days(BASE, period)


def releases(wanted, rules, free=0, coming=()):
    """Period of ordering → quantity."""
    lots = plan_lots([(day(at), many) for at, many in wanted], rules, free, [(day(at), many) for at, many in coming])
    periods = {day(period): period for period in range(1, 10)}
    return {periods[lot.order_by]: lot.quantity for lot in lots}


def test_a_product_of_four_parts():
    """P: operations textbook problem with its answer, edu.com question 829356: A = 1 B + 2 C + 1 D; C = 2 D + 3 E."""
    made = releases([(2, 30), (5, 30), (8, 40)], LotRules(lead_days=1), free=20)
    assert made == {1: 10, 4: 30, 7: 40}
    assert releases(made.items(), LotRules(lead_days=1), coming=[(1, 10)]) == {3: 30, 6: 40}
    twice = [(period, 2 * many) for period, many in made.items()]
    bought = releases(twice, LotRules(least=50, lead_days=1), free=10, coming=[(1, 50)])
    assert bought == {3: 50, 6: 50}
    both = [*made.items(), *((period, 2 * many) for period, many in bought.items())]
    assert releases(both, LotRules(pack=100, lead_days=2), free=20) == {1: 100, 2: 100, 4: 100}
    thrice = [(period, 3 * many) for period, many in bought.items()]
    assert releases(thrice, LotRules(pack=50, lead_days=2), free=10) == {1: 150, 4: 150}


def test_one_bought_part_in_lots_of_230():
    """D from printed inputs: lecture slides after Krajewski, scribd.com/presentation/353225171."""
    weeks = enumerate((150, 0, 0, 120, 0, 150, 120, 0), start=1)
    wanted = [(week, many) for week, many in weeks if many]
    assert releases(wanted, LotRules(pack=230, lead_days=2), free=37, coming=[(1, 230)]) == {2: 230, 5: 230}


def test_lots_of_70_come_when_the_projection_would_fall_below_zero():
    """AV5, P: essay after Stevenson, studymode.com 49373664: 64 on hand; each week the larger of forecast (30 x 4,
    40 x 4) and orders (33, 20, 10, 4, 2): receipts in weeks 3, 5, 7 and 8.
    """
    asked = [max(pair) for pair in zip([30] * 4 + [40] * 4, [33, 20, 10, 4, 2, 0, 0, 0], strict=True)]
    lots = plan_lots([(day(week), many) for week, many in enumerate(asked, start=1)], LotRules(pack=70), 64)
    assert [(lot.needed_on, lot.quantity) for lot in lots] == [(day(week), 70) for week in (3, 5, 7, 8)]


@pytest.mark.parametrize(("used", "lead_time", "point"), [(60, 6, 360), (30, 25, 750), (40, 25, 1000)])
def test_the_use_while_an_order_is_on_its_way(used, lead_time, point):
    """RO3, P: Heizer and Render p. 543: 60 a week for 6 weeks are 360, to which 153.6 of safety come there. RO4, P:
    mymathtables.com: 30 a day for 25 days, with 250 of safety 1,000: the same as by the most a day, 40. Safety by
    chance (RO2 too) is not reckoned here: the owner adds it to the point.
    """
    assert reorder_point(used, 1, lead_time) == point


@pytest.mark.parametrize(("safety_days", "point"), [(0, 96), (1, 128)])
def test_the_reorder_point_of_steady_use(safety_days, point):
    """P: Heizer and Render, Operations Management, ch. 12 example 7, holooly.com: 8,000 a year, 250 days, lead 3."""
    assert reorder_point(8000, 250, 3, safety_days) == point
