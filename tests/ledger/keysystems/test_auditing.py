"""A customer's systems live through whatever comes: started, added to, extended, cross-keyed; after every step each
key is tried in each cylinder by plain comparison, and nothing that was issued has changed."""

import random
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest
import sqlalchemy as sa

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.keying import KeyingError, NoBittingsLeft
from app.ledger.keys.losing import find_new_bittings, ready_loss
from app.ledger.keysystems.auditing import audit_systems, prove_no_interchange
from app.ledger.keysystems.bittings import open_bittings, seal_bitting, spec_of
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Cylinder, Keyset, KeySystem, Level, Role
from tests import factories

Spec = dict[str, object]
# Small on purpose: what is rare in a large array comes about here within a few steps.
SPECS: tuple[Spec, ...] = (
    {"chambers": 6, "depths": 10, "macs": 7, "step": 2},
    {"chambers": 5, "depths": 6, "first_depth": 1, "macs": 4, "step": 1},
    {"chambers": 5, "depths": 7, "first_depth": 1, "macs": 3, "step": 1},
    {"chambers": 6, "depths": 6, "macs": 5, "step": 1, "stack_total": 14, "control_offset": 6},
    {"chambers": 6, "depths": 7, "macs": 5, "step": 1, "stop": "tip"},
    {"chambers": 6, "depths": 6, "macs": 5, "step": 1, "stack_total": 14, "control_offset": 6, "stop": "tip"},
)
KEYWAY = "ZQ9"


