"""Read the counter page into a request that can be priced, every problem beside its box."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from app.fitting import CYLINDER_TYPES, CylinderAttributes, finishes_named
from app.keying import make_symbols
from app.ledger.keysystems.construction import ConstructionWay
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest, split_selective
from app.ledger.quoting.resolving import AGREED, REFUSED
from app.ledger.sites.customers import CustomerForm, SiteForm
from app.ledger.tables import KeySystem, Marking, longest
from app.pricing import NO_DISCOUNT, KeyingKind, Urgency
from app.web.counter.forms import (
    CUSTOMER_BOXES,
    CounterForm,
    CylinderBody,
    CylinderLine,
    DoorBoxes,
    KeyedLine,
    KeysLine,
    LineForm,
    NewCylinderLine,
    PartLine,
    RekeyLine,
)
from app.web.forms_base import record_id

MOST_LINES = 100
_OF_KEYING = ("set_size", "master", "reserve", "alike_with", "key_keyway", "key_marks")
_MOST_STANDING = 5_000
_LONGEST_KEYWAY = longest(KeySystem.keyway)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What reading needs to know of the house's records.

    keyway_makers: keyway → code of the one maker that has it. spellings: keyways, cams and tailpieces by their
    casefolded names. finishes: the makers' A156.18 numbers. plain_numbers: those typed part numbers, in
    capitals, that are no cylinders, so that nothing is keyed on them. tiers, site_ids, system_ids: what may be
    chosen. system_name: what a new key system is called when nobody says. stray_system: the name of the one that
    is chosen and is another customer's.
    """

    keyway_makers: Mapping[str, str] = field(default_factory=dict)
    spellings: Mapping[str, str] = field(default_factory=dict)
    finishes: Collection[str] = ()
    plain_numbers: Collection[str] = ()
    tiers: Collection[str] = ()
    site_ids: Collection[int] = ()
    system_ids: Collection[int] = ()
    system_name: str = ""
    stray_system: str = ""

    def spell(self, typed: str) -> str:
        """A keyway, cam or tailpiece as its maker writes it, large and small letters aside."""
        return self.spellings.get(typed.casefold(), typed)


@dataclass(frozen=True, slots=True)
class Reading:
    """A page read. `lines[n]` is the page's line that became the ask's line n; unreadable ones did not."""

    ask: QuoteRequest
    lines: tuple[LineForm, ...]
    new_customer: CustomerForm | None
    new_site: SiteForm | None


def read(form: CounterForm, known: Knowledge) -> Reading:
    """What the page asks for, as far as it can be read; everything wrong with the rest is said beside its box."""
    form.validate()
    if len(form.lines.forms) > MOST_LINES:
        form.refuse(
            "lines",
            f"At most {MOST_LINES} lines fit on one quote; this has {len(form.lines.forms):,}. Split it into several "
            "quotes, or give equal lines a quantity.",
        )
    readable = [(line, _line(line, known)) for line in form.lines.forms[:MOST_LINES]]
    readable = [(line, ask) for line, ask in readable if not line.is_unclear]
    lines = [ask for _, ask in readable]
    new_customer = _customer(form, known)
    site_id, new_site = _site(form, known)
    keyed_at, option_b = form.text("keyed_at"), form.text("option_b")
    ask = QuoteRequest(
        customer_id=record_id(form.text("customer_id")),
        lines=tuple(lines),
        site_id=site_id,
        title=form.title.data,
        need_by=form.need_by.data,
        system=_system(form, lines, known),
        keyed_at=keyed_at,
        override_reason=form.text("override_reason") if keyed_at else "",
        option_b=option_b if option_b in ("shop", "factory") else "",
        answers=form.answers,
        lost_reason=form.text("lost_reason"),
        replaced=tuple(dict.fromkeys(form.text("replaced").split())),
        loss_id=record_id(form.text("loss_id")) or None,
        discount=form.discount.data or NO_DISCOUNT,
        discount_reason=form.discount_reason.data if form.discount.data else "",
        discount_meant=form.text("discount_meant")[:300],
    )
    if (urgency := form.text("urgency")) and urgency not in set(Urgency):
        form.refuse("urgency", "Choose when the bench takes it up.")
    elif urgency:
        ask = replace(ask, urgency=Urgency(urgency))
    return Reading(ask, tuple(line for line, _ in readable), new_customer, new_site)


