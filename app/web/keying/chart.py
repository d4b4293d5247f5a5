"""A bitting spec drawn as its chart: the blade from the side, a line for each depth, a mark for each cut.

Widths are to the chart's inches where it gives them; heights are drawn larger, so that depths can be told
apart. No key is shown: the stepped edge is the steepest that the MACS allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

from markupsafe import Markup

from app.keying import BittingSpec, root_depth

_WIDTH, _LEFT, _RIGHT, _TOP = 560.0, 84.0, 96.0, 44.0
_LINE = 17.0  # from depth line to depth line
_BELOW = 40.0  # metal that is left under the deepest cut


def draw_chart(spec: BittingSpec) -> Markup:
    """The drawing, in the page's own colors by class (`keying.css`)."""
    middles = _middles(spec)
    lines = [_TOP + 12 + n * _LINE for n in range(spec.depths)]
    back = lines[-1] + _BELOW
    tip = middles[-1] + (middles[1] - middles[0]) * 0.9
    parts = [_blade(spec, middles, lines, back, tip)]
    for depth, y in zip(spec.all_depths, lines, strict=True):
        parts.append(_depth_line(spec, depth, y, tip))
    for number, x in enumerate(middles, start=1):
        parts.append(_cut_mark(spec, number, x, back))
    parts.append(
        Markup('<text x="{x}" y="{y}" class="chart-note">{words}</text>').format(
            x=_n(_LEFT), y=_n(back + 22), words=_words(spec)
        )
    )
    return Markup(
        '<svg class="chart" viewBox="0 0 {w} {h}" role="img" aria-labelledby="chart-title">'
        '<title id="chart-title">{title}</title>{parts}</svg>'
    ).format(
        w=_n(_WIDTH),
        h=_n(back + 32),
        title=f"Chart of {spec.name or 'this spec'}: {spec.chambers} cuts across, {spec.depths} depths down",
        parts=Markup("").join(parts),
    )


def _middles(spec: BittingSpec) -> list[float]:
    """Where the middle of each cut is, in drawing units from the left."""
    room = _WIDTH - _LEFT - _RIGHT
    first, spacing = spec.first_cut_in, spec.spacing_in
    if first is None or spacing is None:
        pitch = room / (spec.chambers + 1.4)
        return [_LEFT + pitch * (n + 1.3) for n in range(spec.chambers)]
    scale = room / float(first + spacing * spec.chambers)
    return [_LEFT + float(first + n * spacing) * scale for n in range(spec.chambers)]


def _blade(spec: BittingSpec, middles: Sequence[float], lines: Sequence[float], back: float, tip: float) -> Markup:
    pitch = middles[1] - middles[0]
    steep = min(spec.macs, spec.depths - 1)
    points = [(_LEFT, _TOP), (middles[0] - pitch * 0.5, _TOP)]
    for number, x in enumerate(middles):
        y = lines[steep if number % 2 else 0]
        points += [(x - pitch * 0.2, y), (x + pitch * 0.2, y)]
    points += [(tip - 6, lines[0]), (tip, back - 14), (tip - 10, back), (_LEFT, back)]
    outline = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
    bow = Markup('<path class="chart-bow" d="M{l} {t}h-24q-50 0 -50 {half}t50 {half}h24z"/>').format(
        l=_n(_LEFT), t=_n(_TOP), half=_n((back - _TOP) / 2)
    )
    return bow + Markup('<polygon class="chart-blade" points="{p}"/>').format(p=outline)


def _depth_line(spec: BittingSpec, depth: int, y: float, tip: float) -> Markup:
    root = ""
    if spec.depth0_in is not None and spec.increment_in is not None:
        root = inches_text(root_depth(spec, depth))
    return Markup(
        '<line class="chart-depth" x1="{a}" x2="{b}" y1="{y}" y2="{y}"/>'
        '<text class="chart-number" x="{c}" y="{t}">{depth}</text>'
        '<text class="chart-root" x="{d}" y="{t}">{root}</text>'
    ).format(
        a=_n(_LEFT),
        b=_n(tip + 14),
        y=_n(y),
        c=_n(tip + 18),
        d=_n(tip + 36),
        t=_n(y + 4),
        depth=f"{depth:X}",
        root=root,
    )


def _cut_mark(spec: BittingSpec, number: int, x: float, back: float) -> Markup:
    place = ""
    if spec.first_cut_in is not None and spec.spacing_in is not None:
        place = inches_text(spec.first_cut_in + (number - 1) * spec.spacing_in)
    return Markup(
        '<line class="chart-cut" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
        '<text class="chart-number middle" x="{x}" y="14">{n}</text>'
        '<text class="chart-root middle" x="{x}" y="30">{place}</text>'
    ).format(x=_n(x), a=_n(_TOP - 8), b=_n(back + 4), n=number, place=place)


def _words(spec: BittingSpec) -> str:
    return f"Bow at the left. The edge steps by the MACS, {spec.macs}. Heights are drawn larger than widths."


def _n(number: float) -> str:
    return f"{number:.1f}".removesuffix(".0")


_MM_PER_INCH = Fraction(254, 10)


def inches_text(value: Fraction) -> str:
    """Inches to four places, without needless zeros beyond the third.

    >>> inches_text(Fraction("0.3165")), inches_text(Fraction(1, 4))
    ('0.3165', '0.250')
    """
    text = _rounded(value, 4)
    return text[:-1] if text.endswith("0") else text


def millimeters_text(inches: Fraction) -> str:
    """The same length in millimeters to two places.

    >>> millimeters_text(Fraction("0.25"))
    '6.35'
    """
    return _rounded(inches * _MM_PER_INCH, 2)


def _rounded(value: Fraction, places: int) -> str:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return str(exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN))
