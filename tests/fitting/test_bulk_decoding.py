"""Many numbers at once read as one by one."""

import itertools
from pathlib import Path

import pytest

from app.fitting import BulkDecoder, PartNumberError, combinations, decode_any, load_makers
from app.fitting.patterns import pattern_from_json

MAKERS = load_makers(Path(__file__).resolve().parents[2] / "demo_data" / "makers")


@pytest.mark.parametrize("maker", MAKERS, ids=lambda maker: maker.code)
def test_every_legal_number_reads_the_same(maker) -> None:
    decoder = BulkDecoder(maker.patterns)
    for pattern in maker.patterns:
        for number, attributes in itertools.islice(combinations(pattern), 0, None, 7):
            assert decoder.read(number)[1] == decode_any(maker.patterns, number)[0].attributes == attributes


@pytest.mark.parametrize("typed", ["a18m q1 66 sc", "A18MQ166SC", " A18M-Q1-66.SC", "A18M–Q1–66.SC"])
def test_what_the_maker_would_not_write_is_read_with_care(typed: str) -> None:
    ardent = MAKERS[0]
    assert BulkDecoder(ardent.patterns).read(typed)[1] == decode_any(ardent.patterns, typed)[0].attributes


def test_a_number_that_reads_in_two_ways_reads_as_its_best() -> None:
    codes = [
        {"code": "A", "sets": {"keyway": "K1"}, "words": "K1"},
        {"code": "AB", "sets": {"keyway": "K2"}, "words": "K2"},
    ]
    tail = [{"code": "B", "sets": {"keying": "beta"}, "words": "beta"}]
    pattern = pattern_from_json(
        {
            "name": "two ways",
            "segments": [
                {"name": "type", "kind": "text", "text": "R", "sets": {"type": "rim"}},
                {"name": "keyway", "kind": "codes", "codes": codes},
                {"name": "keying", "kind": "codes", "codes": tail, "missing": [{"sets": {}, "words": "none"}]},
            ],
        }
    )
    first, second = decode_any((pattern,), "RAB")
    assert BulkDecoder((pattern,)).read("RAB")[1] == first.attributes != second.attributes


def test_a_bad_number_is_explained_or_only_named() -> None:
    decoder = BulkDecoder(MAKERS[0].patterns)
    with pytest.raises(PartNumberError, match="The nearest legal number is A18M"):
        decoder.read("A18M-Q1-66.SD")
    with pytest.raises(PartNumberError, match="fits no part-number pattern"):
        decoder.read("A18M-Q1-66.SD", explain=False)
