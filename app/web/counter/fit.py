"""What the fitting tables say of one line of the counter page, while somebody types."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from werkzeug.datastructures import MultiDict

from app.errors import BitternError
from app.fitting import (
    CatalogItem,
    CylinderAttributes,
    Match,
    NumberReading,
    cam_for,
    common_body,
    compose_any,
    decode_any,
    find,
    finishes_named,
    mismatch_among,
    show_inches,
)
from app.ledger.catalog.maker_queries import shelf
from app.ledger.keysystems.system_queries import sections_of
from app.ledger.quoting.request import LineRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.store import Session
from app.ledger.tables import KeySystem, LineKind
from app.web.counter.forms import CutsField, LineForm
from app.web.fitting import answers, forms, part_numbers
from app.web.fitting.drawings import draw_bore, draw_length, draw_tailpiece
from app.web.fitting.part_numbers import Makers
from app.web.forms_base import attach

_MOST_LOOKED_AT = 60
_NEW = (LineKind.CYLINDER, LineKind.PART)


@dataclass(frozen=True, slots=True)
class FitAnswer:
    """One question's answer for its piece of the Fit pages; or why there is none, by the boxes' labels."""

    slug: str
    answer: Any = None
    refusal: tuple[tuple[str, str], ...] = ()
    drawing: Any = None
    converted: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LineFit:
    """What stands below a line besides its price.

    layout: its part number laid out. number: what else the typed text can be. same: what does the old
    cylinder's work, while nothing is chosen. asked, answered: of the door. face_asked: what the customer is to
    be told of the face; face_answer: the answer that holds. warnings: what does not agree.
    """

    layout: NumberReading | None = None
    number: part_numbers.NumberAnswer | None = None
    same: part_numbers.SwapAnswer | None = None
    answered: tuple[FitAnswer, ...] = ()
    face_asked: str = ""
    face_answer: str = ""
    warnings: tuple[str, ...] = ()
    right_keyway: tuple[CatalogItem, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to show."""
        return self == LineFit()


def fit_of(session: Session, makers: Makers, line: LineForm, resolved: Resolved | None) -> LineFit:
    """What is to be said of a line as typed; resolved: the line understood, None while it is not."""
    if line.sort is LineKind.HARDWARE:
        return LineFit(answered=_answers(session, makers, [_bore(line)]))
    if line.sort not in _NEW:
        return LineFit()
    # Until the line can be read, an answer that was given stands as it was posted.
    asked, answer = line.text("face_asked"), line.text("face_answer")
    if resolved is not None:
        asked, answer = resolved.line.face_asked, resolved.line.face_answer
    own = resolved.line.attributes if resolved and resolved.line.attributes else None
    found = _answers(session, makers, [_bore(line), *_cylinder(makers, line, resolved)])
    return LineFit(
        layout=_layout(makers, resolved),
        number=_number(session, makers, line, resolved),
        same=_same(session, makers, line) if resolved is None or answer == "refused" else None,
        answered=found,
        face_asked=asked,
        face_answer=answer,
        warnings=(*_length_warnings(found, own), *_finish_warnings(line, own), *_cuts_warnings(line)),
        right_keyway=_right_keyway(session, makers, resolved),
    )


def open_matches(
    session: Session, makers: Makers, ask: LineRequest, systems: Sequence[KeySystem] = ()
) -> tuple[Match, ...]:
    """What the catalog has of all that is said of a cylinder, while it is open which is meant; the stocked first.

    systems: those that it may go into; what can join none of them is left out, as far as something can.
    """
    if ask.attributes is None or not ask.attributes.type:
        return ()
    said = replace(ask.attributes, maker=makers[ask.maker_code].name if ask.maker_code in makers else "")
    in_system = ask.keying.kind.is_master_keyed and not said.keyway
    made_for = [
        replace(said, keyway=keyway, chambers=said.chambers or chambers)
        for keyway, chambers in dict.fromkeys(
            (keyway, one.chambers) for one in systems if in_system for keyway in sections_of(one)
        )
    ]
    items = shelf(session)

    def matches(wanted: Sequence[CylinderAttributes]) -> list[Match]:
        return [one for each in wanted for one in find(items, each, _MOST_LOOKED_AT) if not one.differs]

    return tuple(sorted(matches(made_for) or matches([said]), key=lambda one: not one.item.stocked))[:6]


def _layout(makers: Makers, resolved: Resolved | None) -> NumberReading | None:
    maker = makers.get(resolved.line.maker_code) if resolved else None
    if resolved is None or maker is None or not resolved.line.kind.is_keyed:
        return None
    try:
        return decode_any(maker.patterns, resolved.part_number)[0]
    except BitternError:
        return None


