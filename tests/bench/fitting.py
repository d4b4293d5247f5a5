"""Prints how fast part numbers are read, found and learned, as ratios to the plainest way to do the same.

Run: python tests/bench/fitting.py
"""

import re
import sys
from dataclasses import replace
from pathlib import Path
from time import perf_counter

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app.commands.parts import DEMO_MAKERS
from app.fitting import (
    ListedNumber,
    PartNumberError,
    combinations,
    decode_any,
    find,
    find_maker,
    learn_pattern,
    load_makers,
)
from tests.fitting.price_lists_drawn import draw_maker

ROWS = 50_000
LISTED = 5_000
BY_HAND = re.compile(
    r"A(?P<length>[0-9]{2})?(?P<type>[MRD])-(?P<keyway>Q[1-6])-(?P<chambers>[56]6)(?P<cam>[LHF])?"
    r"\.(?P<finish>BB|SB|OB|SN|BC|SC)(?:\+(?P<keying>[ZC]))?"
)


def best(function, turns=3):
    """The least seconds of some turns, and the last answer."""
    seconds = []
    for _ in range(turns):
        start = perf_counter()
        answer = function()
        seconds.append(perf_counter() - start)
    return min(seconds), answer


def main():
    maker = find_maker(load_makers(DEMO_MAKERS), "ARD")
    pattern = maker.patterns[0]
    legal = list(combinations(pattern))
    numbers = [number for number, _ in legal]

    plain, _ = best(lambda: [BY_HAND.fullmatch(number).groupdict() for number in numbers])
    ours, read = best(lambda: [decode_any((pattern,), number) for number in numbers])
    assert [readings[0].attributes for readings in read] == [attributes for _, attributes in legal]
    print(f"decode {len(numbers)} numbers: {ours / plain:.0f} times a hand-written expression for this one maker")

    typed = [number.replace("-", " ").lower() for number in numbers]
    loose, _ = best(lambda: [decode_any((pattern,), number) for number in typed])
    print(f"  typed without its separators: {loose / ours:.2f} times the same numbers as the maker writes them")

    wrong = [f"{number[:-1]}#" for number in numbers[::40]]
    start = perf_counter()
    for number in wrong:
        try:
            decode_any((pattern,), number)
        except PartNumberError as error:
            assert error.nearest
    each = (perf_counter() - start) / len(wrong)
    print(f"  the nearest legal number to a mistyped one: {each / (ours / len(numbers)):.0f} readings")

    base = maker.items[0]
    items = [
        replace(base, part_number=f"{number}#{turn}", attributes=attributes)
        for turn in range(ROWS // len(legal) + 1)
        for number, attributes in legal
    ][:ROWS]
    plain, _ = best(lambda: [item for item in items if "rim" in item.description.lower()])
    ours, found = best(lambda: find(items, "1-1/4 rim satin chrome, six pin"))
    assert found[0].distance == 0
    print(f"find among {ROWS} items: {ours / plain:.0f} times a plain look through their descriptions")

    drawn = max((draw_maker(seed, "unlike") for seed in range(20)), key=lambda each: len(each.pieces))
    listed = [ListedNumber(each.number, each.words) for each in drawn.price_list(LISTED)]
    plain, _ = best(lambda: [(row.number.upper().split("-"), row.words.split(", ")) for row in listed])
    ours, lesson = best(lambda: learn_pattern(listed))
    assert len(listed) == LISTED
    assert not lesson.unread
    print(f"learn a pattern from {LISTED} numbers: {ours / plain:.0f} times splitting them alone ({ours:.2f} s here)")


if __name__ == "__main__":
    main()