def _line(line: LineForm, known: Knowledge) -> LineRequest:
    """The line as far as it can be read."""
    standing = line.text("standing").split()[:_MOST_STANDING]
    return LineRequest(
        kind=line.sort,
        quantity=line.quantity.data or 1,
        maker_code=_maker(line, known),
        part_number=line.text("part_number"),
        attributes=_attributes(line, known),
        **_keyed(line, known),
        price_code=line.text("price_code"),
        symbol=line.text("symbol"),
        unit_cents=line.unit_price.data,
        discount=line.discount.data or NO_DISCOUNT,
        cost_cents=line.unit_cost.data if isinstance(line, NewCylinderLine) else None,
        remark=line.remark.data,
        price_reason=line.price_reason.data,
        price_meant=line.text("price_meant")[:300],
        **_replaced(line),
        fit=_fit(line),
        standing=tuple(map(record_id, standing)),
    )


def _maker(line: LineForm, known: Knowledge) -> str:
    is_told = not isinstance(line, CylinderLine) or line.text("maker")
    return line.text("maker") if is_told else known.keyway_makers.get(known.spell(line.text("keyway")), "")


def _keyed(line: LineForm, known: Knowledge) -> dict[str, Any]:
    """How and how soon the line's cylinders are keyed, with how many keys; of no concern where nothing is keyed."""
    if not isinstance(line, KeyedLine):
        return {"keys_each": 0}
    if isinstance(line, PartLine) and not line.keying.data and line.part_number.data.upper() in known.plain_numbers:
        # Nothing is keyed on hardware, so the usual keying of a part number is not meant for it.
        line.forget("keying", *_OF_KEYING, "keys_each", "keys_in_all", "need_by")
        return {"keys_each": 0}
    usual = KeyingKind.NONE if isinstance(line, RekeyLine) else KeyingKind.KD
    keying = KeyingInstruction()
    if (typed := line.keying.data or usual.value) in set(KeyingKind):
        kind = KeyingKind(typed)
        in_sets = kind not in (KeyingKind.KD, KeyingKind.OWN, KeyingKind.NONE)
        to_key = kind is KeyingKind.OWN
        master, selective = split_selective(line.master.data.upper()) if kind.is_master_keyed else ("", "")
        keying = KeyingInstruction(
            kind,
            line.set_size.data if in_sets else None,
            master,
            known.spell(line.key_keyway.data) or line.text("fit_key")[:_LONGEST_KEYWAY] if to_key else "",
            line.key_marks.data if to_key else "",
            (line.alike_with.data or 0) if kind is KeyingKind.KA else 0,
            selective,
            line.reserve.data if kind.is_master_keyed else "",
        )
        line.forget(*(() if kind is KeyingKind.KA else ("alike_with",)))
        line.forget(*(() if in_sets else ("set_size",)), *(() if kind.is_master_keyed else ("master", "reserve")))
        line.forget(*(() if to_key else ("key_keyway", "key_marks")))
    else:
        line.refuse("keying", "Choose how the cylinders are keyed.")
        line.forget(*_OF_KEYING)
    return {
        "keying": keying,
        "keys_each": line.keys_each.data or 0,
        "keys_in_all": line.keys_in_all.data,
        "need_by": line.need_by.data,
    }


def _replaced(line: LineForm) -> dict[str, Any]:
    """The old cylinder and what the customer said of the new face; only a new cylinder replaces one."""
    if not isinstance(line, NewCylinderLine):
        return {}
    answer = line.text("face_answer")
    return {
        "replaces": line.replaces.data,
        "replaces_finish": line.replaces_finish.data,
        "face_asked": line.text("face_asked")[:1000],
        "face_answer": answer if answer in (AGREED, REFUSED) else "",
    }


def _fit(line: LineForm) -> tuple[tuple[str, str], ...]:
    """The boxes about the door that hold something."""
    if not isinstance(line, DoorBoxes):
        return ()
    return tuple((name, text) for name, text in line.texts().items() if name.startswith("fit_") and text)


def _attributes(line: LineForm, known: Knowledge) -> CylinderAttributes | None:
    keyway = known.spell(line.text("keyway"))
    if isinstance(line, KeysLine):
        return CylinderAttributes("", keyway=keyway) if keyway else None
    if not isinstance(line, CylinderBody):
        return None
    if (kind := line.text("type")) and kind not in CYLINDER_TYPES:
        line.refuse("type", f"Choose {', '.join(CYLINDER_TYPES)}.")
    pinned, drilled = line.chambers.data or (None, None)
    body = CylinderAttributes(kind, chambers=pinned, drilled=drilled, keyway=keyway or None)
    if not isinstance(line, CylinderLine):
        return None if isinstance(line, PartLine) and body == CylinderAttributes("") else body
    tail = known.spell(line.text("tail")) or None
    body = replace(body, cam=tail) if kind == "mortise" else replace(body, tailpiece=tail)
    return replace(body, length=line.length.data, finish=_finish(line, known))