def _number(
    session: Session, makers: Makers, line: LineForm, resolved: Resolved | None
) -> part_numbers.NumberAnswer | None:
    """What a text in the part number's box can be: another number, words, or a key blank. A key blank can be sold as
    it is, and is what a customer's key says as well: then what takes it besides."""
    if line.sort is not LineKind.PART or (resolved is not None and resolved.line.kind is not LineKind.HARDWARE):
        return None
    form = forms.NumberForm(MultiDict({"q": line.text("part_number")}))
    try:
        found = part_numbers.answer_number(session, makers, form, _wanted(line)) if form.validate() else None
    except BitternError:
        return None
    if found is not None and (maker := makers.get(line.text("maker"))) is not None:
        own = tuple(each for each in found.candidates if each[0] == maker.name)
        is_own = found.refusal is not None and found.refusal.maker == maker.name
        found = replace(found, candidates=own, refusal=found.refusal if is_own else None)
    if found is None or resolved is None:
        return found
    others = tuple(item for item in found.by_blank if item.part_number != resolved.part_number)
    return replace(found, by_blank=others) if found.blanks else None


def _wanted(line: LineForm) -> CylinderAttributes:
    """What else is known of the cylinder whose number is worn: the key's keyway, the finish of what is there."""
    named = finishes_named(line.text("replaces_finish")) if line.text("replaces_finish") else ()
    return CylinderAttributes(
        "", keyway=line.text("key_keyway").upper() or None, finish=named[0].code if len(named) == 1 else None
    )


def _same(session: Session, makers: Makers, line: LineForm) -> part_numbers.SwapAnswer | None:
    """The old one's work done by other cylinders, where its part number says what it is."""
    form = forms.SwapForm(MultiDict({"number": line.text("replaces"), "finish": line.text("replaces_finish")}))
    form.offer(makers)
    if not line.text("replaces") or not form.validate():
        return None
    try:
        return part_numbers.answer_swap(session, makers, form)
    except BitternError:
        return None


@dataclass(frozen=True, slots=True)
class _Question:
    """A question of the Fit pages. given: what was typed for it, by its boxes' names there; needs: without which
    nobody asks it.
    """

    slug: str
    form: type[forms.QuestionForm]
    given: Mapping[str, str]
    needs: tuple[str, ...]
    answer: Callable[..., Any]
    draw: Callable[[Any], Any] | None = None


def _stile(line: LineForm) -> dict[str, str]:
    return {"material": line.text("fit_material"), "glass_stop": line.text("fit_stop")}


def _bore(line: LineForm) -> _Question:
    hole = line.text("fit_hole") or show_inches(forms.usual_bore()["bore"])
    given = {"lock": line.text("fit_lock"), "stile": line.text("fit_stile"), "bore": hole, **_stile(line)}
    return _Question("bore", forms.BoreForm, given, ("stile",), answers.answer_bore, draw_bore)


def _cylinder(makers: Makers, line: LineForm, resolved: Resolved | None) -> list[_Question]:
    """What is asked of a cylinder; hardware out of a catalogue goes by part number as well, and has none of it."""
    if resolved is not None and resolved.line.kind is LineKind.HARDWARE:
        return []
    own = _own(makers, line, resolved)
    kind = own.type if own else line.text("type")
    lock, door, trim = line.text("fit_lock"), line.text("fit_door"), line.text("fit_trim")
    maker = resolved.line.maker_code if resolved else line.text("maker")
    key = {"blank": line.text("fit_key"), "cuts": line.texts().get("fit_cuts", ""), "keyway": line.text("keyway")}
    if resolved is not None:
        key |= {"number": resolved.part_number, "maker": maker}
    listed = part_numbers.find_lock(makers, lock)
    turns = lock if listed is None or listed.takes == "mortise" else ""  # no other has a cam
    questions = [
        _Question("cam", forms.CamForm, {"lock": turns}, ("lock",), answers.answer_cam),
        _Question("key", forms.KeyForm, key, ("blank",), answers.answer_key),
    ]
    if kind in ("mortise", ""):
        length = {
            "lock": lock,
            "door": door,
            "outside_trim": trim,
            "inside_trim": line.text("fit_trim_in"),
            "maker": maker,
            "lock_maker": line.text("fit_lock_maker"),
            "case": line.text("fit_case"),
            "cam_depth": line.text("fit_cam_depth"),
            **_stile(line),
            **_known(makers, line, own),
        }
        # The common body against the lock's hole; a cylinder of an odd size is a question for the Fit page.
        body = common_body()
        thread = {
            "cylinder_diameter": show_inches(body.diameter),
            "cylinder_threads": str(body.threads_per_inch),
            "lock_diameter": line.text("fit_lock_hole"),
            "lock_threads": line.text("fit_lock_threads") or str(body.threads_per_inch),
        }
        questions = [
            _Question("length", forms.LengthForm, length, ("door",), answers.answer_length, draw_length),
            *questions,
            _Question("thread", forms.ThreadForm, thread, ("lock_diameter",), answers.answer_thread),
        ]
    if kind == "rim":
        tailpiece = {
            "door": door,
            "length": show_inches(own.length) if own and own.length is not None else line.text("length"),
            "trim": trim,
            **{name: line.text(f"fit_{name}") for name in ("reach_least", "reach_most", "supplied", "notch")},
        }
        needs = ("reach_least", "supplied")
        questions.append(
            _Question("tailpiece", forms.TailpieceForm, tailpiece, needs, answers.answer_tailpiece, draw_tailpiece)
        )
    return questions


