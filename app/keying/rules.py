"""The rules that a locksmith keeps when he makes bittings: which of those within MACS he would cut.

(common practice, no source; each rule is a switch)
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import Annotated

from app.validation import JsonDataclass, whole


@dataclass(frozen=True, slots=True, kw_only=True)
class BittingRules(JsonDataclass):
    """What a bitting that is handed out has to obey besides the MACS; without a value a rule is off.

    `least_depths`: at least so many different depths. `most_equal_neighbors`: no longer run of equal cuts.
    `least_span`: the deepest cut less the shallowest is at least so much. `no_stairs`: no key goes down, or up, by
    one and the same step from cut to cut. `no_uncut`: a cut is deeper than the first depth and one. `least_apart`:
    in how many chambers a change differs from every master, masters from one another, and a control key from every
    key, where the array allows it: a wish that no single bitting breaks.

    >>> BittingRules(least_depths=3, no_stairs=True).first_broken((1, 3, 5, 7, 9), first_depth=0)
    'no_stairs'
    >>> BittingRules(least_depths=3, no_stairs=True).first_broken((2, 4, 6, 8, 0), first_depth=0) is None
    True
    """

    least_depths: Annotated[int, whole(1, 16)] | None = None
    most_equal_neighbors: Annotated[int, whole(1, 12)] | None = None
    least_span: Annotated[int, whole(0, 15)] | None = None
    no_stairs: bool = False
    no_uncut: bool = False
    least_apart: Annotated[int, whole(1, 12)] | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """The rules that judge a bitting and are on, in the order in which they do."""
        return tuple(name for name in JUDGING_RULES if getattr(self, name) not in (None, False))

    @property
    def words(self) -> dict[str, str]:
        """Each rule that is on, in words, in order.

        >>> BittingRules(least_depths=3, no_stairs=True).words
        {'least_depths': 'at least 3 different depths', 'no_stairs': 'no plain stairs'}
        """
        there = {name: getattr(self, name) for name in _WORDS}
        return {name: _WORDS[name].format(value) for name, value in there.items() if value not in (None, False)}

    def without(self, name: str) -> "BittingRules":
        """The same with one rule off."""
        return replace(self, **{name: getattr(NO_RULES, name)})

    def only(self, names: Sequence[str]) -> "BittingRules":
        """The same with just these rules on."""
        return replace(NO_RULES, **{name: getattr(self, name) for name in names})

    def first_broken(self, bitting: Sequence[int], first_depth: int) -> str | None:
        """Name the first rule, in order, that a bitting breaks; None where it obeys all."""
        if self.least_depths is not None and len(set(bitting)) < self.least_depths:
            return "least_depths"
        if self.most_equal_neighbors is not None and longest_run(bitting) > self.most_equal_neighbors:
            return "most_equal_neighbors"
        if self.least_span is not None and max(bitting) - min(bitting) < self.least_span:
            return "least_span"
        if self.no_stairs and is_stairs(bitting):
            return "no_stairs"
        if self.no_uncut and max(bitting) <= first_depth + 1:
            return "no_uncut"
        return None


NO_RULES = BittingRules()
_WORDS = {
    "least_depths": "at least {} different depths",
    "most_equal_neighbors": "at most {} equal cuts side by side",
    "least_span": "a span of at least {}",
    "no_stairs": "no plain stairs",
    "no_uncut": "no key all but uncut",
    "least_apart": "at least {} chambers apart",
}
JUDGING_RULES = tuple(name for name in _WORDS if name != "least_apart")


def longest_run(bitting: Sequence[int]) -> int:
    """How many equal cuts stand side by side at most."""
    return max(len(list(run)) for _, run in groupby(bitting))


def is_stairs(bitting: Sequence[int]) -> bool:
    """Whether the cuts go down, or up, by one and the same step.

    >>> [is_stairs(cuts) for cuts in [(1, 3, 5, 7), (7, 6, 5, 4), (3, 5, 3, 5), (2, 2, 2, 2)]]
    [True, True, False, False]
    """
    steps = {after - before for before, after in pairwise(bitting)}
    return len(steps) == 1 and 0 not in steps
