"""Does it fit the door and the lock: cylinder length, tailpiece, bore and backset, thread and body."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from app.errors import BitternError
from app.fitting.inches import show_inches
from app.fitting.reference import trade_fact

LABEL_CAUTION = (
    "Drilling a fire-rated door in the field is limited by its label and the local code: ask before drilling."
)


def tolerance() -> Fraction:
    """What is less than this is no gap and no shortfall, in inches: half a turn of the common thread.

    >>> tolerance()
    Fraction(1, 64)
    """
    return trade_fact("fit_tolerance").value


def _more_than_nothing(question: object, **words: str) -> None:
    for field, what in words.items():
        if getattr(question, field) <= 0:
            raise BitternError(field, f"Enter {what}, more than 0.")


@dataclass(frozen=True, slots=True)
class LengthQuestion:
    """A door and what is stocked, all in inches.

    `trim` is whatever stands between the door's face and the cylinder's head; `cam_depth` is the depth from
    the case's face to the back of the cam; the lock sits in the middle of the door.
    """

    door: Fraction
    case: Fraction
    trim: Fraction
    cam_depth: Fraction
    lengths: tuple[Fraction, ...]
    rings: tuple[Fraction, ...] = ()


@dataclass(frozen=True, slots=True)
class LengthFit:
    """The answer, in inches; `chosen`, `ring` and `projection` are None when nothing is long enough.

    `projection` is how far the head still stands proud with the ring on; below 0, how far the cam stays short of its
    place. Within the tolerance neither counts.
    """

    required: Fraction
    chosen: Fraction | None
    ring: Fraction | None
    projection: Fraction | None
    warnings: tuple[str, ...]

    @property
    def is_flush(self) -> bool:
        """Whether head and cam are where they belong, what is less than the tolerance aside."""
        return self.projection is not None and abs(self.projection) < tolerance()


def required_length(door: Fraction, case: Fraction, trim: Fraction, cam_depth: Fraction) -> Fraction:
    """(door − case) / 2 + trim + cam depth, exactly. From memory of the trade; no published source.

    >>> required_length(Fraction(7, 4), Fraction(1), Fraction(0), Fraction(3, 4))
    Fraction(9, 8)
    """
    if door <= 0:
        raise BitternError("door", "Enter the door's thickness, more than 0.")
    if case <= 0:
        raise BitternError("case", "Enter the thickness of the lock's case, more than 0.")
    if case > door:
        raise BitternError("case", f"A case of {show_inches(case)} in is thicker than the door.")
    if cam_depth <= 0:
        raise BitternError("cam_depth", "Enter the depth from the case's face to the back of the cam.")
    return (door - case) / 2 + trim + cam_depth


def _ring(gap: Fraction, rings: Sequence[Fraction]) -> Fraction:
    """The thickest ring that does not pull the cam away from the lock; 0 for none, or where there is no gap."""
    if gap < tolerance():
        return Fraction(0)
    return max((ring for ring in rings if ring - gap < tolerance()), default=Fraction(0))


def fit_length(question: LengthQuestion) -> LengthFit:
    """The next stocked length up and the one ring that makes up the rest.

    A thicker ring than the gap would hold the cam short of the lock, so the ring never exceeds it. A projection that
    is left is a security fault and is warned of. What is less than `tolerance` is neither a gap nor a shortfall.
    BitternError names a bad measure.

    >>> inch = Fraction
    >>> fit = fit_length(LengthQuestion(inch(2), inch(1), inch(0), inch(3, 4),
    ...     (inch(9, 8), inch(11, 8)), (inch(1, 8),)))
    >>> fit.required, fit.chosen, fit.ring, fit.projection
    (Fraction(5, 4), Fraction(11, 8), Fraction(1, 8), Fraction(0, 1))
    """
    required = required_length(question.door, question.case, question.trim, question.cam_depth)
    if not question.lengths:
        raise BitternError("lengths", "Give at least one stocked length.")
    if min(question.lengths) <= 0:
        raise BitternError("lengths", "Every stocked length must be more than 0.")
    if question.rings and min(question.rings) <= 0:
        raise BitternError("rings", "Every ring's thickness must be more than 0.")
    enough = sorted(length for length in question.lengths if required - length < tolerance())
    if not enough:
        longest = show_inches(max(question.lengths))
        text = (
            f"No stocked length reaches {show_inches(required)} in; the longest is {longest} in and its cam "
            "would not work the lock."
        )
        return LengthFit(required, None, None, None, (text,))
    chosen = enough[0]
    ring = _ring(chosen - required, question.rings)
    projection = chosen - required - ring
    warnings = []
    if projection >= tolerance():
        warnings.append(
            f"The head stands proud by {show_inches(projection)} in, more than a ring here can cover: "
            "a wrench can get hold of it."
        )
        for longer in enough[1:]:
            flush = _ring(longer - required, question.rings)
            if abs(longer - required - flush) < tolerance():
                warnings.append(f"{show_inches(longer)} in with a {show_inches(flush)} in ring would sit flush.")
                break
    return LengthFit(required, chosen, ring, projection, tuple(warnings))


def fit_both_positions(question: LengthQuestion, inside_trim: Fraction) -> tuple[LengthFit, LengthFit]:
    """The outside and the inside cylinder of one lock; they differ by the trim on each face."""
    return fit_length(question), fit_length(replace(question, trim=inside_trim))


@dataclass(frozen=True, slots=True)
class TailpieceQuestion:
    """A rim cylinder in its door, in inches.

    `length` is the cylinder from the underside of its head; `trim` what stands under the head; the tailpiece
    must reach from `reach_least` to `reach_most` past the door's inner face, into the lock; `supplied` is the
    uncut tailpiece, and `notch` the way between its break-off notches (None: cut anywhere).
    """

    door: Fraction
    length: Fraction
    trim: Fraction
    reach_least: Fraction
    reach_most: Fraction
    supplied: Fraction
    notch: Fraction | None = None


@dataclass(frozen=True, slots=True)
class TailpieceFit:
    """The answer, in inches from the back of the body; `cut_to` is None when the tailpiece is too short or no
    notch lies right."""

    least: Fraction
    most: Fraction
    cut_to: Fraction | None
    cut_off: Fraction | None
    warnings: tuple[str, ...]


def _check_tailpiece(question: TailpieceQuestion) -> None:
    _more_than_nothing(
        question, door="the door's thickness", length="the cylinder's length", supplied="the tailpiece's length"
    )
    if question.reach_least > question.reach_most:
        raise BitternError("reach_least", "The least reach is more than the most: swap them.")
    if question.notch is not None and question.notch <= 0:
        raise BitternError("notch", "The way between notches must be more than 0; leave it out to cut anywhere.")


def fit_tailpiece(question: TailpieceQuestion) -> TailpieceFit:
    """door − (length − trim) + reach: the body fills the first part of the door, the tailpiece the rest.

    From memory of the trade; no published source. Notches count from the body. The longest cut that does not
    bottom in the lock is chosen.

    >>> inch = Fraction
    >>> fit = fit_tailpiece(TailpieceQuestion(
    ...     inch(7, 4), inch(9, 8), inch(0), inch(1, 4), inch(1, 2), inch(5, 2), inch(1, 8)))
    >>> str(fit.least), str(fit.most), str(fit.cut_to), str(fit.cut_off)
    ('7/8', '9/8', '9/8', '11/8')
    """
    _check_tailpiece(question)
    body = question.length - question.trim
    least = max(question.door - body + question.reach_least, Fraction(0))
    most = question.door - body + question.reach_most
    warnings = []
    if body > question.door:
        warnings.append(
            f"The body goes through the door and stands {show_inches(body - question.door)} in into the lock: "
            "take a shorter cylinder or more trim."
        )
    if most <= 0:
        warnings.append("There is no room for a tailpiece.")
        return TailpieceFit(least, most, None, None, tuple(warnings))
    cut = min(most, question.supplied)
    if question.notch is not None and cut < question.supplied:
        cut = (cut // question.notch) * question.notch
    if cut < least:
        if question.supplied < least:
            warnings.append(
                f"The tailpiece is {show_inches(least - question.supplied)} in too short: order a longer one."
            )
        else:
            warnings.append("No break-off notch lies between the least and the most: cut between the notches.")
        return TailpieceFit(least, most, None, None, tuple(warnings))
    return TailpieceFit(least, most, cut, question.supplied - cut, tuple(warnings))


@dataclass(frozen=True, slots=True)
class BoreQuestion:
    """A stile, the backsets to be had and the hole in the door, in inches; the hole's limits may be None.

    `glass_stop` is what a glass stop covers of the stile on its inner side.
    """

    stile: Fraction
    backsets: tuple[Fraction, ...]
    bore: Fraction
    bore_min: Fraction | None = None
    bore_max: Fraction | None = None
    glass_stop: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class BoreFit:
    """The answer, in inches.

    `offset_from_center` is chosen − centered: negative is nearer the door's edge. `edge_left` is the least
    of the stile left beside the hole, the smaller of the door-edge side and the inner side, which ends at the glass
    stop where there is one.
    """

    centered_backset: Fraction
    chosen: Fraction
    offset_from_center: Fraction
    door_edge_left: Fraction
    inner_edge_left: Fraction
    edge_left: Fraction
    warnings: tuple[str, ...]

    @property
    def is_centered(self) -> bool:
        """Whether the bolt sits in the middle of the stile, what is less than the tolerance aside."""
        return abs(self.offset_from_center) < tolerance()


def _check_bore(question: BoreQuestion) -> None:
    _more_than_nothing(question, stile="the stile", bore="the bore")
    if not question.backsets:
        raise BitternError("backsets", "Give at least one backset.")
    if min(question.backsets) <= 0:
        raise BitternError("backsets", "Every backset must be more than 0.")
    low, high = question.bore_min, question.bore_max
    if low is not None and high is not None and low > high:
        raise BitternError("bore_min", "The least hole is larger than the largest: swap them.")
    if question.glass_stop >= question.stile:
        raise BitternError("glass_stop", "The glass stop covers the whole stile: enter how much of it.")
    if question.bore >= question.stile:
        raise BitternError("bore", f"A hole of {show_inches(question.bore)} in leaves nothing of the stile.")


def fit_bore(question: BoreQuestion) -> BoreFit:
    """The backset nearest the middle of the stile (the longer of two as near), and what to watch for.

    Backsets and bores are common practice, no source; the house enters what its makers name.

    >>> inch = Fraction
    >>> fit = fit_bore(BoreQuestion(inch(4), (inch(2), inch(19, 8), inch(11, 4)), inch(17, 8)))
    >>> fit.chosen, fit.offset_from_center, fit.edge_left
    (Fraction(2, 1), Fraction(0, 1), Fraction(15, 16))
    """
    _check_bore(question)
    centered = question.stile / 2
    chosen = min(question.backsets, key=lambda backset: (abs(backset - centered), -backset))
    offset = chosen - centered
    door_edge = chosen - question.bore / 2
    inner_edge = question.stile - question.glass_stop - chosen - question.bore / 2
    left = min(door_edge, inner_edge)
    warnings = []
    if abs(offset) >= tolerance():
        side = "nearer the door's edge" if offset < 0 else "farther from the door's edge"
        warnings.append(
            f"The bolt is not centered: {show_inches(abs(offset))} in {side} than the middle of the stile."
        )
    if min(door_edge, inner_edge + question.glass_stop) <= 0:
        warnings.append("The hole breaks out of the stile: this bolt does not fit here.")
    elif inner_edge < 0:
        warnings.append(
            f"The hole runs {show_inches(-inner_edge)} in under the glass stop: this bolt does not fit here."
        )
    low, high = question.bore_min, question.bore_max
    if low is not None and question.bore < low:
        warnings.append(f"The hole must be opened up to {show_inches(low)} in at least. {LABEL_CAUTION}")
    if high is not None and question.bore > high:
        warnings.append(f"The hole is larger than the {show_inches(high)} in that the lock can cover.")
    return BoreFit(centered, chosen, offset, door_edge, inner_edge, left, tuple(warnings))


@dataclass(frozen=True, slots=True)
class MortiseBody:
    """A threaded body, or the hole for one: diameter in inches and threads per inch."""

    diameter: Fraction
    threads_per_inch: int


@dataclass(frozen=True, slots=True)
class ThreadFit:
    """Whether it goes in, and why not."""

    fits: bool
    reasons: tuple[str, ...]


def common_body() -> MortiseBody:
    """The usual body, 1-5/32 in with 32 threads per inch: common practice, no source.

    >>> common_body()
    MortiseBody(diameter=Fraction(37, 32), threads_per_inch=32)
    """
    diameter, threads = trade_fact("mortise_diameter"), trade_fact("mortise_threads_per_inch")
    return MortiseBody(diameter.value, int(threads.value))


def fit_thread(cylinder: MortiseBody, lock: MortiseBody) -> ThreadFit:
    """A cylinder goes in when both diameter and thread agree; some odd sizes exist, larger and smaller.

    >>> fit_thread(MortiseBody(Fraction(1), 32), common_body()).reasons
    ('The body is 5/32 in too small for the hole (1 in for 1-5/32 in): it needs a lock of its own size.',)
    """
    for field, body in (("cylinder", cylinder), ("lock", lock)):
        if body.diameter <= 0 or body.threads_per_inch <= 0:
            raise BitternError(field, "Enter a diameter and threads per inch, both more than 0.")
    reasons = []
    if cylinder.diameter != lock.diameter:
        size = "large" if cylinder.diameter > lock.diameter else "small"
        apart = show_inches(abs(cylinder.diameter - lock.diameter))
        sizes = f"{show_inches(cylinder.diameter)} in for {show_inches(lock.diameter)} in"
        reasons.append(f"The body is {apart} in too {size} for the hole ({sizes}): it needs a lock of its own size.")
    if cylinder.threads_per_inch != lock.threads_per_inch:
        reasons.append(
            f"The threads differ: {cylinder.threads_per_inch} to the inch on the cylinder, "
            f"{lock.threads_per_inch} in the lock. Do not force it."
        )
    return ThreadFit(not reasons, tuple(reasons))
