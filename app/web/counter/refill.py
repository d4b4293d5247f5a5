"""Fill the counter page again from a request that was quoted, to change it and issue the next revision."""

from __future__ import annotations

from dataclasses import replace

from app.fitting import CylinderAttributes, write_inches
from app.ledger.quoting.request import LineAsk, QuoteAsk
from app.ledger.tables import LineKind
from app.pricing import KeyingKind
from app.web.counter.typed import FIT_BOXES, TypedLine, TypedPage


def typed_from_ask(ask: QuoteAsk, token: str) -> TypedPage:
    """The page that would have been typed for this request, under a page token of its own."""
    system = ask.system
    page = TypedPage(
        token=token,
        customer_id=str(ask.customer_id),
        site_id=str(ask.site_id or ""),
        title=ask.title,
        need_by=ask.need_by.isoformat() if ask.need_by else "",
        keyed_at=ask.keyed_at,
        override_reason=ask.override_reason,
        option_b=ask.option_b,
        answers=ask.answers,
        lost_reason=ask.lost_reason,
        replaced=" ".join(ask.replaced),
        lines=tuple(_line(key, line) for key, line in enumerate(ask.lines)),
    )
    if system is None:
        return page
    if system.existing_id is not None:
        return _with_system(page, str(system.existing_id), "", "", "1", "1")
    return _with_system(page, "new", system.name, str(system.levels), str(system.grands), str(system.masters))


def _with_system(page: TypedPage, chosen: str, name: str, levels: str, grands: str, masters: str) -> TypedPage:
    return replace(
        page, system_id=chosen, system_name=name, system_levels=levels, system_grands=grands, system_masters=masters
    )


def _line(key: int, line: LineAsk) -> TypedLine:
    said = line.attributes
    # A catalogue's hardware was asked for by its number; so is a cylinder whose number says what no box does.
    is_part = line.kind is LineKind.PART or (line.kind is LineKind.HARDWARE and bool(line.part_number))
    is_part = is_part or (line.kind is LineKind.CYLINDER and bool(said and said.keying) and bool(line.part_number))
    kind = LineKind.PART if is_part else line.kind
    is_keyed = line.kind.is_keyed
    keying = line.keying
    typed = TypedLine(
        key=key,
        kind=kind.value,
        quantity=str(line.quantity),
        maker=line.maker_code if kind in (LineKind.CYLINDER, LineKind.PART) else "",
        part_number=line.part_number if is_part else "",
        symbol=line.symbol,
        price_code=line.price_code,
        keying=keying.kind.value if is_keyed and (kind is not LineKind.REKEY or keying.kind is not _NONE) else "",
        set_size=str(keying.set_size or ""),
        master=keying.master,
        keys_each=str(line.keys_each) if is_keyed else "2",
        unit_price=f"{line.unit_cents // 100}.{line.unit_cents % 100:02d}" if line.unit_cents is not None else "",
        need_by=line.need_by.isoformat() if line.need_by else "",
        remark=line.remark,
        price_reason=line.price_reason,
        replaces=line.replaces,
        replaces_finish=line.replaces_finish,
        face_asked=line.face_asked,
        face_answer=line.face_answer,
        standing=" ".join(map(str, line.standing)),
        **{box: said for box, said in line.fit if box in FIT_BOXES},
    )
    return typed if is_part or said is None else _with_attributes(typed, said)


_NONE = KeyingKind.NONE


def _with_attributes(typed: TypedLine, said: CylinderAttributes) -> TypedLine:
    chambers = "" if said.chambers is None else str(said.chambers)
    if chambers and said.drilled and said.drilled != said.chambers:
        chambers = f"{chambers}/{said.drilled}"
    length = said.length
    return replace(
        typed,
        type=said.type if typed.kind != LineKind.KEYS else "",
        length="" if length is None else write_inches(length),
        chambers=chambers if typed.kind != LineKind.KEYS else "",
        keyway=said.keyway or "",
        tail=said.cam or said.tailpiece or "",
        finish=said.finish or "",
    )