def _own(makers: Makers, line: LineForm, resolved: Resolved | None) -> CylinderAttributes | None:
    """The line's cylinder, by its number alone while something else of the line cannot be read; None for none."""
    if resolved is not None:
        return resolved.line.attributes
    try:
        return part_numbers.decoded(makers, line.text("part_number"), makers.get(line.text("maker")))
    except BitternError:
        return None


def _known(makers: Makers, line: LineForm, own: CylinderAttributes | None) -> dict[str, str]:
    """What the line says of its cylinder besides its length; a cam that its lock does not take gives way to one."""
    if own is None:
        said = {name: line.text(name) for name in ("keyway", "chambers", "finish")}
        return {**said, "chambers": said["chambers"].partition("/")[0]}
    lock, cam = part_numbers.find_lock(makers, line.text("fit_lock")), own.cam
    if lock is not None and cam:
        whose = makers[own.maker].name if own.maker in makers else own.maker
        found = cam_for([each for maker in makers.values() for each in maker.cams], lock, whose, cam)
        cam = found.cam if found.is_wrong else cam
    known = {"keyway": own.keyway, "chambers": own.chambers, "finish": own.finish, "cam": cam}
    return {name: str(value) for name, value in known.items() if value}


def _answers(session: Session, makers: Makers, questions: list[_Question]) -> tuple[FitAnswer, ...]:
    return tuple(_answer(session, makers, one) for one in questions if all(one.given[name] for name in one.needs))


def _answer(session: Session, makers: Makers, asked: _Question) -> FitAnswer:
    form = asked.form(MultiDict({name: value for name, value in asked.given.items() if value}))
    form.offer(makers)
    answer = None
    if form.validate():
        try:
            answer = asked.answer(session, makers, form)
        except BitternError as error:
            attach(form, error)
    refusal = [(field.label.text, field.errors[0]) for field in form if field.errors]
    refusal += [("", message) for message in form.form_errors]
    if refusal:
        return FitAnswer(asked.slug, refusal=tuple(refusal))
    return FitAnswer(asked.slug, answer, (), asked.draw(answer) if asked.draw and answer else None, form.converted)


def _length_warnings(found: tuple[FitAnswer, ...], own: CylinderAttributes | None) -> list[str]:
    """A cylinder of another length than its door asks for."""
    length = next((each.answer for each in found if each.slug == "length"), None)
    if length is None or own is None or own.type != "mortise" or own.length is None:
        return []
    wanted = {side.fit.chosen for side in length.sides if side.fit.chosen is not None}
    if not wanted or own.length in wanted:
        return []
    asked = " or ".join(map(show_inches, sorted(wanted)))
    return [f"This cylinder is {show_inches(own.length)} in long; the door asks for {asked} in."]


def _cuts_warnings(line: LineForm) -> tuple[str, ...]:
    cuts = line["fit_cuts"]
    if not isinstance(cuts, CutsField) or not cuts.are_cuts:
        return ()
    return (f"{cuts.data} cuts were counted; their depths are not kept here. The bench decodes the key.",)


def _right_keyway(session: Session, makers: Makers, resolved: Resolved | None) -> tuple[CatalogItem, ...]:
    """The line's own cylinder on the keyway of the customer's key, where that does not enter the one it is on and the
    catalog has it.
    """
    own = resolved.line.attributes if resolved else None
    maker = makers.get(resolved.line.maker_code) if resolved else None
    if resolved is None or own is None or maker is None:
        return ()
    if not any(one.field == "key_keyway" for one in resolved.problems):
        return ()
    try:
        wanted = replace(own, keyway=resolved.line.keying.key_keyway, maker=maker.name)
        number = compose_any(maker.patterns, wanted)
    except BitternError:
        return ()
    return tuple(one for one in shelf(session) if (one.maker, one.part_number) == (maker.name, number))


def _finish_warnings(line: LineForm, own: CylinderAttributes | None) -> tuple[str, ...]:
    """The line's own finish beside the others on its door."""
    if own is None or not own.finish:
        return ()
    others = [typed.strip() for typed in line.text("fit_finishes").split(",")[:12] if typed.strip()]
    there = [[each.code for each in finishes_named(typed)] or [typed[:24]] for typed in others]
    return mismatch_among([[own.finish], *there])