class Life:
    """One customer on one keyway, and everything that the house does for them."""

    def __init__(self, work: Work, seed: int) -> None:
        self.spec = SPECS[seed % len(SPECS)]
        self.rng = random.Random(seed)
        self.work = Work(work.session, work.vault, work.actor, work.now, random.Random(seed))
        factories.KeywayFactory(code=KEYWAY, spec__spec={"first_depth": 0, **self.spec})
        self.customer: Customer = factories.CustomerFactory()
        self.issued: dict[int, Cuts] = {}
        work.session.commit()

    @property
    def systems(self) -> list[KeySystem]:
        self.work.session.expire_all()
        rows = sa.select(KeySystem).where(KeySystem.customer_id == self.customer.id).order_by(KeySystem.id)
        return list(self.work.session.scalars(rows))

    def start(self) -> None:
        chambers = int(str(self.spec["chambers"])) - self.rng.choice([0, 0, 1])
        levels = self.rng.choice([1, 2, 3, 3, 4])
        name = f"System {len(self.systems)}"
        with transaction(self.work.session):
            form = SystemForm(self.customer.id, name, levels, KEYWAY, chambers, masters=2, grands=2, changes=3)
            insert_system(self.work, form if levels == 4 else SystemForm(*_first(form), masters=2, changes=3))

    def add(self) -> None:
        system = self.rng.choice(self.systems)
        masters = [keyset.symbol for keyset in system.keysets if keyset.level is Level.MASTER]
        under = self.rng.choice([Level.MASTER, Level.MASTER, Level.SINGLE])
        shorter = system.chambers - 1 if system.chambers > 4 and self.rng.random() < 0.4 else None
        with transaction(self.work.session):
            master = self.rng.choice(masters) if masters else ""
            count = self.rng.randint(1, 3)
            for keyset in add_keysets(self.work, system, count, master, under=under, chambers=shorter):
                self.hang(keyset, shorter)

    def extend(self) -> None:
        system = self.rng.choice(self.systems)
        above = [k.symbol for k in system.keysets if k.level in (Level.MASTER, Level.GRAND, Level.GREAT_GRAND)]
        grands = [k.symbol for k in system.keysets if k.level is Level.GRAND]
        form = ExtendForm(self.rng.choice(above) if above else "", 1, self.rng.choice(grands) if grands else "")
        if grands:
            form = ExtendForm(form.master, 1, form.grand, self.rng.randint(0, 1), 2)
        added = extend_system(self.work, system.id, form)
        rows = sa.select(Keyset).where(Keyset.system_id == system.id, Keyset.symbol.in_(added.symbols))
        for keyset in self.work.session.scalars(rows):
            self.hang(keyset)
        self.work.session.commit()

    def cross(self) -> None:
        rows = sa.select(Cylinder.id).order_by(Cylinder.id)
        cylinder = self.work.session.get_one(Cylinder, self.rng.choice(list(self.work.session.scalars(rows))))
        system = self.work.session.get_one(Keyset, cylinder.keyset_id).system
        keysets = [keyset.symbol for keyset in system.keysets if keyset.level is not Level.CONTROL]
        cross_key(self.work, cylinder.id, [self.rng.choice(keysets)])

    def hang(self, keyset: Keyset, chambers: int | None = None) -> None:
        is_nmk = keyset.level is Level.CHANGE and self.rng.random() < 0.15
        row = Cylinder(keyset_id=keyset.id, keyway=KEYWAY, type="mortise", words="x")
        row.chambers = chambers or keyset.system.chambers
        row.is_nmk = is_nmk
        self.work.session.add(row)

    def counted(self, cuts: Cuts) -> Cuts:
        """A key's cuts, cut 1 first: from the end where it stops. Uncut blade beyond them stands for the shallowest
        depth.
        """
        from_stop = cuts[::-1] if self.spec.get("stop") == "tip" else cuts
        return from_stop + (int(str(self.spec.get("first_depth", 0))),) * 6

    def wrong(self) -> Iterator[str]:
        """Everything that stands wrong now, by plain comparison of each key with each cylinder."""
        systems = self.systems
        opened = open_bittings(self.work.session, self.work.vault, systems)
        for number, cuts in self.issued.items():
            if opened[number] != cuts:
                yield f"keyset {number} was issued and has changed"
        self.issued = opened
        keysets = {keyset.id: keyset for system in systems for keyset in system.keysets}
        for keyset in keysets.values():
            steps = [abs(a - b) for a, b in pairwise(opened[keyset.id])]
            if max(steps) > int(str(self.spec["macs"])):
                yield f"{keyset.symbol} breaks the MACS"
        for cylinder in self.work.session.scalars(sa.select(Cylinder).where(Cylinder.keyset_id.in_(keysets))):
            own = keysets[cylinder.keyset_id or 0]
            meant = [own]
            while not cylinder.is_nmk and meant[-1].parent_id is not None:
                meant.append(keysets[meant[-1].parent_id])
            meant += [keysets[one.keyset_id] for one in cylinder.operators]
            pinned = [self.counted(opened[keyset.id]) for keyset in meant]
            for keyset in keysets.values():
                cuts = self.counted(opened[keyset.id])
                turns = all(any(cuts[c] == key[c] for key in pinned) for c in range(cylinder.chambers or 0))
                if turns is not (keyset in meant):
                    yield f"{keyset.symbol} of {keyset.system.name} in {own.symbol} of {own.system.name}"


def _first(form: SystemForm) -> tuple[int, str, int, str, int]:
    return form.customer_id, form.name, form.levels, form.keyway, form.chambers


@pytest.mark.parametrize("seed", range(8))
def test_no_key_ever_turns_what_it_must_not(work_as: Callable[[Role], Work], seed: int) -> None:
    work = work_as(Role.OWNER)
    life = Life(work, seed)
    life.start()
    deeds: list[Callable[[], None]] = [life.add, life.add, life.extend, life.cross]
    done = 0
    for step in range(18):
        deed = life.start if step in (3, 8) else life.rng.choice(deeds[: 3 if step < 2 else 4])
        try:
            if deed == life.cross and not life.work.session.scalar(sa.select(Cylinder.id).limit(1)):
                continue
            deed()
        except BitternError:  # refused: then nothing at all has changed, which `wrong` proves
            life.work.session.rollback()
        else:
            done += 1
        assert list(life.wrong()) == [], (seed, step)
    assert done >= 8
    assert all(spec_of(system).within_macs(life.issued[k.id]) for system in life.systems for k in system.keysets)
    assert audit_systems(life.work, [get_system(work.session, life.systems[0].id)]).is_clean


