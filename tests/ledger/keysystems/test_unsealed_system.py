"""New keys against those in service, by depth: the same answer as trying each key in each cylinder."""

import random

from app.keying import KeyStop, entering
from app.ledger.keysystems.unsealed_system import SystemsInService


def operates(cuts: tuple[int, ...], stack: list[set[int]]) -> bool:
    """Whether a key turns a cylinder in which these depths shear; its first cuts count where it is longer."""
    return len(cuts) >= len(stack) and all(cut in depths for cut, depths in zip(cuts, stack, strict=False))


def test_clashes_are_those_of_trying_each_in_each() -> None:
    chance = random.Random(12)

    def draw(chambers: int) -> tuple[int, ...]:
        return tuple(chance.randrange(3) for _ in range(chambers))

    answers = set()
    for _ in range(400):
        keys = frozenset(draw(4) for _ in range(chance.randrange(12)))
        stacks = tuple(
            [set(depths) for depths in zip(draw(chambers), draw(chambers), strict=True)]
            for chambers in (chance.choice((3, 4, 5)) for _ in range(chance.randrange(6)))
        )
        there = SystemsInService({}, keys, stacks, 0, KeyStop.SHOULDER)
        above = [draw(4), *list(keys)[: chance.randrange(2)]]
        new = draw(4)
        stack = [set(depths) for depths in zip(new, *above, strict=True)]
        turns_any = any(operates(entering(new, len(one), 0, KeyStop.SHOULDER), one) for one in stacks)
        turns = any(operates(other, stack) for other in keys.difference(above))
        assert (there.turns_any(new), there.turns(new, above)) == (turns_any, turns)
        assert there.clashes(new, above) == (turns_any or turns)
        answers.add((turns_any, turns))
    assert len(answers) == 4
