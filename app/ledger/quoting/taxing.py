"""A quote's totals with the sales tax of the place that counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from app.errors import BitternError, Problem
from app.ledger.catalog.price_queries import get_house, tax_table
from app.ledger.quoting.snapshot import SnapshotLine
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Site
from app.pricing import Exemption, TaxRule, Totals, total

_NO_PLACE = "The house has no place whose sales tax holds; the owner names it under Settings, Papers, tax and tiers."


def tax_place_of(work: Work, buyer: Customer, site_id: int | None) -> str:
    """The place whose sales tax counts: the site's, else the customer's, else the house's own."""
    site = work.session.get(Site, site_id) if site_id else None
    return (site.tax_place if site else "") or buyer.tax_place or get_house(work.session).tax_place


def tax_totals(
    work: Work, buyer: Customer, place: str, printed: Sequence[SnapshotLine], problems: list[Problem]
) -> Totals:
    """The totals of the lines with the tax of a place today; what is wrong is added to `problems`, and a place
    without a rule then taxes nothing, lines too large come to nothing.
    """
    lines = [line.priced for line in printed]
    exemption = None
    if buyer.exempt_certificate and buyer.exempt_until:
        exemption = Exemption(buyer.exempt_certificate, buyer.exempt_until)
    try:
        rule = tax_table(work.session).rule(place, work.today)
    except BitternError as error:
        problems.append(Problem("tax_place", error.message if place else _NO_PLACE))
        rule = TaxRule(place or "unknown place", Decimal(0), False, False, work.today)
    try:
        return total(lines, rule, exemption, work.today)
    except BitternError as error:
        problems.append(Problem(error.field, error.message))
        return total([replace(line, unit_cents=0) for line in lines], rule, exemption, work.today)