def test_a_plan_that_clashes_with_another_system_is_refused(work_as: Callable[[Role], Work]) -> None:
    life = Life(work_as(Role.OWNER), 0)
    with transaction(life.work.session):
        first = insert_system(life.work, SystemForm(life.customer.id, "First", 2, KEYWAY, 6, changes=3))
        [change] = add_keysets(life.work, first, 1)
        life.hang(change)
    top = open_bittings(life.work.session, life.work.vault, life.systems)[change.id]
    with pytest.raises(LedgerError, match="would clash with another system"), transaction(life.work.session):
        insert_system(life.work, SystemForm(life.customer.id, "Second", 2, KEYWAY, 6, changes=3, tmk=top))
    life.work.session.rollback()
    assert [system.name for system in life.systems] == ["First"]


def test_a_key_of_fewer_cuts_is_tried_with_its_blade_uncut(work_as: Callable[[Role], Work]) -> None:
    """Five cuts on a blank for six: beyond them the blade stands near the shallowest depth and may lift that pin."""
    life = Life(work_as(Role.OWNER), 0)
    with transaction(life.work.session):
        five = insert_system(life.work, SystemForm(life.customer.id, "Five", 1, KEYWAY, 5))
        six = insert_system(life.work, SystemForm(life.customer.id, "Six", 1, KEYWAY, 6))
        keysets = [Keyset(system=one, symbol="SKD1", level=Level.SINGLE) for one in (five, six)]
        life.work.session.add_all(keysets)
        life.work.session.flush()
        seal_bitting(life.work, five, keysets[0], (5, 2, 8, 6, 1))
        seal_bitting(life.work, six, keysets[1], (5, 2, 8, 6, 1, 0))
        for keyset in keysets:
            life.hang(keyset)
    found = audit_systems(life.work, [get_system(life.work.session, six.id)]).findings
    assert {one.sentence for one in found} == {
        "Key SKD1 of Five would also operate SKD1 of Six, which it must not.",
        "Key SKD1 of Six would also operate SKD1 of Five, which it must not.",
    }


def test_as_many_changes_can_be_had_as_a_refusal_says(work_as: Callable[[Role], Work]) -> None:
    """Free bittings that would turn a cross-keyed cylinder are none that are left."""
    life = Life(work_as(Role.OWNER), 2)
    with transaction(life.work.session):
        system = insert_system(life.work, SystemForm(life.customer.id, "Halls", 3, KEYWAY, 4, masters=2, changes=3))
        for keyset in add_keysets(life.work, system, 2, "AA"):
            life.hang(keyset)
    cross_key(
        life.work, life.work.session.scalars(sa.select(Cylinder.id).order_by(Cylinder.id)).first() or 0, ["AA2"]
    )
    system = get_system(life.work.session, system.id)
    with pytest.raises(NoBittingsLeft) as refused, transaction(life.work.session):
        add_keysets(life.work, system, 10_000, "AA")
    left = refused.value.left
    assert f"but only {left:,} are left" in refused.value.message
    with transaction(life.work.session):
        assert len(add_keysets(life.work, system, left, "AA")) == left


BLANKS = {
    "One": [
        {"number": "K12", "keyways": ["Q1", "Q2"], "chambers": 6, "cross_references": []},
        {"number": "K3", "keyways": ["Q3"], "chambers": 6, "cross_references": [{"maker": "Two", "number": "T9"}]},
        {"number": "KALL", "keyways": ["Q1", "Q2", "Q3"], "chambers": 6, "cross_references": []},
    ],
    "Two": [
        {"number": "T1", "keyways": ["R1"], "chambers": 6, "cross_references": []},
        {"number": "T9", "keyways": ["R1"], "chambers": 6, "cross_references": [{"maker": "One", "number": "K3"}]},
    ],
}
ENTERS = {"Q1": {"Q1", "Q2"}, "Q2": {"Q1", "Q2"}, "Q3": {"Q3", "R1"}, "R1": {"R1"}}
"""What keys on each keyway enter by these tables, read by eye."""
ROOTS = {"One": ("0.330", "0.015"), "Two": ("0.322", "0.030")}


