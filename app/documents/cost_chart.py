"""Cost against quantity as SVG: two stepped curves told apart by line and by name, their crossing marked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from app.errors import BitternError
from app.pricing import show_cents

_WIDTH, _HEIGHT = 460, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 66, 14, 34
_INK, _ACCENT, _RULE = "#000", "#8a4a12", "#bbb"
_TICKS = 5
_LABEL_GAP = 13  # names at the ends of the curves stay this far apart


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """Both ways' costs in cents at one quantity; None where the way cannot be had."""

    quantity: int
    shop_cents: int | None
    factory_cents: int | None


def cost_chart(points: Sequence[ChartPoint], break_even: int | None = None, asked: int | None = None) -> Markup:
    """The chart for points in ascending quantity; `break_even`: from which quantity the factory is the cheaper.

    `asked`: the job's own quantity, marked on the foot. Every corner of both costs must be among the points:
    from one to the next the line is straight.

    The shop's curve is a solid line, the factory's is dashed; each has its name at its end, so that the chart
    reads in black and white. Size it by CSS; put the figures in a table beside it.
    """
    costs = [c for point in points for c in (point.shop_cents, point.factory_cents) if c is not None]
    if len(points) < 2 or not costs:
        raise BitternError("points", "A chart needs at least two quantities and a cost.")
    if any(a.quantity >= b.quantity for a, b in pairwise(points)):
        raise BitternError("points", "Give the points in ascending order of quantity, each once.")
    first, last = points[0].quantity, points[-1].quantity
    step = tick_cents(max(costs))
    most = step * -(-max(costs) // step) or step
    wide, high = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM

    def across(quantity: int) -> float:
        return _LEFT + wide * (quantity - first) / (last - first)

    def down(cents: int) -> float:
        return _TOP + high * (most - cents) / most

    parts = [_axes(first, last, range(0, most + 1, step), across, down)]
    named = []
    for name, dashes, width, costs_of in (
        ("shop", "none", "2", [(p.quantity, p.shop_cents) for p in points]),
        ("factory", "6 3", "1.6", [(p.quantity, p.factory_cents) for p in points]),
    ):
        parts.append(_curve(costs_of, across, down, dashes, width))
        known = [(quantity, cents) for quantity, cents in costs_of if cents is not None]
        if known:
            named.append((down(known[-1][1]), across(known[-1][0]), name))
    parts += _names(named)
    if break_even is not None and first <= break_even <= last:
        cost = next((point.factory_cents for point in points if point.quantity == break_even), None)
        parts.append(_crossing(break_even, across(break_even), None if cost is None else down(cost)))
    if asked is not None and first <= asked <= last:
        parts.append(_asked(asked, across(asked)))
    title = "Cost against quantity, shop and factory"
    if break_even is not None:
        title += f"; the factory is the cheaper from {break_even}"
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" font-family="Source Sans 3, sans-serif" '
        'font-size="10" role="img"><title>{title}</title>{parts}</svg>'
    ).format(w=_WIDTH, h=_HEIGHT, title=title, parts=Markup("").join(parts))


_Place = Callable[[int], float]


def _text(x: float, y: float, words: str, anchor: str = "start", weight: int = 400) -> Markup:
    return Markup('<text x="{x:.1f}" y="{y:.1f}" text-anchor="{a}" font-weight="{b}">{words}</text>').format(
        x=x, y=y, a=anchor, b=weight, words=words
    )


def tick_cents(most: int) -> int:
    """A round number of cents for the rules of the chart: at most five of them reach `most`.

    >>> tick_cents(136_000), tick_cents(4_100), tick_cents(0)
    (50000, 1000, 100)
    """
    size = 100
    while True:
        for step in (size, 2 * size, 5 * size):
            if step * _TICKS >= most:
                return step
        size *= 10


def _axes(first: int, last: int, rules: range, across: _Place, down: _Place) -> Markup:
    parts = []
    for cents in rules:
        y = down(cents)
        rule = Markup('<path d="M{l} {y:.1f}H{r}" stroke="{c}" stroke-width="{w}"/>')
        parts.append(
            rule.format(l=_LEFT, y=y, r=_WIDTH - _RIGHT, c=_RULE if cents else _INK, w="0.5" if cents else "1")
        )
        parts.append(_text(_LEFT - 5, y + 3.5, show_cents(cents).removesuffix(".00"), "end"))
    for quantity in sorted({first + (last - first) * step // 4 for step in range(5)}):
        parts.append(_text(across(quantity), _HEIGHT - _BOTTOM + 13, f"{quantity:,}", "middle"))
    parts.append(_text(_LEFT + (_WIDTH - _LEFT - _RIGHT) / 2, _HEIGHT - 6, "cylinders", "middle"))
    return Markup("").join(parts)


def _curve(costs: Sequence[tuple[int, int | None]], across: _Place, down: _Place, dashes: str, width: str) -> Markup:
    """From corner to corner, a gap where the way cannot be had; a step is a rise from one quantity to the next."""
    path, is_open = "", False
    for quantity, cents in costs:
        if cents is None:
            is_open = False
            continue
        x, y = f"{across(quantity):.1f}", f"{down(cents):.1f}"
        path += f"{'L' if is_open else 'M'}{x} {y}"
        is_open = True
    return Markup('<path d="{d}" fill="none" stroke="{c}" stroke-width="{w}" stroke-dasharray="{dashes}"/>').format(
        d=path, c=_INK, w=width, dashes=dashes
    )


def _names(named: list[tuple[float, float, str]]) -> list[Markup]:
    """Names at the ends of the curves, pushed apart where the ends are close."""
    named.sort()
    if len(named) == 2 and named[1][0] - named[0][0] < _LABEL_GAP:
        middle = (named[0][0] + named[1][0]) / 2
        named = [
            (middle - _LABEL_GAP / 2, named[0][1], named[0][2]),
            (middle + _LABEL_GAP / 2, named[1][1], named[1][2]),
        ]
    return [_text(x + 5, y + 3.5, name, weight=600) for y, x, name in named]


def _asked(quantity: int, x: float) -> Markup:
    """A filled wedge on the foot, with the job's own quantity."""
    foot = _HEIGHT - _BOTTOM
    wedge = Markup('<path d="M{x:.1f} {f}l-5 -9h10z" fill="{c}"/>').format(x=x, f=foot, c=_INK)
    words = f"this job: {quantity:,}"
    is_late = x > _WIDTH * 0.6
    return wedge + (_text(x - 8, foot - 4, words, "end") if is_late else _text(x + 8, foot - 4, words))


def _crossing(quantity: int, x: float, y: float | None) -> Markup:
    line = Markup('<path d="M{x:.1f} {t}V{b}" stroke="{c}" stroke-dasharray="2 2"/>')
    parts = [line.format(x=x, t=_TOP, b=_HEIGHT - _BOTTOM, c=_ACCENT)]
    if y is not None:
        dot = Markup('<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="#fff" stroke="{c}" stroke-width="1.6"/>')
        parts.append(dot.format(x=x, y=y, c=_ACCENT))
    words = f"factory cheaper from {quantity:,}"
    is_late = x > _WIDTH * 0.6  # the words stand where there is room for them
    parts.append(_text(x - 4, _TOP + 9, words, "end") if is_late else _text(x + 4, _TOP + 9, words))
    return Markup("").join(parts)
