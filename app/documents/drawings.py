"""Small drawings for the bench, as SVG: a cylinder's pin stacks and a key's profile. Bow at the left, tip right.

Drawn in increments, not to any maker's scale; the figures stand in a table beside each drawing. A drawing
tells a bitting as plainly as its digits do: it belongs on confidential paper only.
"""

from __future__ import annotations

__all__ = ["key_profile", "pin_stacks"]

from collections.abc import Sequence

from markupsafe import Markup

from app.keying import Bitting, BittingSpec, ChamberPins, Pinning

_INK, _ACCENT, _GREY, _PALE = "#000", "#8a4a12", "#9a9a9a", "#e4e4e4"

# Pin stacks, in drawing units.
_CHAMBER, _PIN, _STEP, _SHORTEST = 30, 20, 5, 9
_SPRING = 16
_TEXT_NEEDS = 9  # a pin lower than this has no room for its figure

# Key profile, in drawing units.
_BOW, _PITCH, _FLAT, _TIP, _BLADE = 30, 15, 5, 12, 30


def pin_stacks(pinning: Pinning) -> Markup:
    """The stacks with the shallowest operating cut under each: bottom pins white, master pins black, build-up
    pins grey, top pins pale, the shear line across.
    """
    shear = max(_above(pins) for pins in pinning.chambers) + _SPRING
    below = max(_tall(pins.bottom) for pins in pinning.chambers) + 4
    width = len(pinning.chambers) * _CHAMBER + 4
    parts = []
    for index, pins in enumerate(pinning.chambers):
        parts.append(_stack(2 + index * _CHAMBER + (_CHAMBER - _PIN) / 2, shear, below, pins))
    parts.append(
        Markup('<line x1="0" y1="{y}" x2="{w}" y2="{y}" stroke="{c}" stroke-width="1.6"/>').format(
            y=shear, w=width, c=_ACCENT
        )
    )
    return _svg("Pin stacks, bow at the left, the shear line across", width, shear + below, parts)


def _tall(size: int) -> int:
    return _SHORTEST + _STEP * max(size, 0)


def _above(pins: ChamberPins) -> int:
    between = [*pins.masters, pins.buildup or 0]
    return sum(_STEP * max(size, 0) for size in between) + _tall(pins.top if pins.top is not None else 4)


def _stack(left: float, shear: int, below: int, pins: ChamberPins) -> Markup:
    wall = Markup('<path d="M{x} 0V{y}" stroke="{c}" stroke-width="0.6"/>')
    parts = [wall.format(x=x, y=shear + below, c=_GREY) for x in (left - 1.5, left + _PIN + 1.5)]
    foot = shear + _tall(pins.bottom)
    parts.append(
        Markup('<path d="M{l} {s}V{f}L{m} {t}L{r} {f}V{s}Z" fill="#fff" stroke="{c}"/>').format(
            l=_n(left), s=shear, f=foot - 4, m=_n(left + _PIN / 2), t=foot, r=_n(left + _PIN), c=_INK
        )
    )
    parts.append(_figure(left, shear, _tall(pins.bottom) - 2, pins.bottom, _INK))
    y = shear
    for size in pins.masters:
        y = _block(parts, left, y, _STEP * max(size, 0), size, _INK, "#fff")
    if pins.buildup is not None:
        y = _block(parts, left, y, _STEP * max(pins.buildup, 0), pins.buildup, _GREY, _INK)
    y = _block(parts, left, y, _tall(pins.top if pins.top is not None else 4), pins.top, _PALE, _INK)
    turns = " ".join(f"{_n(left + (4 if turn % 2 else _PIN - 4))},{_n(y - turn * y / 6)}" for turn in range(7))
    parts.append(
        Markup('<polyline points="{p}" fill="none" stroke="{c}" stroke-width="0.8"/>').format(p=turns, c=_GREY)
    )
    return Markup("").join(parts)


def _block(parts: list[Markup], left: float, bottom: int, height: int, size: int | None, fill: str, ink: str) -> int:
    """Put a pin on top of what stands at `bottom`; gives where its own top is."""
    top = bottom - height
    parts.append(
        Markup('<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{f}" stroke="{c}" stroke-width="0.8"/>').format(
            x=_n(left), y=top, w=_PIN, h=height, f=fill, c=_INK if fill != _INK else "#fff"
        )
    )
    if size is not None:
        parts.append(_figure(left, top, height, size, ink))
    return top


def _figure(left: float, top: int, height: int, size: int, ink: str) -> Markup:
    if height < _TEXT_NEEDS:
        return Markup("")
    return Markup(
        '<text x="{x}" y="{y}" fill="{c}" font-size="9" font-weight="600" text-anchor="middle">{size}</text>'
    ).format(x=_n(left + _PIN / 2), y=_n(top + height / 2 + 3.2), c=ink, size=size)


def key_profile(spec: BittingSpec, bitting: Bitting) -> Markup:
    """A key's outline from the side, its cuts as deep as their depth numbers say."""
    drop = 20 / max(spec.depths - 1, 1)  # the deepest cut leaves a third of the blade, whatever the depths
    top = 4.0
    points: list[tuple[float, float]] = [(_BOW, top)]
    for index, depth in enumerate(bitting):
        middle = _BOW + 10 + index * _PITCH
        y = top + (depth - spec.first_depth) * drop
        points += [(middle - _FLAT / 2, y), (middle + _FLAT / 2, y)]
    end = points[-1][0] + _TIP
    points += [(end - 4, top + 8), (end, top + _BLADE * 0.55), (end - 6, top + _BLADE), (_BOW, top + _BLADE)]
    outline = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
    parts = [
        Markup('<circle cx="15" cy="{y}" r="14.2" fill="#fff" stroke="{c}"/>').format(y=_n(top + _BLADE / 2), c=_INK),
        Markup('<circle cx="9" cy="{y}" r="3" fill="#fff" stroke="{c}"/>').format(y=_n(top + _BLADE / 2), c=_INK),
        Markup('<polygon points="{p}" fill="{f}" stroke="{c}" stroke-linejoin="round"/>').format(
            p=outline, f=_PALE, c=_INK
        ),
    ]
    return _svg("The key's profile, bow at the left", end + 2, top + _BLADE + 3, parts)


def _svg(title: str, width: float, height: float, parts: Sequence[Markup]) -> Markup:
    # The size is the template's business (a class); the viewBox keeps the shape.
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" font-family="Source Sans 3">'
        "<title>{title}</title>{parts}</svg>"
    ).format(w=_n(width), h=_n(height), title=title, parts=Markup("").join(parts))


def _n(number: float) -> str:
    """A coordinate with at most two places."""
    return f"{number:.2f}".rstrip("0").rstrip(".")
