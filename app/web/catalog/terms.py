"""The owner's pages about what keying takes on the bench and costs at a maker's factory, from a day on."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any, ClassVar

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, Field, HiddenField, StringField, TextAreaField
from wtforms.validators import InputRequired, Length

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.house_settings import set_bench_terms, set_factory_terms
from app.ledger.catalog.maker_queries import factory_terms_by_maker, get_maker
from app.ledger.catalog.price_queries import dated_bench_terms, terms_mark
from app.ledger.stock.free_stock import unpinned_on_shelf
from app.ledger.store.errors import Stale
from app.pricing import CylinderType, KeyingKind
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import CentsField, DayField, WholeField
from app.web.forms_base import Done, Outcome, PageForm, flash_and_redirect, one_line, typed
from app.web.services import current_work

KINDS = tuple(KeyingKind)
ORDER_KINDS = tuple(kind for kind in KeyingKind if kind not in (KeyingKind.NONE, KeyingKind.OWN))
MASTER_KINDS = tuple(kind for kind in KeyingKind if kind.is_master_keyed)
TYPES = tuple(CylinderType)
STEPS = 5
_NUMERIC = {"inputmode": "decimal", "class": "amount"}


def _minutes(label: str, hint: str = "") -> StringField:
    return StringField(label, [Length(max=20)], filters=[_as_typed], description=hint, render_kw=_NUMERIC)


def _as_typed(value: Any) -> str | None:
    """A figure on record as if it had been typed: it stands in for a box that was not sent at all."""
    return None if value is None else str(value)


class TermsPage(PageForm):
    """What both forms share: the first day, and reading fields into the terms' JSON and back.

    `WORDS`: the fields of a map by word, as (name of the map, words); a field is named `map__word`.
    """

    WORDS: ClassVar[Mapping[str, Sequence[Any]]] = {}
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    seen = HiddenField()  # the mark of the terms on record when the page was made

    def one(self, name: str) -> Any:
        """The JSON value of a field; None while it is empty."""
        field: Any = self._fields[name]
        if isinstance(field, StringField) and not isinstance(field, (CentsField, WholeField)):
            text = one_line(str(field.data or ""))
            return (int(text) if text.isascii() and text.isdecimal() and len(text) < 9 else text) or (
                0 if text else None
            )
        return field.data

    def by_word(self, name: str) -> dict[str, Any]:
        """The JSON object of a map; words left empty are absent."""
        found = {str(word): self.one(f"{name}__{word}") for word in self.WORDS[name]}
        return {word: value for word, value in found.items() if value is not None}

    def run(self, use_case: Callable[[], Outcome]) -> Done[Outcome] | None:
        """As any form's; the paths of a refusal in the terms' JSON become the names of this form's fields."""

        def named() -> Outcome:
            try:
                return use_case()
            except Stale:
                raise
            except BitternError as error:
                problems = [Problem(self._field_of(each.field), each.message) for each in error.problems]
                raise Problems(problems) from error

        return super().run(named)

    def _field_of(self, path: str) -> str:
        plain = path.replace("].", "__").replace("[", "__").replace("]", "").replace(".", "__")
        return plain if plain in self._fields else plain.partition("__")[0]