def family_house(work: Work, depths: int = 4) -> None:
    """Two makers on record, with keyways and blanks that are cut by specs of their own."""
    for name, blanks in BLANKS.items():
        depth0, increment = ROOTS[name]
        spec = factories.SpecFactory(
            name=f"{name} three",
            spec={"chambers": 3, "depths": depths, "macs": 9, "depth0_in": depth0, "increment_in": increment},
        )
        names = sorted(keyway for keyway in ENTERS if (keyway[0] == "R") == (name == "Two"))
        keyways = [{"name": one, "family": one[0], "bitting_spec": spec.name} for one in names]
        tables = {"name": name, "code": name, "keyways": keyways, "key_blanks": blanks}
        maker = factories.MakerFactory(name=name, tables=tables | {"bitting_specs": {spec.name: spec.spec}})
        for one in names:
            factories.KeywayFactory(maker=maker, spec=spec, code=one)


def stands_at(cut: int, own: str, other: str, depths: int = 4) -> set[int]:
    """The depths of another maker's chart at which a cut stands, in thousandths of an inch by hand."""
    (top, step), (there, wide) = (tuple(round(float(one) * 1000) for one in ROOTS[maker]) for maker in (own, other))
    off = {depth: abs(top - cut * step - there + depth * wide) for depth in range(depths)}
    nearest = min(off, key=lambda depth: (off[depth], depth))
    return {nearest} if 2 * off[nearest] <= wide else set()


@pytest.mark.parametrize("seed", range(8))
def test_systems_on_keyways_that_enter_each_other_are_audited_as_by_trying_all_pairs(
    work_as: Callable[[Role], Work], seed: int
) -> None:
    """Drawn single keys on four keyways of two makers: findings are those of a plain loop over keys and cylinders."""
    work, rng = work_as(Role.OWNER), random.Random(seed)
    family_house(work)
    customer = factories.CustomerFactory()
    work.session.commit()
    held: list[tuple[str, str, Cuts]] = []
    systems = []
    with transaction(work.session):
        for keyway in ENTERS:
            system = insert_system(work, SystemForm(customer.id, f"on {keyway}", 1, keyway, 3))
            systems.append(system)
            cuts = {tuple(rng.randrange(3) for _ in range(3)) for _ in range(5)}
            for number, one in enumerate(sorted(cuts), 1):
                keyset = Keyset(system=system, symbol=f"SKD{number}", level=Level.SINGLE)
                work.session.add(keyset)
                work.session.flush()
                seal_bitting(work, system, keyset, one)
                factories.CylinderFactory(keyset=keyset, keyway=keyway, chambers=3)
                held.append((keyway, f"SKD{number} of on {keyway}", one))
    expected = set()
    for own, key, cuts in held:
        for plug, cylinder, pinned in held:
            makers = ["Two" if one == "R1" else "One" for one in (own, plug)]
            turns = all(pin in stands_at(cut, *makers) for cut, pin in zip(cuts, pinned, strict=True))
            if key != cylinder and plug in ENTERS[own] and turns:
                expected.add(f"Key {key} would also operate {cylinder}, which it must not.")
    every = audit_systems(work, [get_system(work.session, one.id) for one in systems])
    assert {one.sentence for one in every.findings} == expected
    # Of one system, what goes in or out of it is told too; what never meets it is not.
    alone = audit_systems(work, [get_system(work.session, systems[3].id)])
    assert {one.sentence for one in alone.findings} == {
        one for one in expected if "Q1" not in one and "Q2" not in one
    }


def test_what_is_drawn_later_knows_the_keys_of_another_keyway_that_enter(work_as: Callable[[Role], Work]) -> None:
    """On Q2 nothing is left that Q1's keys would turn; on Q3, which they do not enter, all of it may be had again."""
    work = work_as(Role.OWNER)
    family_house(work)
    customer = factories.CustomerFactory()
    work.session.commit()

    def single_keys(keyway: str, count: int) -> set[Cuts]:
        with transaction(work.session):
            system = insert_system(work, SystemForm(customer.id, f"on {keyway}", 1, keyway, 3))
            ids = [one.id for one in add_keysets(work, system, count)]
            for one in system.keysets:
                factories.CylinderFactory(keyset=one, keyway=keyway, chambers=3)
        opened = open_bittings(work.session, work.vault, [system])
        assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
        return {opened[one] for one in ids}

    first = single_keys("Q1", 40)
    with pytest.raises(NoBittingsLeft) as refused:
        single_keys("Q2", 40)
    work.session.rollback()
    second = single_keys("Q2", refused.value.left)
    assert refused.value.left == 64 - 40 and not first & second
    assert len(single_keys("Q3", 64)) == 64


