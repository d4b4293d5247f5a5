"""A three-level system in service, for the tests of keying's pages: A over AA and AB, three changes under each."""

import random

from app.keying import Bitting as Cuts
from app.keying import write_bitting
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem
from tests import factories


def seeded(work: Work) -> Work:
    """The same work, drawing always the same keys."""
    return Work(work.session, work.vault, work.actor, work.now, random.Random(4))


def system_in_service(work: Work, spec: dict[str, object] | None = None) -> KeySystem:
    """Quay Hall on keyway AQ1: nine keysets, a cylinder on each change, on doors of their own."""
    keyway = factories.KeywayFactory(code="AQ1", **({"spec__spec": spec} if spec else {}))
    customer = factories.CustomerFactory(name="Quay Hall Trust")
    work = seeded(work)
    with transaction(work.session):
        form = SystemForm(customer.id, "Quay Hall", 3, keyway.code, 6, masters=2, changes=12)
        system = insert_system(work, form)
        changes = [*add_keysets(work, system, 3, "AA"), *add_keysets(work, system, 3, "AB")]
    site = factories.SiteFactory(customer=customer)
    for number, keyset in enumerate(changes, start=1):
        door = factories.DoorFactory(site=site, opening_number=f"D{number}")
        factories.CylinderFactory(door=door, keyset=keyset, keyway="AQ1", chambers=6)
    return system


def bittings_in_clear(work: Work, system: KeySystem) -> dict[str, str]:
    """Symbol → bitting text, to look for on pages that must not show one."""
    opened: dict[int, Cuts] = open_bittings(work.session, work.vault, [system])
    work.session.refresh(system)
    by_id = {keyset.id: keyset.symbol for keyset in system.keysets}
    return {by_id[number]: write_bitting(spec_of(system), cuts) for number, cuts in opened.items()}


def put_cut(bitting: str, chamber: int, other: str) -> str:
    """A bitting with the cut that another has in one chamber, counted from 0."""
    return bitting[:chamber] + other[chamber] + bitting[chamber + 1 :]


def first_unlike(one: str, other: str) -> int:
    """The first chamber, counted from 0, in which two bittings differ."""
    return next(n for n, (a, b) in enumerate(zip(one, other, strict=True)) if a != b)
