"""Charts as SVG that read in black and white: a keying group's costs by quantity, and the load of the bench by day.

Size them by CSS, and put the figures in a table beside them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil

from markupsafe import Markup

from app.errors import BitternError
from app.pricing import show_cents

_INK, _ACCENT, _RULE = "#000", "#8a4a12", "#bbb"


@dataclass(frozen=True, slots=True)
class _Frame:
    """A drawing's size and the margins around its plot, in drawing units."""

    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int

    @property
    def wide(self) -> int:
        return self.width - self.left - self.right

    @property
    def high(self) -> int:
        return self.height - self.top - self.bottom

    @property
    def foot(self) -> int:
        return self.height - self.bottom

    def rule(self, y: float, ink: str) -> Markup:
        """A line across the plot: the foot's in `ink`, all others pale and thin."""
        is_foot = y == self.foot
        rule = Markup('<path d="M{l} {y:.1f}H{r}" stroke="{c}" stroke-width="{w}"/>')
        return rule.format(
            l=self.left, y=y, r=self.left + self.wide, c=ink if is_foot else _RULE, w="1" if is_foot else "0.5"
        )

    def drawing(self, title: str, parts: Sequence[Markup], size: int, fill: str = "") -> Markup:
        """The whole drawing as an SVG element; size: of its letters."""
        ink = Markup(' fill="{fill}"').format(fill=fill) if fill else ""
        return Markup(
            '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" font-family="Source Sans 3, sans-serif" '
            'font-size="{size}"{ink} role="img"><title>{title}</title>{parts}</svg>'
        ).format(w=self.width, h=self.height, size=size, ink=ink, title=title, parts=Markup("").join(parts))


def _text(x: float, y: float, words: str, anchor: str = "start", weight: int = 400) -> Markup:
    return Markup('<text x="{x:.1f}" y="{y:.1f}" text-anchor="{a}" font-weight="{b}">{words}</text>').format(
        x=x, y=y, a=anchor, b=weight, words=words
    )


_COST = _Frame(width=460, height=240, left=62, right=66, top=14, bottom=34)
_TICKS = 5
_LABEL_GAP = 13  # names at the ends of the curves stay this far apart


