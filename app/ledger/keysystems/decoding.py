"""Use case: decode a key from what was measured; that it was done is on record, what it is cut to is not."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

from app.keying import BittingSpec, DecodedKey, KeyingError, decode, read_inches, write_bitting
from app.ledger.catalog.specs import get_spec, read_spec
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Role

MOST_WORDS = 40


@dataclass(frozen=True, slots=True)
class DecodeAsk:
    """A key under the caliper. measured: root depths in inches, bow to tip, with spaces between.

    Of a system's key `system_id` says which; else `spec_id` and, where the key has fewer, its `cuts`.
    """

    measured: str = field(repr=False)
    tolerance: Fraction
    why: str
    spec_id: int = 0
    cuts: int | None = None
    system_id: int | None = None


@dataclass(frozen=True, slots=True)
class Decoded:
    """The key as read, what it was held against, and the symbols that its cuts allow there."""

    spec: BittingSpec
    key: DecodedKey
    system: KeySystem | None
    symbols: tuple[str, ...]


def decode_key(work: Work, ask: DecodeAsk) -> Decoded:
    """The key's depths, for bench and owner; every decoding is an event, of the system where one is named.

    Raises KeyingError for `measured`, `tolerance`, `cuts` or `why`; then nothing is on record.
    """
    work.require(Role.BENCH)
    system = get_system(work.session, ask.system_id) if ask.system_id is not None else None
    spec = spec_of(system) if system is not None else _spec(work, ask)
    words = ask.measured.replace(",", " ").replace(";", " ").split()[:MOST_WORDS]
    key = decode(spec, [read_inches(word, "measured") for word in words], ask.tolerance)
    if key.bitting is not None and write_bitting(spec, key.bitting) in "".join(ask.why.split()):
        raise KeyingError("why", "This goes on record: say what the key is for, and leave its cuts out.")
    with transaction(work.session):
        record(
            work,
            "bittings revealed",
            f"key system {system.id}" if system is not None else f"bitting spec {ask.spec_id}",
            f"A key on {spec.name or (system.name if system else '')} was decoded by {work.actor.name}: {ask.why}",
        )
        symbols = _symbols(work, system, key) if system is not None else ()
    return Decoded(spec, key, system, symbols)


def _spec(work: Work, ask: DecodeAsk) -> BittingSpec:
    spec = read_spec(get_spec(work.session, ask.spec_id))
    if ask.cuts is None:
        return spec
    if not 3 <= ask.cuts <= spec.chambers:
        raise KeyingError("cuts", f"A key on this spec has 3 to {spec.chambers} cuts.")
    return replace(spec, chambers=ask.cuts)


def _symbols(work: Work, system: KeySystem, key: DecodedKey) -> tuple[str, ...]:
    """The keysets whose every cut is one that the measured cut may have been."""
    opened = open_bittings(work.session, work.vault, [system])
    return tuple(
        keyset.symbol
        for keyset in system.keysets
        if keyset.id in opened
        and all(depth in cut.could_be for depth, cut in zip(opened[keyset.id], key.cuts, strict=True))
    )
