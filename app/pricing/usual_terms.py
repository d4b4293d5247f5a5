"""A bench's terms out of five answers, a factory's out of two, and prices to begin with; all can be changed."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.pricing.money import Cents, half_up
from app.pricing.terms import BenchTerms, CylinderType, FactoryTerms, KeyingKind, Minutes

MOST_HOUR = 100_000  # cents
MOST_DAY = 24 * 60


@dataclass(frozen=True, slots=True)
class BenchAnswers:
    """What an owner knows of the bench offhand.

    hour_cents: what an hour of it costs. day_minutes: that somebody is at it in a working day. pin_minutes: for one
    cylinder, from the drawer to the check. key_minutes: to cut one. levels: of the largest system that is keyed here;
    1 where nothing is keyed under a master.
    """

    hour_cents: Cents = 4_500
    day_minutes: Minutes = Fraction(360)
    pin_minutes: Minutes = Fraction(10)
    key_minutes: Minutes = Fraction(3, 2)
    levels: int = 3


_KEYED_BELOW = {
    KeyingKind.MK: 2,
    KeyingKind.GMK: 3,
    KeyingKind.GGMK: 4,
}
# Shares of the minutes for a cylinder, and pins for one of six chambers: common practice, no source.
_OF_TYPE = {
    CylinderType.MORTISE: Fraction(6, 10),
    CylinderType.RIM: Fraction(6, 10),
    CylinderType.BORED: Fraction(8, 10),
    CylinderType.SFIC: Fraction(7, 10),
    CylinderType.LFIC: Fraction(9, 10),
    CylinderType.DEADBOLT: Fraction(8, 10),
    CylinderType.LOCKSET: Fraction(1),
    CylinderType.PADLOCK: Fraction(9, 10),
    CylinderType.CABINET: Fraction(8, 10),
}
_OF_KIND = {
    KeyingKind.KD: Fraction(2, 10),
    KeyingKind.KA: Fraction(2, 10),
    KeyingKind.SKD: Fraction(2, 10),
    KeyingKind.MK: Fraction(5, 10),
    KeyingKind.GMK: Fraction(7, 10),
    KeyingKind.GGMK: Fraction(9, 10),
    KeyingKind.NONE: Fraction(0),
}
_SET_UP = {KeyingKind.MK: Fraction(9, 2), KeyingKind.GMK: Fraction(9), KeyingKind.GGMK: Fraction(15)}
_PINS = {
    KeyingKind.KD: 12,
    KeyingKind.KA: 12,
    KeyingKind.SKD: 12,
    KeyingKind.MK: 16,
    KeyingKind.GMK: 19,
    KeyingKind.GGMK: 21,
}
_CHECKING, _EXTENDING, _KEPT_BACK = Fraction(2, 10), Fraction(2), Fraction(1, 12)
# A factory's keying of each kind, and its setting up of a system, in shares of its keying different: from the same
# source, none.
_FACTORY = {
    KeyingKind.KD: Fraction(1),
    KeyingKind.KA: Fraction(5, 4),
    KeyingKind.SKD: Fraction(5, 4),
    KeyingKind.MK: Fraction(9, 4),
    KeyingKind.GMK: Fraction(11, 4),
    KeyingKind.GGMK: Fraction(7, 2),
}
_FACTORY_SET_UP = {KeyingKind.MK: 60, KeyingKind.GMK: 120, KeyingKind.GGMK: 210}
_PIN_CENTS, _BLANK_CENTS, _CUT_CENTS = 4, 45, 8
_LEAD_DAYS = 6


def usual_bench_terms(answers: BenchAnswers) -> BenchTerms:
    """The terms of a bench of which no more is known than these answers.

    Minutes are rounded to quarters. Raises BitternError on the answer that cannot be.

    >>> terms = usual_bench_terms(BenchAnswers(pin_minutes=Fraction(10), levels=2))
    >>> terms.type_minutes[CylinderType.MORTISE] + terms.kind_minutes[KeyingKind.KD] + terms.checking_minutes
    Fraction(10, 1)
    >>> KeyingKind.MK in terms.kind_minutes, KeyingKind.GMK in terms.kind_minutes
    (True, False)
    """
    for field, value, most, said in (
        ("hour_cents", answers.hour_cents, MOST_HOUR, "Enter what an hour at the bench costs, to $1,000."),
        (
            "day_minutes",
            answers.day_minutes,
            MOST_DAY,
            "Enter the minutes of a working day at the bench, 1 to 1,440.",
        ),
        ("pin_minutes", answers.pin_minutes, MOST_DAY, "Enter the minutes for a cylinder, 1 to 1,440."),
        ("key_minutes", answers.key_minutes, MOST_DAY, "Enter the minutes for a key, to 1,440."),
    ):
        if not (0 < value <= most):
            raise BitternError(field, said)
    if not 1 <= answers.levels <= 4:
        raise BitternError("levels", "Choose the largest system that is keyed here.")
    kinds = [kind for kind in _OF_KIND if _KEYED_BELOW.get(kind, 1) <= answers.levels]

    def of(shares: Mapping[KeyingKind, Fraction]) -> dict[KeyingKind, Fraction]:
        return {kind: _quarters(answers.pin_minutes * shares[kind]) for kind in kinds if kind in shares}

    return BenchTerms(
        labour_cents_per_hour=answers.hour_cents,
        setup_minutes=of(_SET_UP),
        extension_minutes=_quarters(answers.pin_minutes * _EXTENDING),
        type_minutes={one: _quarters(answers.pin_minutes * share) for one, share in _OF_TYPE.items()},
        kind_minutes=of(_OF_KIND),
        checking_minutes=_quarters(answers.pin_minutes * _CHECKING),
        key_minutes=answers.key_minutes,
        key_cut_cents=_CUT_CENTS,
        key_blank_cents=_BLANK_CENTS,
        pins={kind: _PINS[kind] for kind in kinds if kind in _PINS},
        pin_cents=_PIN_CENTS,
        minutes_per_day=answers.day_minutes,
        reserve_minutes_per_day=Fraction(int(answers.day_minutes * _KEPT_BACK)),
        uncombinated_lead_days=_LEAD_DAYS,
    )


def answers_of(terms: BenchTerms) -> BenchAnswers | None:
    """The five answers out of which these terms came; None where somebody has changed a figure since.

    >>> answers_of(usual_bench_terms(BenchAnswers(levels=2))) == BenchAnswers(levels=2)
    True
    """
    answers = BenchAnswers(
        terms.labour_cents_per_hour,
        terms.minutes_per_day,
        terms.extension_minutes / _EXTENDING,
        terms.key_minutes,
        max([_KEYED_BELOW.get(kind, 1) for kind in terms.kind_minutes], default=1),
    )
    try:
        return answers if usual_bench_terms(answers) == terms else None
    except BitternError:
        return None


def _quarters(minutes: Fraction) -> Fraction:
    return Fraction(round(minutes * 4), 4)


def usual_factory_terms(maker: str, keyed_cents: Cents, lead_days: int) -> FactoryTerms:
    """A maker's terms of which no more is known than what keying a cylinder different costs there, and how long it
    takes. Its other kinds, and setting up a system, follow; least quantities, freight and records are to be entered.
    """
    if not 0 < keyed_cents <= MOST_HOUR:
        raise BitternError("keyed_cents", "Enter what the maker asks for keying a cylinder different, to $1,000.")
    return FactoryTerms(
        maker=maker,
        setup_cents={kind: keyed_cents * times for kind, times in _FACTORY_SET_UP.items()},
        extension_cents=keyed_cents * 30,
        per_cylinder_cents={kind: half_up(keyed_cents * share) for kind, share in _FACTORY.items()},
        per_key_cents=half_up(keyed_cents * Fraction(2, 5)),
        keys_included=2,
        lead_working_days=lead_days,
    )


def usual_price(terms: BenchTerms, minutes: Fraction, goods_cents: Cents = 0) -> Cents:
    """A price to begin with: twice what the minutes and goods cost, in whole quarter dollars.

    >>> usual_price(usual_bench_terms(BenchAnswers()), Fraction(2))
    300
    """
    cents = 2 * (terms.labour_cents_per_hour * minutes / 60 + goods_cents)
    return max(25, half_up(cents / 25) * 25)