def cost_chart(
    points: Sequence[tuple[int, int | None, int | None]], break_even: int | None = None, asked: int | None = None
) -> Markup:
    """The chart for points in ascending quantity: quantity, cents here, cents at the factory, None where it cannot
    be had. `break_even`: from which quantity the factory is the cheaper.

    `asked`: the job's own quantity, marked on the foot. Every corner of both costs must be among the points:
    from one to the next the line is straight.

    The shop's curve is a solid line, the factory's is dashed; each has its name at its end, so that the chart
    reads in black and white. Size it by CSS; put the figures in a table beside it.
    """
    costs = [cents for _, *both in points for cents in both if cents is not None]
    if len(points) < 2 or not costs:
        raise BitternError("points", "A chart needs at least two quantities and a cost.")
    if any(one[0] >= other[0] for one, other in pairwise(points)):
        raise BitternError("points", "Give the points in ascending order of quantity, each once.")
    first, last = points[0][0], points[-1][0]
    step = tick_cents(max(costs))
    most = step * -(-max(costs) // step) or step

    def across(quantity: int) -> float:
        return _COST.left + _COST.wide * (quantity - first) / (last - first)

    def down(cents: int) -> float:
        return _COST.top + _COST.high * (most - cents) / most

    parts = [_axes(first, last, range(0, most + 1, step), across, down)]
    named = []
    for name, dashes, width, costs_of in (
        ("shop", "none", "2", [(quantity, cents) for quantity, cents, _ in points]),
        ("factory", "6 3", "1.6", [(quantity, cents) for quantity, _, cents in points]),
    ):
        parts.append(_curve(costs_of, across, down, dashes, width))
        known = [(quantity, cents) for quantity, cents in costs_of if cents is not None]
        if known:
            named.append((down(known[-1][1]), across(known[-1][0]), name))
    parts += _names(named)
    if break_even is not None and first <= break_even <= last:
        cost = next((cents for quantity, _, cents in points if quantity == break_even), None)
        parts.append(_crossing(break_even, across(break_even), None if cost is None else down(cost)))
    if asked is not None and first <= asked <= last:
        parts.append(_asked(asked, across(asked)))
    title = "Cost against quantity, shop and factory"
    if break_even is not None:
        title += f"; the factory is the cheaper from {break_even}"
    return _COST.drawing(title, parts, 10)


_Place = Callable[[int], float]


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
        parts.append(_COST.rule(y, _INK))
        parts.append(_text(_COST.left - 5, y + 3.5, show_cents(cents).removesuffix(".00"), "end"))
    for quantity in sorted({first + (last - first) * step // 4 for step in range(5)}):
        parts.append(_text(across(quantity), _COST.foot + 13, f"{quantity:,}", "middle"))
    parts.append(_text(_COST.left + _COST.wide / 2, _COST.height - 6, "cylinders", "middle"))
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
    foot = _COST.foot
    wedge = Markup('<path d="M{x:.1f} {f}l-5 -9h10z" fill="{c}"/>').format(x=x, f=foot, c=_INK)
    words = f"this job: {quantity:,}"
    is_late = x > _COST.width * 0.6
    return wedge + (_text(x - 8, foot - 4, words, "end") if is_late else _text(x + 8, foot - 4, words))


def _crossing(quantity: int, x: float, y: float | None) -> Markup:
    line = Markup('<path d="M{x:.1f} {t}V{b}" stroke="{c}" stroke-dasharray="2 2"/>')
    parts = [line.format(x=x, t=_COST.top, b=_COST.foot, c=_ACCENT)]
    if y is not None:
        dot = Markup('<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="#fff" stroke="{c}" stroke-width="1.6"/>')
        parts.append(dot.format(x=x, y=y, c=_ACCENT))
    words = f"factory cheaper from {quantity:,}"
    is_late = x > _COST.width * 0.6  # the words stand where there is room for them
    parts.append(_text(x - 4, _COST.top + 9, words, "end") if is_late else _text(x + 4, _COST.top + 9, words))
    return Markup("").join(parts)


_WEEK = _Frame(width=440, height=240, left=32, right=4, top=24, bottom=46)
_SCREEN_INK, _SCREEN = "#211c15", "#fffdf8"
_STEPS = (30, 60, 120, 240, 480, 960)  # minutes between two rules of the chart
_MOST_RULES = 6
_BENCH_WORDS = "what the bench has"


@dataclass(frozen=True, slots=True)
class LoadBar:
    """One day's bar in minutes: what is due on it, what is overdue before that, and what the bench can do then."""

    name: str
    due: Fraction
    overdue: Fraction
    bench: Fraction
    is_today: bool = False


def load_chart(bars: Sequence[LoadBar]) -> Markup:
    """The chart of some bars, left to right. It reads in black and white; put the figures in a table beside it."""
    if not bars:
        raise BitternError("bars", "A chart needs at least one day.")
    most = max(max(bar.due + bar.overdue, bar.bench) for bar in bars)
    step = next((one for one in _STEPS if one * _MOST_RULES >= most), _round_up(most))
    top = step * max(-(-most // step), 1)
    slot = _WEEK.wide / len(bars)

    def down(minutes: Fraction | int) -> float:
        return float(_WEEK.top + _WEEK.high * (top - minutes) / top)

    parts = _rules(step, int(top))
    for place, bar in enumerate(bars):
        parts.append(
            _bar(bar, _WEEK.left + slot * place, slot, down(0), down(bar.overdue), down(bar.due + bar.overdue))
        )
        if bar.bench:
            parts.append(_bench(_WEEK.left + slot * place, slot, down(bar.bench)))
    parts.append(_legend())
    title = "Bench hours due on the next working days, overdue ones first, against the hours that the bench has"
    return _WEEK.drawing(title, parts, 13, _SCREEN_INK)


def _round_up(most: Fraction) -> int:
    """Whole days of sixteen hours between the rules, where a week is fuller than anybody's.

    >>> _round_up(Fraction(60_000))
    10560
    """
    return int(-(-most // (_STEPS[-1] * _MOST_RULES))) * _STEPS[-1]


def show_hours(minutes: int) -> str:
    """Minutes as hours to one decimal, half up; "0" for none.

    >>> show_hours(90), show_hours(480), show_hours(0), show_hours(33)
    ('1.5', '8', '0', '0.6')
    """
    tenths = (minutes * 10 + 30) // 60
    whole, tenth = divmod(tenths, 10)
    return f"{whole}.{tenth}" if tenth else str(whole)


def _rules(step: int, top: int) -> list[Markup]:
    parts = []
    for minutes in range(0, top + 1, step):
        y = _WEEK.foot - _WEEK.high * minutes / top
        parts += [
            _WEEK.rule(y, _SCREEN_INK),
            _text(_WEEK.left - 6, y + 4, f"{show_hours(minutes)}{' h' if minutes == 0 else ''}", "end"),
        ]
    return parts


def _bar(bar: LoadBar, left: float, slot: float, foot: float, overdue: float, due: float) -> Markup:
    x, wide = left + slot * 0.25, slot * 0.5
    box = Markup('<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}" fill="{f}" stroke="{s}"/>')
    parts = []
    if bar.overdue:
        parts.append(box.format(x=x, y=overdue, w=wide, h=foot - overdue, f=_SCREEN, s=_ACCENT))
    if bar.due:
        parts.append(box.format(x=x, y=due, w=wide, h=overdue - due, f=_ACCENT, s=_ACCENT))
    middle = left + slot / 2
    if minutes := ceil(bar.due + bar.overdue):
        parts.append(_text(middle, due - 4, show_hours(minutes), "middle", weight=600))
    parts.append(_text(middle, foot + 15, bar.name, "middle", weight=700 if bar.is_today else 400))
    if bar.is_today:
        parts.append(Markup('<path d="M{a:.1f} {y:.1f}h{w:.1f}" stroke="{c}" stroke-width="2"/>').format(
            a=x, y=foot + 19, w=wide, c=_SCREEN_INK
        ))  # fmt: skip
    return Markup("").join(parts)


def _bench(left: float, slot: float, y: float) -> Markup:
    return Markup('<path d="M{x:.1f} {y:.1f}h{w:.1f}" stroke="{c}" stroke-width="2" stroke-dasharray="5 3"/>').format(
        x=left + slot * 0.08, y=y, w=slot * 0.84, c=_SCREEN_INK
    )


def _legend() -> Markup:
    y, parts, x = _WEEK.height - 8, [], float(_WEEK.left)
    for mark, words in (
        (Markup('<rect x="{x:.1f}" y="{t:.1f}" width="10" height="10" fill="{a}"/>'), "due"),
        (Markup('<rect x="{x:.1f}" y="{t:.1f}" width="10" height="10" fill="{p}" stroke="{a}"/>'), "overdue"),
        (
            Markup('<path d="M{x:.1f} {m:.1f}h16" stroke="{i}" stroke-width="2" stroke-dasharray="5 3"/>'),
            _BENCH_WORDS,
        ),
    ):
        parts.append(mark.format(x=x, t=y - 9, m=y - 4, a=_ACCENT, p=_SCREEN, i=_SCREEN_INK))
        parts.append(_text(x + 21, y, words, "start"))
        x += 40 + 6.6 * len(words)
    return Markup("").join(parts)
