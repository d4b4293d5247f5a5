"""Pins that were drawn for jobs and are not among movements yet: under seal, since the pins of few cylinders tell
their bittings.
"""

import json
from collections import Counter
from collections.abc import Mapping

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import PinSize
from app.ledger.catalog.specs import get_spec
from app.ledger.stock.items import pin_item
from app.ledger.stock.movements import move_stock
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import MovementKind, PinDraw
from app.validation import counted

MIXED = 20
"""Cylinders whose pins are booked together: those of fewer would tell their bittings to who reads the movements."""


def draw_context(draw_id: int) -> str:
    """What the pins of a draw are bound to under seal."""
    return f"pins of draw {draw_id}"


def add_draw(work: Work, job_id: int, spec_id: int, cylinders: int, pins: Mapping[PinSize, int]) -> None:
    """Seal what was drawn for a job, inside the caller's transaction; book it with what was drawn before once that is
    for many cylinders together.
    """
    session = work.session
    draw = PinDraw(
        job_id=job_id, spec_id=spec_id, cylinders=cylinders, sealed=b"", at=work.now, by_id=work.actor.user_id
    )
    session.add(draw)
    session.flush()
    words = json.dumps({f"{pin.kind} {pin.size}": count for pin, count in pins.items()})
    draw.sealed = work.vault.seal(words, draw_context(draw.id))
    draws = session.scalars(_draws(spec_id)).all()
    together = sum(one.cylinders for one in draws)
    if together < MIXED:
        return
    spec, drawn = get_spec(session, spec_id), unbooked_pins(session, work.vault, spec_id)
    why = f"drawn for {counted(together, 'cylinder')} of {counted(len({one.job_id for one in draws}), 'job')}"
    for pin, count in sorted(drawn.items()):
        item = pin_item(work, spec, pin.kind, pin.size or 0)
        move_stock(work, item, MovementKind.USED, on_hand=-count, why=why)
    for one in draws:
        one.is_booked = True


def _draws(spec_id: int) -> sa.Select[PinDraw]:
    return sa.select(PinDraw).where(PinDraw.spec_id == spec_id, ~PinDraw.is_booked).order_by(PinDraw.id)


def unbooked_pins(session: Session, vault: Vault, spec_id: int) -> Counter[PinSize]:
    """The pins for a spec's cylinders that were drawn and are not among movements yet."""
    pins = Counter[PinSize]()
    for one in session.scalars(_draws(spec_id)):
        for name, count in json.loads(vault.open(one.sealed, draw_context(one.id))).items():
            kind, _, size = name.rpartition(" ")
            pins[PinSize(kind, int(size))] += count
    return pins
