"""A week's promises against the bench's hours as SVG: bars told apart by fill and name, the bench a dashed rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from markupsafe import Markup

from app.errors import BitternError

_WIDTH, _HEIGHT = 440, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 32, 4, 24, 46
_INK, _ACCENT, _RULE, _PAPER = "#211c15", "#8a4a12", "#bbb", "#fffdf8"
_STEPS = (30, 60, 120, 240, 480, 960)  # minutes between two rules of the chart
_MOST_RULES = 6
_BENCH_WORDS = "what the bench has"


@dataclass(frozen=True, slots=True)
class WeekBar:
    """One bar in minutes: what the bench has yet to do, what it has done, and what it can do that day."""

    name: str
    still: int
    done: int
    bench: Fraction
    is_today: bool = False


def week_chart(bars: Sequence[WeekBar]) -> Markup:
    """The chart of some bars, left to right. It reads in black and white; put the figures in a table beside it."""
    if not bars:
        raise BitternError("bars", "A chart needs at least one day.")
    most = max(max(Fraction(bar.still + bar.done), bar.bench) for bar in bars)
    step = next((one for one in _STEPS if one * _MOST_RULES >= most), _round_up(most))
    top = step * max(-(-most // step), 1)
    high = _HEIGHT - _TOP - _BOTTOM
    slot = (_WIDTH - _LEFT - _RIGHT) / len(bars)

    def down(minutes: Fraction | int) -> float:
        return float(_TOP + high * (top - minutes) / top)

    parts = [_rules(step, int(top), down(0), high)]
    for place, bar in enumerate(bars):
        parts.append(_bar(bar, _LEFT + slot * place, slot, down(0), down(bar.still), down(bar.still + bar.done)))
        if bar.bench:
            parts.append(_bench(_LEFT + slot * place, slot, down(bar.bench)))
    parts.append(_legend())
    title = "Bench hours promised this week, by day, against the hours that the bench has"
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" font-family="Source Sans 3, sans-serif" '
        'font-size="13" fill="{ink}" role="img"><title>{title}</title>{parts}</svg>'
    ).format(w=_WIDTH, h=_HEIGHT, ink=_INK, title=title, parts=Markup("").join(parts))


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


def _text(x: float, y: float, words: str, anchor: str = "middle", weight: int = 400) -> Markup:
    return Markup('<text x="{x:.1f}" y="{y:.1f}" text-anchor="{a}" font-weight="{b}">{words}</text>').format(
        x=x, y=y, a=anchor, b=weight, words=words
    )


def _rules(step: int, top: int, foot: float, high: int) -> Markup:
    parts = []
    for minutes in range(0, top + 1, step):
        y = foot - high * minutes / top
        rule = Markup('<path d="M{l} {y:.1f}H{r}" stroke="{c}" stroke-width="{w}"/>')
        parts.append(
            rule.format(l=_LEFT, y=y, r=_WIDTH - _RIGHT, c=_RULE if minutes else _INK, w="0.5" if minutes else "1")
        )
        parts.append(_text(_LEFT - 6, y + 4, f"{show_hours(minutes)}{' h' if minutes == 0 else ''}", "end"))
    return Markup("").join(parts)


def _bar(bar: WeekBar, left: float, slot: float, foot: float, still: float, done: float) -> Markup:
    x, wide = left + slot * 0.25, slot * 0.5
    box = Markup('<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}" fill="{f}" stroke="{s}"/>')
    parts = []
    if bar.still:
        parts.append(box.format(x=x, y=still, w=wide, h=foot - still, f=_ACCENT, s=_ACCENT))
    if bar.done:
        parts.append(box.format(x=x, y=done, w=wide, h=still - done, f=_PAPER, s=_ACCENT))
    middle = left + slot / 2
    if bar.still or bar.done:
        parts.append(_text(middle, done - 4, show_hours(bar.still + bar.done), weight=600))
    parts.append(_text(middle, foot + 15, bar.name, weight=700 if bar.is_today else 400))
    if bar.is_today:
        parts.append(Markup('<path d="M{a:.1f} {y:.1f}h{w:.1f}" stroke="{c}" stroke-width="2"/>').format(
            a=x, y=foot + 19, w=wide, c=_INK
        ))  # fmt: skip
    return Markup("").join(parts)


def _bench(left: float, slot: float, y: float) -> Markup:
    return Markup('<path d="M{x:.1f} {y:.1f}h{w:.1f}" stroke="{c}" stroke-width="2" stroke-dasharray="5 3"/>').format(
        x=left + slot * 0.08, y=y, w=slot * 0.84, c=_INK
    )


def _legend() -> Markup:
    y, parts, x = _HEIGHT - 8, [], float(_LEFT)
    for mark, words in (
        (Markup('<rect x="{x:.1f}" y="{t:.1f}" width="10" height="10" fill="{a}"/>'), "still to do"),
        (Markup('<rect x="{x:.1f}" y="{t:.1f}" width="10" height="10" fill="{p}" stroke="{a}"/>'), "done"),
        (
            Markup('<path d="M{x:.1f} {m:.1f}h16" stroke="{i}" stroke-width="2" stroke-dasharray="5 3"/>'),
            _BENCH_WORDS,
        ),
    ):
        parts.append(mark.format(x=x, t=y - 9, m=y - 4, a=_ACCENT, p=_PAPER, i=_INK))
        parts.append(_text(x + 21, y, words, "start"))
        x += 40 + 6.6 * len(words)
    return Markup("").join(parts)