@pytest.mark.parametrize("stop", ["shoulder", "tip"])
def test_keys_for_shorter_cylinders_differ_in_what_these_see(work_as: Callable[[Role], Work], stop: str) -> None:
    """Four cuts in three chambers: of 5^4 changes at most 5^3 are told apart there."""
    work = work_as(Role.OWNER)
    narrow = {"chambers": 4, "depths": 6, "first_depth": 0, "macs": 5, "step": 1, "stop": stop}
    factories.KeywayFactory(code=KEYWAY, spec__spec=narrow)
    customer = factories.CustomerFactory()
    work.session.commit()
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer.id, "Four in three", 2, KEYWAY, 4, changes=60))
        keysets = add_keysets(work, system, 70, chambers=3)
        for keyset in keysets:
            work.session.add(Cylinder(keyset_id=keyset.id, keyway=KEYWAY, chambers=3, type="rim", words="x"))
    opened = open_bittings(work.session, work.vault, [system])
    seen = [opened[one.id][1:] if stop == "tip" else opened[one.id][:3] for one in keysets]
    assert len(set(seen)) == 70
    assert audit_systems(work, [system]).is_clean
    with pytest.raises(NoBittingsLeft) as short, transaction(work.session):
        add_keysets(work, system, 100, chambers=3)
    assert short.value.left <= 125 - 70
    # A key alike in what they see turns such a cylinder: the audit finds it, and nothing of it is saved.
    with pytest.raises(KeyingError, match="would also operate") as found, transaction(work.session):
        twin = Keyset(system=system, symbol="99AA", level=Level.CHANGE, parent=keysets[0].parent)
        work.session.add(twin)
        work.session.flush()
        cuts = opened[keysets[0].id]
        alike = [(one, *cuts[1:]) if stop == "tip" else (*cuts[:3], one) for one in range(6)]
        seal_bitting(work, system, twin, next(one for one in alike if one not in opened.values()))
        prove_no_interchange(work, [system])
    assert "99AA" in found.value.message and "in 3 chambers" in found.value.message


@pytest.mark.parametrize("stop", ["shoulder", "tip"])
def test_a_lost_key_is_shut_out_of_shorter_cylinders_by_what_these_see(
    work_as: Callable[[Role], Work], stop: str
) -> None:
    work = work_as(Role.OWNER)
    narrow = {"chambers": 4, "depths": 6, "first_depth": 0, "macs": 5, "step": 1, "stop": stop}
    factories.KeywayFactory(code=KEYWAY, spec__spec=narrow)
    customer = factories.CustomerFactory()
    work.session.commit()
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer.id, "Four in three", 2, KEYWAY, 4, changes=30))
        keysets = add_keysets(work, system, 12, chambers=3)
        for number, keyset in enumerate(keysets):
            short = 3 if number % 3 else 4
            work.session.add(Cylinder(keyset_id=keyset.id, keyway=KEYWAY, chambers=short, type="rim", words="x"))
    opened = open_bittings(work.session, work.vault, [system])

    def seen(cuts: Cuts, count: int) -> Cuts:
        return cuts[-count:] if stop == "tip" else cuts[:count]

    top = opened[keysets[0].parent_id or 0]
    for keyset in keysets[:6]:
        plan = find_new_bittings(ready_loss(work, system.id, keyset.symbol), random.Random(keyset.id), 5.0)
        assert plan.proven and set(plan.new) == {keyset.symbol}
        now = {one.symbol: plan.new.get(one.symbol, opened[one.id]) for one in keysets}
        for number, (symbol, cuts) in enumerate(now.items()):
            count = 3 if number % 3 else 4
            stack = [*zip(seen(cuts, count), seen(top, count), strict=True)]
            turning = [
                name
                for name, key in {**now, "lost": opened[keyset.id]}.items()
                if all(cut in depths for cut, depths in zip(seen(key, count), stack, strict=True))
            ]
            assert turning == [symbol], (keyset.symbol, symbol)
