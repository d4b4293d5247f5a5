"""Small drawings for the bench, as SVG: a cylinder's pin stacks and a key's profile. Bow at the left, tip right.

Drawn in increments, not to any maker's scale; the figures stand in a table beside each drawing. A drawing
tells a bitting as plainly as its digits do: it belongs on confidential paper only.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from app.keying import Bitting, BittingSpec, ChamberPins, KeyStop, Pinning

_INK, _ACCENT, _GRAY, _PALE = "#000", "#8a4a12", "#9a9a9a", "#e4e4e4"

# Pin stacks, in drawing units.
_CHAMBER, _PIN, _STEP, _SHORTEST = 30, 20, 5, 9
_SPRING = 16
_TEXT_NEEDS = 9  # a pin lower than this has no room for its figure

# Key profile, in drawing units.
_BOW, _PITCH, _FLAT, _TIP, _BLADE = 30, 15, 5, 12, 30


def pin_stacks(pinning: Pinning) -> Markup:
    """The stacks with the shallowest operating cut under each: bottom pins white, master pins black, build-up
    pins gray, top pins pale, the shear line across.
    """
    shear = max(_above(pins) for pins in pinning.chambers) + _SPRING
    below = max(_tall(pins.bottom) for pins in pinning.chambers) + 4
    width = len(pinning.chambers) * _CHAMBER + 4
    stacks = _Stacks(shear, shear + below)
    for index, pins in enumerate(pinning.chambers):
        stacks.add(2 + index * _CHAMBER + (_CHAMBER - _PIN) / 2, pins)
    line = Markup('<path d="M0 {y}H{w}" stroke="{c}" stroke-width="1.6"/>').format(y=shear, w=width, c=_ACCENT)
    return _svg("Pin stacks, bow at the left, the shear line across", width, shear + below, [*stacks.parts(), line])


def _tall(size: int) -> int:
    return _SHORTEST + _STEP * max(size, 0)


def _above(pins: ChamberPins) -> int:
    between = [*pins.masters, pins.ball, pins.buildup or 0]
    return sum(_STEP * max(size, 0) for size in between) + _tall(pins.top if pins.top is not None else 4)


@dataclass(slots=True)
class _Stacks:
    """All pins of one look in one path: a job's sheet has hundreds of drawings, and each element costs in print."""

    shear: int
    floor: int
    walls: list[str] = field(default_factory=list)
    bottoms: list[str] = field(default_factory=list)
    springs: list[str] = field(default_factory=list)
    pins: dict[str, list[str]] = field(default_factory=lambda: {_INK: [], _GRAY: [], _PALE: []})
    figures: list[Markup] = field(default_factory=list)

    def add(self, left: float, pins: ChamberPins) -> None:
        """Put one chamber's pins up from the bottom pin, and the spring on top."""
        self.walls += [f"M{_n(x)} 0V{self.floor}" for x in (left - 1.5, left + _PIN + 1.5)]
        foot = self.shear + _tall(pins.bottom)
        right, middle = _n(left + _PIN), _n(left + _PIN / 2)
        self.bottoms.append(f"M{_n(left)} {self.shear}V{foot - 4}L{middle} {foot}L{right} {foot - 4}V{self.shear}Z")
        self._figure(left, self.shear, _tall(pins.bottom) - 2, pins.bottom)
        y = self.shear
        for size in pins.masters:
            y = self._pin(left, y, _STEP * max(size, 0), size, _INK)
        if pins.ball:
            self._ball(left, y, _STEP * pins.ball, pins.ball)
            y -= _STEP * pins.ball
        if pins.buildup is not None:
            y = self._pin(left, y, _STEP * max(pins.buildup, 0), pins.buildup, _GRAY)
        y = self._pin(left, y, _tall(pins.top if pins.top is not None else 4), pins.top, _PALE)
        turns = [f"{_n(left + (4 if turn % 2 else _PIN - 4))} {_n(y - turn * y / 6)}" for turn in range(7)]
        self.springs.append("M" + "L".join(turns))

    def _ball(self, left: float, bottom: int, height: int, size: int) -> None:
        """What a first turn of a permanent key loses stands round on the pins under it."""
        arc = f"a{_n(_PIN / 2)} {_n(height / 2)} 0 1 0"
        self.pins[_PALE].append(f"M{_n(left)} {_n(bottom - height / 2)}{arc} {_PIN} 0{arc} -{_PIN} 0Z")
        self._figure(left, bottom - height, height, size)

    def _pin(self, left: float, bottom: int, height: int, size: int | None, fill: str) -> int:
        """Put a pin on top of what stands at `bottom`; gives where its own top is."""
        top = bottom - height
        self.pins[fill].append(f"M{_n(left)} {top}h{_PIN}v{height}h-{_PIN}Z")
        if size is not None:
            self._figure(left, top, height, size, Markup(' fill="#fff"') if fill == _INK else "")
        return top

    def _figure(self, left: float, top: int, height: int, size: int, ink: str = "") -> None:
        if height >= _TEXT_NEEDS:
            self.figures.append(
                Markup('<text x="{x}" y="{y}"{ink}>{size}</text>').format(
                    x=_n(left + _PIN / 2), y=_n(top + height / 2 + 3.2), ink=ink, size=size
                )
            )

    def parts(self) -> list[Markup]:
        """The drawing's elements, what lies behind first."""
        path = Markup('<path d="{d}" fill="{f}" stroke="{c}" stroke-width="{w}"/>')
        looks = [
            (self.walls, "none", _GRAY, "0.6"),
            (self.bottoms, "#fff", _INK, "1"),
            *((drawn, fill, "#fff" if fill == _INK else _INK, "0.8") for fill, drawn in self.pins.items()),
            (self.springs, "none", _GRAY, "0.8"),
        ]
        found = [path.format(d="".join(drawn), f=fill, c=ink, w=wide) for drawn, fill, ink, wide in looks if drawn]
        group = Markup('<g fill="{c}" font-size="9" font-weight="600" text-anchor="middle">{figures}</g>')
        return [*found, group.format(c=_INK, figures=Markup("").join(self.figures))]


