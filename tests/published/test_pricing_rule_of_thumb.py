"""Shop or factory by the trade's rule of thumb (common practice, no source): nobody sends one grand-master-keyed
cylinder to the factory; 150 cylinders keyed to a schedule go there."""

import json
from datetime import date
from pathlib import Path

import pytest

from app.pricing import BenchTerms, CylinderType, FactoryTerms, KeyingKind, KeyingRequest, Place, decide

TERMS = Path(__file__).resolve().parents[2] / "demo_data" / "terms"
BENCH = BenchTerms.from_json(json.loads((TERMS / "bench.json").read_text()))
MAKERS = [FactoryTerms.from_json(json.loads(path.read_text())) for path in sorted(TERMS.glob("factory_*.json"))]


@pytest.mark.parametrize("maker", MAKERS, ids=lambda maker: maker.maker)
@pytest.mark.parametrize("kind", [KeyingKind.MK, KeyingKind.GMK, KeyingKind.GGMK])
@pytest.mark.parametrize(("count", "choice"), [(1, Place.SHOP), (150, Place.FACTORY)])
def test_one_stays_and_a_hundred_and_fifty_go(maker, kind, count, choice):
    goods = 4250 * count
    asked = KeyingRequest(kind, {CylinderType.MORTISE: count}, 2 * count, date(2026, 3, 2), goods_cents=goods)
    assert decide(asked, BENCH, maker).choice is choice