def _start_of(terms: Mapping[str, Any], words: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    flat = {name: value for name, value in terms.items() if not isinstance(value, dict | list)}
    for name in words:
        flat.update({f"{name}__{word}": value for word, value in terms.get(name, {}).items()})
    return flat


class BenchTermsPage(TermsPage):
    """The bench's terms."""

    WORDS: ClassVar[Mapping[str, Sequence[Any]]] = {
        "setup_minutes": MASTER_KINDS,
        "type_minutes": TYPES,
        "kind_minutes": KINDS,
        "pins": ORDER_KINDS,
    }
    labour_cents_per_hour = CentsField("An hour at the bench costs", [InputRequired("Enter the cost of an hour.")])
    minutes_per_day = _minutes("Minutes at the bench in a day")
    reserve_minutes_per_day = _minutes(
        "Of these, minutes kept back",
        "For rush work and customers who wait: what is promised in its turn leaves them alone.",
    )
    minutes_promised = _minutes("Minutes promised outside Bittern", "Open jobs are added by themselves.")
    extension_minutes = _minutes("Extending a system, minutes")
    checking_minutes = _minutes("Checking a cylinder, minutes")
    construction_minutes = _minutes(
        "Setting a cylinder up for a construction key, minutes",
        "Its balls put in, and knocked out at the hand-over where the bench does that. Empty: 2.",
    )
    core_change_minutes = _minutes(
        "Fitting a construction core and changing it, minutes",
        "Beside pinning it as keyed alike; 0 where the site does it. Empty: 4.",
    )
    key_minutes = _minutes("Cutting a key, minutes")
    key_blank_cents = CentsField("A key blank costs")
    key_cut_cents = CentsField("Cutting a key costs", description="Wear and power, beside the minutes.")
    pin_cents = CentsField("A pin costs")
    uncombinated_lead_days = WholeField(
        "Working days until uncombinated cylinders come", most=5000, description="Empty: they cannot be had."
    )
    closed_days = TextAreaField("Closed days", description="One day a line, as 2026-12-25.", render_kw={"rows": 4})

    @staticmethod
    def start(terms: Mapping[str, Any]) -> dict[str, Any]:
        """What stands in the form at first."""
        return {**_start_of(terms, BenchTermsPage.WORDS), "closed_days": "\n".join(terms.get("closed_days", []))}

    def to_json(self) -> dict[str, Any]:
        """The terms' JSON, to be checked by the terms themselves."""
        names = [name for name in BenchTermsPage.__dict__ if name in self._fields and "__" not in name]
        given = {name: self.one(name) for name in names if name != "closed_days"}
        given |= {name: self.by_word(name) for name in self.WORDS}
        given["closed_days"] = (self.closed_days.data or "").split()
        return {name: value for name, value in given.items() if value is not None}


class FactoryTermsPage(TermsPage):
    """A maker's terms for keying at the factory."""

    WORDS: ClassVar[Mapping[str, Sequence[Any]]] = {
        "setup_cents": MASTER_KINDS,
        "per_cylinder_cents": ORDER_KINDS,
    }
    lead_working_days = WholeField("Lead time, working days", [InputRequired("Enter the lead time.")], most=5000)
    min_cylinders = WholeField("Least cylinders for keyed goods", most=100_000)
    min_order_cents = CentsField("Least order, goods alone")
    small_order_cents = CentsField("Charge for a smaller order", description="Empty: the maker takes none.")
    extension_cents = CentsField("Extending a system")
    per_key_cents = CentsField("Each further key")
    keys_included = WholeField("Keys included with a cylinder", most=100)
    untaken_key_cents = CentsField("Off for each of these not taken", description="Empty: nothing comes off.")
    holds_records = BooleanField("The maker keeps the records of systems it keyed")
    takes_records = BooleanField("The maker keys from records that the house sends")
    factory_only_keyways = StringField(
        "Keyways keyed at the factory only", [Length(max=2000)], description="Parted by commas."
    )
    authorised_keyways = StringField(
        "Restricted keyways", [Length(max=2000)], description="They need the owner's written word; parted by commas."
    )
    closed_days = TextAreaField("The maker's closed days", description="One day a line.", render_kw={"rows": 4})

    @staticmethod
    def start(terms: Mapping[str, Any]) -> dict[str, Any]:
        """What stands in the form at first."""
        flat = _start_of(terms, FactoryTermsPage.WORDS)
        for name, value in (("quantity_breaks", "percent_off"), ("freight", "cents")):
            for number, step in enumerate(terms.get(name, [])[:STEPS], 1):
                flat[f"{name}__{number}__quantity_from"] = step["quantity_from"]
                flat[f"{name}__{number}__{value}"] = step[value]
        for name in ("factory_only_keyways", "authorised_keyways"):
            flat[name] = ", ".join(terms.get(name, []))
        return {**flat, "closed_days": "\n".join(terms.get("closed_days", []))}

    def to_json(self, maker: str) -> dict[str, Any]:
        """The terms' JSON, to be checked by the terms themselves."""
        lists = ("closed_days", "factory_only_keyways", "authorised_keyways")
        names = [name for name in FactoryTermsPage.__dict__ if name in self._fields and "__" not in name]
        given: dict[str, Any] = {name: self.one(name) for name in names if name not in lists}
        given |= {name: self.by_word(name) for name in self.WORDS}
        given["quantity_breaks"] = self._steps("quantity_breaks", "percent_off")
        given["freight"] = self._steps("freight", "cents")
        given["closed_days"] = (self.closed_days.data or "").split()
        for name in lists[1:]:
            typed = str(self._fields[name].data or "")
            given[name] = [each.strip() for each in typed.split(",") if each.strip()]
        return {"maker": maker, **{name: value for name, value in given.items() if value is not None}}

    def _steps(self, name: str, value: str) -> list[dict[str, Any]]:
        """The steps that are filled in; an empty one may only stand behind them."""
        found = []
        for number in range(1, STEPS + 1):
            step = {
                "quantity_from": self.one(f"{name}__{number}__quantity_from"),
                value: self.one(f"{name}__{number}__{value}"),
            }
            if any(each is not None for each in step.values()):
                found.append(step)
        return found


def _add(form: type[TermsPage], name: str, field: Field) -> None:
    setattr(form, name, field)


for _kind in KINDS:
    _add(BenchTermsPage, f"kind_minutes__{_kind}", _minutes(f"{_kind} {_kind.words}, minutes a cylinder"))
for _kind in ORDER_KINDS:
    _add(BenchTermsPage, f"pins__{_kind}", WholeField(f"{_kind} {_kind.words}, pins a cylinder", most=1000))
    _add(FactoryTermsPage, f"per_cylinder_cents__{_kind}", CentsField(f"{_kind} {_kind.words}, each cylinder"))
for _kind in MASTER_KINDS:
    _add(BenchTermsPage, f"setup_minutes__{_kind}", _minutes(f"{_kind} {_kind.words}, minutes to set up a system"))
    _add(FactoryTermsPage, f"setup_cents__{_kind}", CentsField(f"{_kind} {_kind.words}, to set up a system"))
for _type in TYPES:
    _add(BenchTermsPage, f"type_minutes__{_type}", _minutes(f"{_type.words}, minutes a cylinder"))
for _number in range(1, STEPS + 1):
    _from = f"{_number}. from quantity"
    _add(FactoryTermsPage, f"quantity_breaks__{_number}__quantity_from", WholeField(_from, most=100_000))
    _add(FactoryTermsPage, f"quantity_breaks__{_number}__percent_off", _minutes(f"{_number}. percent off"))
    _add(FactoryTermsPage, f"freight__{_number}__quantity_from", WholeField(_from, most=100_000))
    _add(FactoryTermsPage, f"freight__{_number}__cents", CentsField(f"{_number}. freight"))


blueprint = Blueprint("terms", __name__, url_prefix="/prices")
_WORDS = {"kinds": tuple(KeyingKind), "types": tuple(CylinderType), "steps": range(1, STEPS + 1)}


def _latest(dated: Sequence[tuple[Any, str]]) -> dict[str, Any]:
    """The terms of now, else those of the latest day."""
    return next((row.terms for row, state in dated if state == "now"), dated[0][0].terms if dated else {})


def _start(dated: Sequence[tuple[Any, str]], today: date) -> dict[str, Any]:
    """The first day, today as for prices, and the mark of what is on record, as they stand in the form at first."""
    return {"valid_from": today, "seen": terms_mark(row for row, _ in dated)}


@blueprint.get("/bench-terms")
@owner_only
def bench() -> ResponseReturnValue:
    """What the bench costs and can do, now and as it was."""
    work = current_work()
    dated = dated_bench_terms(work.session, work.today)
    shelf = None
    if any(state == "now" for _, state in dated):
        shelf = {sort: (one.on_hand, one.free) for sort, one in unpinned_on_shelf(work.session, work.today).items()}
    return render_template("catalog/bench_terms.html", dated=dated, shelf=shelf, **_WORDS)


@blueprint.route("/bench-terms/change", methods=["GET", "POST"])
@owner_only
def change_bench() -> ResponseReturnValue:
    """The bench's terms from a day on."""
    work = current_work()
    about("price book")
    dated = dated_bench_terms(work.session, work.today)
    latest = _latest(dated)
    # What lies there is counted under Goods; a figure of earlier terms counts until somebody does.
    shelf = {"uncombinated_on_hand": latest.get("uncombinated_on_hand", {})}
    form = BenchTermsPage(data={**BenchTermsPage.start(latest), **_start(dated, work.today)})
    if form.run(lambda: set_bench_terms(work, form.valid_from.data, form.to_json() | shelf, typed(form.seen))):
        return flash_and_redirect("The bench's terms are saved.", "terms.bench")
    return render_template("catalog/change_bench_terms.html", form=form, **_WORDS), form.status


@blueprint.get("/factory-terms")
@owner_only
def factory() -> ResponseReturnValue:
    """Every maker's terms, side by side."""
    work = current_work()
    return render_template(
        "catalog/factory_terms.html", makers=factory_terms_by_maker(work.session, work.today), **_WORDS
    )


@blueprint.route("/factory-terms/<int:maker_id>", methods=["GET", "POST"])
@owner_only
def change_factory(maker_id: int) -> ResponseReturnValue:
    """One maker's terms from a day on."""
    work = current_work()
    about(f"maker {maker_id}")
    maker = get_maker(work.session, maker_id)
    named, code = maker.name, maker.code
    dated = factory_terms_by_maker(work.session, work.today).get(maker, [])
    form = FactoryTermsPage(data={**FactoryTermsPage.start(_latest(dated)), **_start(dated, work.today)})
    if form.run(lambda: set_factory_terms(work, code, form.valid_from.data, form.to_json(named), typed(form.seen))):
        return flash_and_redirect(f"{named}'s terms are saved.", "terms.factory")
    return render_template("catalog/change_factory_terms.html", form=form, maker=maker, **_WORDS), form.status