def _finish(line: CylinderLine, known: Knowledge) -> str | None:
    """The A156.18 number; a US code or a name is taken for the one number of its that the makers have."""
    typed = line.text("finish")
    meant = finishes_named(typed)
    of_makers = [each for each in meant if each.code in known.finishes]
    if len(of_makers) > 1:
        line.refuse("finish", f"{typed} can be {' or '.join(each.words for each in of_makers)}: enter the number.")
    return next((found[0].code for found in (meant, of_makers) if len(found) == 1), typed or None)


def _customer(form: CounterForm, known: Knowledge) -> CustomerForm | None:
    if form.text("customer_id") or not form.text("is_new_customer"):
        form.forget(*CUSTOMER_BOXES)
        return None
    customer = CustomerForm(**{name.removeprefix("customer_"): form[name].data for name in CUSTOMER_BOXES})
    if customer.tier and customer.tier not in known.tiers:
        form.refuse("customer_tier", "Choose one of the price tiers in the list.")
    if not form.text("customer_name"):
        form.refuse("customer_name", "Enter the customer's name.")
    certificate, until = form.text("customer_exempt_certificate"), form.text("customer_exempt_until")
    if certificate and not until:
        form.refuse("customer_exempt_until", "Enter the day on which the exemption certificate expires.")
    if until and not certificate:
        form.refuse("customer_exempt_certificate", "Enter the certificate's number, or clear its expiry day.")
    return customer


def _site(form: CounterForm, known: Knowledge) -> tuple[int | None, SiteForm | None]:
    """The site chosen, or the new one named; a name goes before a choice."""
    if form.text("site"):
        return None, SiteForm(form.site.data)
    if not form.text("site_id") or not form.text("customer_id"):
        return None, None
    if (site_id := record_id(form.text("site_id"))) not in known.site_ids:
        form.refuse("site_id", "This site belongs to another customer; choose one in the list, or name a new one.")
        return None, None
    return site_id, None


def _masters_named(lines: list[LineRequest]) -> int:
    """How many masters of a grand the lines name, where those are the first ones: AA, AB and AC are 3."""
    named = {line.keying.master for line in lines if line.keying.kind is KeyingKind.GMK and line.keying.master}
    return len(named) if named <= set(make_symbols(3, len(named) or 1, 0)) else 0


def _system(form: CounterForm, lines: list[LineRequest], known: Knowledge) -> SystemRequest | None:
    """The key system that the lines need, and how the site is keyed until the building is handed over."""
    found = _key_system(form, lines, known)
    if (typed := form.text("construction")) not in set(ConstructionWay):
        form.refuse("construction", "Choose a construction master, construction cores, or none.")
    elif not typed:
        form.forget("construction_keys", "handed_over_on")
    elif found is None and form.system_id.errors:
        form.forget("construction")
    elif found is None:
        told = "Construction keying needs a key system: key the cylinders MK, GMK or SKD in one."
        form.refuse("construction", told)
    else:
        return replace(
            found,
            construction=ConstructionWay(typed),
            construction_keys=form.construction_keys.data or 0,
            handed_over_on=form.handed_over_on.data,
        )
    return found


def _marking(form: CounterForm, name: str, usual: Marking) -> Marking:
    """How a new system's keys or cylinders are marked; the usual way where nobody chose."""
    typed = form.text(name)
    if typed and typed not in set(Marking):
        form.refuse(name, "Choose visual, concealed or none.")
    return Marking(typed) if typed in set(Marking) else usual


def _key_system(form: CounterForm, lines: list[LineRequest], known: Knowledge) -> SystemRequest | None:
    """The key system that the lines need; None where no line is keyed into one, or which one is still to be said:
    a customer who has systems is sold a new one when somebody chose so, never because nobody chose.
    """
    chosen = form.text("system_id")
    kinds = {line.keying.kind for line in lines if line.kind.is_keyed}
    is_needed = (
        any(kind.is_master_keyed for kind in kinds)
        or (KeyingKind.SKD in kinds and bool(chosen))
        or (chosen not in ("", "new") and any(line.symbol for line in lines))  # of several systems, the keyset's
    )
    if is_needed and (chosen == "new" or not (chosen or known.system_ids)):
        return SystemRequest(
            name=form.system_name.data or known.system_name,
            levels=form.system_levels.data or 2,
            grands=form.system_grands.data or 1,
            masters=max(form.system_masters.data or 1, _masters_named(lines)),
            mark_keys=_marking(form, "mark_keys", Marking.VISUAL),
            mark_cylinders=_marking(form, "mark_cylinders", Marking.CONCEALED),
        )
    form.forget("system_name", "system_levels", "system_grands", "system_masters")
    if not is_needed or not chosen:
        return None
    if record_id(chosen) not in known.system_ids:
        whose = known.stray_system or "This key system"
        form.refuse("system_id", f"{whose} belongs to another customer; choose one in the list.")
        return None
    return SystemRequest(existing_id=record_id(chosen))
