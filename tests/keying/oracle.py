"""Plain enumeration of every bitting of a small spec: the engine's answers are held against it."""

from itertools import product

import numpy as np
from hypothesis import strategies as st

from app.keying import BittingSpec


def every_bitting(spec):
    """All bittings of the spec, the last chamber fastest."""
    return product(range(spec.first_depth, spec.first_depth + spec.depths), repeat=spec.chambers)


def obeys_macs(spec, bitting):
    return all(abs(bitting[i] - bitting[i + 1]) <= spec.macs for i in range(len(bitting) - 1))


def operates(bitting, lock_keys):
    """Whether a key turns a lock pinned to `lock_keys`: each cut is one that some of them has there."""
    return all(any(key[i] == cut for key in lock_keys) for i, cut in enumerate(bitting))


def crowded(spec, size, rng):
    """Who opens what, with an answer: keys drawn, and each door open to those with some depths in three chambers."""
    depths = [depth for depth in spec.all_depths if depth % spec.step == 0]
    cuts = np.array([[rng.choice(depths) for _ in range(spec.chambers)] for _ in range(size)])
    opens, doors = {f"h{n}": set() for n in range(size)}, [f"d{n}" for n in range(size)]
    for door in doors:
        inside = np.ones(size, dtype=bool)
        for chamber in rng.sample(range(spec.chambers), 3):
            inside &= np.isin(cuts[:, chamber], rng.sample(depths, 3))
        for chamber in range(spec.chambers):  # what else their cuts let in
            inside &= np.isin(cuts[:, chamber], cuts[inside, chamber])
        for key in np.flatnonzero(inside).tolist():
            opens[f"h{key}"].add(door)
    return opens, [door for door in doors if any(door in opened for opened in opens.values())]


@st.composite
def small_specs(draw, most_chambers=4, most_depths=6):
    depths = draw(st.integers(2, most_depths))
    return BittingSpec(
        chambers=draw(st.integers(3, most_chambers)),
        depths=depths,
        first_depth=draw(st.integers(0, 2)),
        macs=draw(st.integers(0, depths)),
        step=draw(st.integers(1, 2)),
    )


def bittings_of(spec):
    return st.tuples(*[st.integers(spec.first_depth, spec.last_depth)] * spec.chambers)
