"""What is learned from a price list: held against drawn makers whose every piece is known."""

from collections import Counter

import pytest

from app.fitting import LearnedPattern, ListedNumber, learn_pattern
from tests.fitting.price_lists_drawn import DrawnMaker, DrawnNumber, draw_maker

SORTS = ("run together", "unlike", "optional")


def rows_of(listed: list[DrawnNumber]) -> list[ListedNumber]:
    return [ListedNumber(each.number, each.words) for each in listed]


def is_as_meant(pattern: LearnedPattern, maker: DrawnMaker, drawn: DrawnNumber) -> bool:
    """Whether a number falls into the maker's pieces, each with its own words; fixed characters stand anywhere."""
    reading = pattern.read(drawn.number)
    if reading is None:
        return False
    read = [
        (reading[segment.name], segment.codes[reading[segment.name]])
        for segment in pattern.segments
        if segment.name in reading
    ]
    meant = maker.meant(drawn)
    return len(read) == len(meant) and all(
        core in code and words == said for (code, words), (core, said) in zip(read, meant, strict=True)
    )


@pytest.mark.parametrize("sort", SORTS)
def test_drawn_price_lists_are_learned(sort: str) -> None:
    given = unread = unseen = as_meant = foreign = 0
    by_pieces: Counter[int] = Counter()
    for seed in range(67):  # 201 makers in all
        maker = draw_maker(seed, sort)
        listed = maker.price_list()
        lesson = learn_pattern(rows_of(listed))
        further = maker.unseen(listed)
        given, unread, unseen = given + len(listed), unread + len(lesson.unread), unseen + len(further)
        right = sum(is_as_meant(lesson.pattern, maker, drawn) for drawn in further)
        as_meant += right
        by_pieces[len(maker.pieces)] += len(further) - right
        foreign += sum(lesson.pattern.read(number) is not None for number in maker.foreign())
    print(f"{sort}: {unread} of {given} given unread; {as_meant} of {unseen} unseen as meant; {foreign} foreign read")
    print(f"  not as meant by number of pieces: {dict(sorted(by_pieces.items()))}")
    assert given > 3000
    assert unseen > 900
    assert (unread, foreign) == (0, 0)
    assert as_meant >= 0.95 * unseen
