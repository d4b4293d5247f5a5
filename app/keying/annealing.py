"""Bittings for a matrix by degrees: every key at first has a share of each depth, and slowly settles on one.

With shares instead of cuts each entry pulls at all keys at once, which finds how the cuts of many keys hang together
where one change at a time does not. At first a cylinder counts as shut to a depth though many of its keys have a
share of that; this is made stricter step by step.
"""

from collections.abc import Iterator, Sequence
from heapq import heappop, heappush
from itertools import islice
from random import Random
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.matrix_problem import MatrixProblem
from app.keying.spec import Bitting
from app.keying.time_limit import TimeLimit

Shares: TypeAlias = NDArray[np.float32]

STEPS = 1000
STRICT_FROM = 0.8  # of the steps
LENIENCE = 0.02
RATE = 0.05
FEWEST, MOST = (
    2_000,
    8_000_000,
)  # pairs of a key and a cylinder, times chambers: fewer gain nothing, more take too long
MOST_TRIED = 500
_NEVER = np.float32(-1e4)


def suits_annealing(problem: MatrixProblem) -> bool:
    """Tell whether the matrix is large enough to gain by it, and small enough to end."""
    return FEWEST <= problem.pinned.size * problem.spec.chambers <= MOST


def anneal(problem: MatrixProblem, rng: Random, limit: TimeLimit) -> list[Bitting]:
    """Give each key a bitting that may be handed out, near to what its shares came to."""
    columns = [
        sorted({*free, *(cuts[chamber] for cuts in problem.fixed.values())})
        for chamber, free in enumerate(problem.free)
    ]
    open_to = np.zeros((len(columns), len(problem.choices), max(map(len, columns))), dtype=np.bool_)
    for key, chambers in enumerate(problem.choices):
        for chamber, depths in enumerate(chambers):
            open_to[chamber, key, [columns[chamber].index(depth) for depth in depths]] = True
    shares = _settle(problem, open_to, rng.randrange(2**32), limit)
    rows = []
    for key in range(len(problem.choices)):
        if limit.is_over:
            rows.append(problem.fixed.get(key, problem.tmk))
            continue
        tried = islice(_likeliest(shares[:, key], columns), MOST_TRIED)
        fitting = problem.fixed.get(key) or next((bitting for bitting in tried if problem.allows(bitting)), None)
        rows.append(fitting or problem.draw(rng))
    return rows


def _settle(problem: MatrixProblem, open_to: NDArray[np.bool_], seed: int, limit: TimeLimit) -> Shares:
    """Give the shares, by chamber, key and depth, after many small steps that leave less and less unwanted."""
    drawn = np.random.default_rng(seed).standard_normal(open_to.shape) / 2
    logits = np.where(open_to, drawn, _NEVER).astype(np.float32)
    pinned, shut = problem.pinned.astype(np.float32), problem.shut.astype(np.float32)
    mean, spread = np.zeros_like(logits), np.zeros_like(logits)
    shares = _softmax(logits)
    for step in range(1, STEPS + 1):
        if limit.is_over:
            break
        strictness = np.float32(min(1.0, LENIENCE ** (1 - step / (STEPS * STRICT_FROM))))
        lacking = 1 - np.minimum(shares, np.float32(0.999))
        closed = np.exp(strictness * np.matmul(pinned.T, np.log(lacking)))  # by chamber, cylinder and depth
        enters = np.maximum(1 - np.matmul(shares, closed.transpose(0, 2, 1)), np.float32(1e-3))
        operates = enters.prod(axis=0) * shut
        # Down the slope of -log(1 - operates), the steps of each share as long as those before were alike.
        slope = -(operates / np.maximum(1 - operates, np.float32(1e-4))) / enters
        down = np.matmul(slope, closed)
        closing = np.matmul(slope.transpose(0, 2, 1), shares) * closed * strictness
        down -= np.matmul(pinned, closing) / lacking
        down = shares * (down - (down * shares).sum(axis=2, keepdims=True))
        mean = 0.9 * mean + 0.1 * down
        spread = 0.99 * spread + 0.01 * down**2
        logits -= RATE * (mean / (1 - 0.9**step)) / (np.sqrt(spread / (1 - 0.99**step)) + 1e-12)
        shares = _softmax(logits)
    return shares


def _softmax(logits: Shares) -> Shares:
    raised = np.exp(logits - logits.max(axis=2, keepdims=True))
    found: Shares = raised / raised.sum(axis=2, keepdims=True)
    return found


def _likeliest(shares: Shares, columns: Sequence[Sequence[int]]) -> Iterator[Bitting]:
    """Give bittings, those with the greatest shares first."""
    orders = [
        sorted((-float(np.log(share + 1e-9)), depth) for share, depth in zip(row, column, strict=False))
        for row, column in zip(shares, columns, strict=True)
    ]
    first = (0,) * len(orders)
    waiting, seen = [(sum(order[0][0] for order in orders), first)], {first}
    while waiting:
        cost, places = heappop(waiting)
        yield tuple(order[place][1] for order, place in zip(orders, places, strict=True))
        for chamber, order in enumerate(orders):
            place = places[chamber] + 1
            after = (*places[:chamber], place, *places[chamber + 1 :])
            if place < len(order) and after not in seen:
                seen.add(after)
                heappush(waiting, (cost + order[place][0] - order[place - 1][0], after))