def key_profile(spec: BittingSpec, bitting: Bitting) -> Markup:
    """A key's outline from the side, its cuts as deep as their depth numbers say, a mark under the blade where it
    stops. One that stops at the tip ends blunt, and has no shoulder.
    """
    drop = 20 / max(spec.depths - 1, 1)  # the deepest cut leaves a third of the blade, whatever the depths
    top = 4.0
    points: list[tuple[float, float]] = [(_BOW, top)]
    for index, depth in enumerate(bitting):
        middle = _BOW + 10 + index * _PITCH
        y = top + (depth - spec.first_depth) * drop
        points += [(middle - _FLAT / 2, y), (middle + _FLAT / 2, y)]
    end, back = points[-1][0] + _TIP, top + _BLADE
    if spec.stop is KeyStop.TIP:
        points += [(end, top + 8), (end, back), (_BOW, back)]
    else:
        points += [(end - 4, top + 8), (end, top + _BLADE * 0.55), (end - 6, back), (_BOW, back)]
    stop = end if spec.stop is KeyStop.TIP else _BOW
    outline = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
    parts = [
        Markup('<circle cx="15" cy="{y}" r="14.2" fill="#fff" stroke="{c}"/>').format(y=_n(top + _BLADE / 2), c=_INK),
        Markup('<circle cx="9" cy="{y}" r="3" fill="#fff" stroke="{c}"/>').format(y=_n(top + _BLADE / 2), c=_INK),
        Markup('<polygon points="{p}" fill="{f}" stroke="{c}" stroke-linejoin="round"/>').format(
            p=outline, f=_PALE, c=_INK
        ),
        Markup('<path d="M{x} {y}l-3 5h6z" fill="{c}"/>').format(x=_n(stop), y=_n(back + 0.8), c=_ACCENT),
    ]
    title = f"The key's profile, bow at the left; it stops at the {spec.stop}, the mark below it"
    return _svg(title, end + 3.5, back + 7, parts)


def _svg(title: str, width: float, height: float, parts: Sequence[Markup]) -> Markup:
    # The size is the template's business (a class); the viewBox keeps the shape.
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" font-family="Source Sans 3">'
        "<title>{title}</title>{parts}</svg>"
    ).format(w=_n(width), h=_n(height), title=title, parts=Markup("").join(parts))


def _n(number: float) -> str:
    """A coordinate with at most two places."""
    return f"{number:.2f}".rstrip("0").rstrip(".")
