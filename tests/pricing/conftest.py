"""The demo's terms and a plain ask, each altered by a test only in what the test is about."""

from datetime import date

import pytest

from app.pricing import BenchTerms, CylinderType, FactoryTerms, KeyingKind, KeyingRequest
from tests.pricing.demo_terms import terms_json


@pytest.fixture
def bench_json():
    """Without a reserve, so that all of the bench's day is there for the work in hand."""
    return terms_json("bench") | {"reserve_minutes_per_day": 0}


@pytest.fixture
def factory_json():
    return terms_json("factory_ard")


@pytest.fixture
def bench(bench_json):
    return BenchTerms.from_json(bench_json)


@pytest.fixture
def factory(factory_json):
    return FactoryTerms.from_json(factory_json)


@pytest.fixture
def ask():
    """A Monday's ask for some mortise cylinders, two keys each, goods at $42.50."""

    def make(count=1, kind=KeyingKind.GMK, one=CylinderType.MORTISE, **changes):
        given = {"goods_cents": 4250 * count, "keys": 2 * count, "today": date(2026, 3, 2)} | changes
        return KeyingRequest(kind, {one: count}, **given)

    return make
