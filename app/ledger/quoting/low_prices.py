"""What is asked of a price of the counter's own, or of a discount, that goes under cost or far under the book.

The sentences name no cost: the counter reads them.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction

from app.pricing import Discount, PricedLine, PriceKind, half_up, show_cents

ASK = "Tick that it is meant, or change it."


def low_price(own_cents: int, book_cents: int, cost_cents: int, most_off: Decimal) -> str:
    """What is to be asked of a line's own price, "" for nothing. Cents are each; book_cents: 0 where no book has it.

    >>> low_price(900, 2000, 1000, Decimal(20)), low_price(1500, 2000, 1000, Decimal(20))
    ('$9.00 is below cost.', "$15.00 is 25% under the book's $20.00.")
    >>> low_price(1600, 2000, 1000, Decimal(20)), low_price(5, 0, 0, Decimal(20))
    ('', '')
    """
    if own_cents < cost_cents:
        return f"{show_cents(own_cents)} is below cost."
    if (under := _percent_under(own_cents, book_cents)) > most_off:
        return f"{show_cents(own_cents)} is {under.normalize():f}% under the book's {show_cents(book_cents)}."
    return ""


def low_discount(
    discount: Discount,
    lines: Sequence[tuple[str, PricedLine]],
    book_cents: int,
    cost_cents: Mapping[str, int],
    most_off: Decimal,
) -> str:
    """What is to be asked of a discount, "" for nothing.

    lines: with their labels, before it. book_cents: what all goods come to by the book. cost_cents: what a line's
    goods cost, by its label.
    """
    if not discount.is_given:
        return ""
    shared = discount.shared_out(line for _, line in lines)
    below = [
        label
        for (label, before), after in zip(lines, shared, strict=True)
        if after.net_cents < cost_cents.get(label, 0) <= before.net_cents
    ]
    if below:
        named = f"line {below[0]} sells" if len(below) == 1 else f"lines {', '.join(below[:-1])} and {below[-1]} sell"
        return f"With the discount {named} below cost."
    goods = sum(line.net_cents for line in shared if line.kind is PriceKind.GOODS)
    if (under := _percent_under(goods, book_cents)) > most_off:
        return f"With the discount the goods are {under.normalize():f}% under the book."
    return ""


def _percent_under(cents: int, book_cents: int) -> Decimal:
    """How far an amount is under the book's, in percent with one decimal; 0 where no book has a price."""
    return Decimal(half_up(Fraction(1000 * (book_cents - cents), book_cents))) / 10 if book_cents else Decimal(0)
