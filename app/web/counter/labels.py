"""What the page's fields are called, and which of them a use case means by its own names."""

from __future__ import annotations

from collections.abc import Mapping

from app.ledger.tables import LineKind

HEAD_LABELS: Mapping[str, str] = {
    "find": "Customer",
    "customer_name": "Name",
    "customer_phone": "Phone",
    "customer_email": "E-mail",
    "customer_address": "Address",
    "customer_tier": "Price tier",
    "customer_tax_place": "Tax place",
    "customer_exempt_certificate": "Exemption certificate",
    "customer_exempt_until": "Certificate expires",
    "site_id": "Site",
    "site": "New site",
    "title": "About",
    "need_by": "Needed by",
    "system_id": "Key system",
    "system_name": "System's name",
    "system_levels": "Levels",
    "system_grands": "Grand masters",
    "system_masters": "Masters",
    "keyed_at": "Keyed at",
    "override_reason": "Why",
    "lost_reason": "Why under a lost key",
    "option_b": "Option B",
}
LINE_LABELS: Mapping[str, str] = {
    "quantity": "Quantity",
    "maker": "Maker",
    "type": "Type",
    "length": "Length",
    "chambers": "Pins",
    "keyway": "Keyway",
    "tail": "Cam or tailpiece",
    "finish": "Finish",
    "part_number": "Part number",
    "symbol": "Keys of",
    "price_code": "Price book entry",
    "keying": "Keying",
    "set_size": "In sets of",
    "master": "Under master",
    "keys_each": "Keys each",
    "unit_price": "Own price",
    "price_reason": "Why this price",
    "need_by": "Its own day",
    "remark": "Remark",
    "replaces": "On the door now",
    "replaces_finish": "Its finish",
    "face_answer": "Face",
    "fit_lock": "Lock",
    "fit_door": "Door thickness",
    "fit_trim": "Trim outside",
    "fit_trim_in": "Trim inside",
    "fit_stile": "Stile width",
    "fit_hole": "Hole in the door",
    "fit_key": "Customer's key",
    "fit_cuts": "Its cuts",
    "fit_finishes": "Other finishes there",
    "fit_reach_least": "Past the door, least",
    "fit_reach_most": "Past it, most",
    "fit_supplied": "Tailpiece supplied",
    "fit_notch": "Between notches",
    "fit_lock_hole": "Lock's hole",
    "fit_lock_threads": "Its threads",
}
CUSTOMER_FIELDS = tuple(name for name in HEAD_LABELS if name.startswith("customer_"))
JOB_FIELDS = tuple(name for name in HEAD_LABELS if name not in (*CUSTOMER_FIELDS, "find", "site_id", "site"))
OWNERS_FIELDS = ("lost_reason",)
"""Boxes that stand on the owner's page alone."""
_HEAD_ALIASES = {"customer": "find", "system": "system_id", "tax_place": "customer_tax_place", "customer_id": "find"}
_LINE_ALIASES = {
    "drilled": "chambers",
    "cam": "tail",
    "tailpiece": "tail",
    "attributes": "type",
    "code": "price_code",
    "unit_cents": "unit_price",
}


def head_field(name: str) -> str:
    """The page's name for a field of the head.

    >>> head_field("customer"), head_field("need_by")
    ('find', 'need_by')
    """
    return _HEAD_ALIASES.get(name, name)


def line_field(name: str, sort: LineKind) -> str:
    """The page's name for a field of a line of this kind.

    >>> line_field("cam", LineKind.CYLINDER), line_field("code", LineKind.REKEY)
    ('tail', 'type')
    """
    if name == "code" and sort is LineKind.REKEY:
        return "type"
    return _LINE_ALIASES.get(name, name)
