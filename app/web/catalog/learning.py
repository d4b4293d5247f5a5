"""A maker learned from its price list: the list is sent, its numbers settled piece by piece, all saved at once."""

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import TextAreaField

from app.errors import BitternError
from app.fitting import (
    CYLINDER_TYPES,
    LearnedPattern,
    LearnedSegment,
    ListedNumber,
    Listener,
    add_code,
    families_within,
    finish_words,
    join_segments,
    learn_patterns,
    split_segment,
    tell_attribute,
    tell_meaning,
)
from app.ledger.catalog.first_day import is_first_day
from app.ledger.catalog.learned_makers import (
    LearnedMaker,
    LearnedPlan,
    chambers_of_spec,
    how_many_read,
    known_maker,
    numbers_to_learn,
    plan_learned,
    propose_code,
    usual_spec_name,
)
from app.ledger.catalog.maker_queries import get_maker, maker_tables, spec_names
from app.ledger.catalog.price_list import (
    COLUMNS,
    PriceList,
    PriceListColumns,
    guess_list_columns,
    open_price_list,
    read_price_list,
)
from app.ledger.importing.learned_lists import learn_list, list_learned
from app.ledger.store.work import Work
from app.pricing import read_percent
from app.spreadsheets import FoundTable
from app.validation import counted
from app.web.access import owner_only
from app.web.forms_base import FilePage, PageForm, flash_and_redirect, one_line, record_id, refusals, text, typed
from app.web.query_args import read_id, wants_fragment
from app.web.services import current_work
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, note_upload, stage_table

blueprint = Blueprint("maker_learning", __name__, url_prefix="/makers/learn")
_PURPOSE = "price list"
MEANS = {
    "type": "what it is: mortise, rim …",
    "length": "length",
    "chambers": "chambers (pins)",
    "drilled": "chambers drilled",
    "keyway": "keyway",
    "cam": "cam",
    "tailpiece": "tailpiece",
    "finish": "finish",
    "keying": "how it is keyed",
}
"""The attributes that a piece can mean, in plain words."""
CHAMBERS = range(3, 9)
_FEW_CODES = 12
_MOST_FAMILIES = 6
_MOST_CUTS = 6


class PriceListPage(FilePage):
    """A maker's name and its price list, as a file or pasted."""

    name = text("Maker", 60, needed="Enter the maker's name.")
    pasted = TextAreaField("Or paste it here", render_kw={"rows": 4, "wrap": "off", "spellcheck": "false"})


@dataclass(frozen=True, slots=True)
class ListBeingLearned:
    """A list that waits, and what is settled about the maker so far."""

    waiting: StagedUpload
    table: FoundTable
    listed: PriceList
    learned: LearnedMaker

    @property
    def version(self) -> int:
        """The maker's version when the list was learned; 0 for a new one."""
        return int(self.waiting.notes.get("version") or 0)


@blueprint.route("", methods=["GET", "POST"])
@owner_only
def index() -> ResponseReturnValue:
    """Name a maker and send its price list."""
    work, form = current_work(), PriceListPage()
    about = read_id(request.args, "maker")
    if about and not form.is_submitted():
        form.name.data = get_maker(work.session, about).name

    def stage() -> StagedUpload:
        name = typed(form.name)
        known = known_maker(work.session, name, "")
        notes = {
            "name": known.name if known else name,
            "code": known.code if known else propose_code(work.session, name),
            "maker": known.id if known else None,
            "version": known.version if known else 0,
        }
        waiting = stage_table(work, _PURPOSE, form.file.data, typed(form.pasted), notes)
        try:
            table = open_price_list(waiting.name, waiting.content)
            choice, is_sure = guess_list_columns(table)
            if is_sure and read_price_list(table, choice).rows:
                return _learn(work, waiting, table, choice)
        except BitternError:
            drop_upload(waiting.token)
            raise
        return waiting

    if done := form.run(stage):
        waiting = done.value
        page = "maker_learning.show" if "settled" in waiting.notes else "maker_learning.columns"
        return redirect(url_for(page, token=waiting.token), 303)
    learned_from = list_learned(work.session)
    return render_template("catalog/learn_maker.html", form=form, learned_from=learned_from), form.status


def _learn(work: Work, waiting: StagedUpload, table: FoundTable, choice: PriceListColumns) -> StagedUpload:
    """Learn the numbers of the list and keep what was found with it; the patterns on record that read all stay."""
    listed = read_price_list(table, choice)
    if not listed.rows:
        raise BitternError("columns", _no_row(listed))
    numbers = numbers_to_learn(listed.rows)
    maker_id = waiting.notes.get("maker")
    read = how_many_read(work.session, maker_id, [one.number for one in numbers]) if maker_id else 0
    keeps = bool(numbers) and read == len(numbers)
    learned = LearnedMaker(
        waiting.notes["name"],
        waiting.notes["code"],
        listed.rows,
        None if keeps else _learned(numbers),
        maker_id,
        (_kind_said(waiting.name, *table.titles),),
        stands_beside=bool(maker_id) and 2 * read < len(numbers),
    )
    return _keep(work, waiting, learned, choice=choice.to_json())


def _learned(numbers: Sequence[ListedNumber]) -> tuple[LearnedPattern, ...]:
    """The patterns of a list; none where nothing is told."""
    return tuple(lesson.pattern for lesson in learn_patterns(numbers) if lesson.pattern.segments)


def _no_row(listed: PriceList) -> str:
    first = next(iter(listed.problems), None)
    told = f" {first.field}: {first.message}" if first else ""
    return f"No row of this list can be read with these columns.{told}"


def _kind_said(*titles: str) -> str:
    """The cylinder's type that a title or the file's name says, "" where none does."""
    kinds = (Listener(title.replace("_", " ").replace("-", " ")).listen_for_type() for title in titles)
    return next((kind for kind in kinds if kind in CYLINDER_TYPES), "")


@blueprint.route("/<token>/columns", methods=["GET", "POST"])
@owner_only
def columns(token: str) -> ResponseReturnValue:
    """Say which column of the list is which."""
    work, form = current_work(), PageForm()
    waiting = find_upload(work, _PURPOSE, token)
    table = open_price_list(waiting.name, waiting.content)
    choice, _ = guess_list_columns(table)
    if "choice" in waiting.notes:
        choice = PriceListColumns.from_json(waiting.notes["choice"])
    errors: Mapping[str, str] = {}
    if form.is_submitted():
        try:
            choice = _choice_said(table, request.form)
            if choice.missing:
                raise BitternError("columns", f"Say which column has: {', '.join(choice.missing)}.")
            _learn(work, waiting, table, choice)
            return redirect(url_for("maker_learning.show", token=token), 303)
        except BitternError as error:
            errors = refusals(error)
    chosen = {place: name for name, place in choice.columns.items()} | dict.fromkeys(choice.words, "words")
    return render_template(
        "catalog/learn_columns.html",
        form=form,
        waiting=waiting,
        table=table,
        wanted={column.name: column.words + (" (needed)" if column.is_needed else "") for column in COLUMNS},
        chosen=chosen,
        errors=errors,
    ), 422 if errors else 200


def _choice_said(table: FoundTable, boxes: Mapping[str, str]) -> PriceListColumns:
    found: dict[str, int] = {}
    words = []
    known = {column.name: column.words for column in COLUMNS}
    for column in table.columns:
        name = boxes.get(f"column-{column.place}", "")
        if name == "words":
            words.append(column.place)
        elif name in found:
            raise BitternError("columns", f"{known[name]} is chosen for two columns: leave one of them out.")
        elif name in known:
            found[name] = column.place
    return PriceListColumns(found, tuple(words))


def _open(work: Work, token: str) -> ListBeingLearned | None:
    """The list that waits, with what was settled; None where its columns are still to be said."""
    waiting = find_upload(work, _PURPOSE, token)
    if "settled" not in waiting.notes:
        return None
    table = open_price_list(waiting.name, waiting.content)
    listed = read_price_list(table, PriceListColumns.from_json(waiting.notes["choice"]))
    learned = replace(LearnedMaker.from_json(waiting.notes["settled"]), rows=listed.rows)
    return ListBeingLearned(waiting, table, listed, learned)


def _keep(work: Work, waiting: StagedUpload, learned: LearnedMaker, **also: Any) -> StagedUpload:
    """Keep with the list what is settled, but for the rows, which are read of it anew."""
    settled = replace(learned, rows=()).to_json()
    notes = {**waiting.notes, "name": learned.name, "code": learned.code, "settled": settled, **also}
    return note_upload(work, _PURPOSE, waiting.token, notes)


@blueprint.route("/<token>", methods=["GET", "POST"])
@owner_only
def show(token: str) -> ResponseReturnValue:
    """The numbers in their pieces; each change is tried on all numbers at once, until the maker is saved."""
    work, form = current_work(), PageForm()
    draft = _open(work, token)
    if draft is None:
        return redirect(url_for("maker_learning.columns", token=token), 303)
    errors: Mapping[str, str] = {}
    if form.is_submitted():
        act = request.form.get("act", "look")
        try:
            draft = replace(draft, learned=_said(work, draft, request.form))
            draft = replace(draft, learned=_acted(draft.learned, act))
            _keep(work, draft.waiting, draft.learned)
            if act == "save":
                return _save(work, draft)
            if not wants_fragment():
                return redirect(url_for("maker_learning.show", token=token, _anchor="settling"), 303)
        except BitternError as error:
            errors = refusals(error)
    return _page(work, draft, form, errors)


def _save(work: Work, draft: ListBeingLearned) -> ResponseReturnValue:
    version = record_id(request.form.get("version"))
    unread = len({problem.field.partition(",")[0] for problem in draft.listed.problems})
    maker, row = learn_list(work, draft.learned, version, draft.waiting.name, unread)
    drop_upload(draft.waiting.token)
    items = counted(len(draft.listed.rows) + unread - row.aside, "item")
    said = f"{maker.name} is saved with {items}. Its numbers are known at the counter now."
    if is_first_day(work.session):
        return flash_and_redirect(said, "first_day.index")
    return flash_and_redirect(said, "makers.show", maker_id=maker.id, learned=1)


def _said(work: Work, draft: ListBeingLearned, boxes: Mapping[str, str]) -> LearnedMaker:
    """What the boxes of the page say. BitternError by box."""
    learned = draft.learned
    off = boxes.get("off", "").strip()
    name, code = one_line(boxes.get("name"))[:60], one_line(boxes.get("code"))[:12].upper()
    if learned.maker_id is None:
        if not name or not code:
            raise BitternError("name" if not name else "code", "Enter the maker's name and a short code.")
        if known_maker(work.session, name, code) is not None:
            raise BitternError("name", f"{name} is on record: send its list from its own page.")
        learned = replace(learned, name=name, code=code)
    spec = boxes.get("spec", "")
    before = [*learned.kinds, *[""] * len(learned.patterns or ())]
    kinds = [boxes.get(f"kind-{place}", before[place]) for place in range(len(learned.patterns or ()))]
    chambers = record_id(boxes.get("chambers")) if "chambers" in boxes else learned.chambers
    learned = replace(
        learned,
        off=read_percent(off, "off") if off else None,
        spec=spec if spec in spec_names(work.session) else "",
        kinds=tuple(kind if kind in CYLINDER_TYPES else "" for kind in kinds),
        chambers=chambers if chambers in CHAMBERS else None,
        sells_unread=boxes.get("unread", "sell") == "sell",
        stands_beside=boxes.get("beside", "yes" if learned.stands_beside else "no") == "yes",
    )
    if not learned.patterns or "mark" not in boxes:
        return learned
    if boxes["mark"] != _mark(learned.patterns):
        raise BitternError(
            "mark", "These pieces were changed on another page meanwhile; here they are as they stand."
        )
    said = enumerate(learned.patterns)
    return replace(learned, patterns=tuple(_pieces_said(pattern, place, boxes) for place, pattern in said))


def _mark(patterns: Sequence[LearnedPattern]) -> str:
    """Tells the patterns that a page was made of."""
    return f"{zlib.crc32(json.dumps([each.to_json() for each in patterns], sort_keys=True).encode()):08x}"


def _pieces_said(pattern: LearnedPattern, number: int, boxes: Mapping[str, str]) -> LearnedPattern:
    """The pattern with names, meanings and what may be left out as the boxes have them."""
    before = pattern.segments
    names = [one_line(boxes.get(f"name-{number}-{index}"))[:50] or one.name for index, one in enumerate(before)]
    for index, name in enumerate(names):
        if name.casefold() in {other.casefold() for other in names[:index]}:
            raise BitternError(
                f"name-{number}-{index}", f"Two pieces are named {name}: call one of them something else."
            )
    for index, segment in enumerate(before):
        attribute = boxes.get(f"attribute-{number}-{index}", segment.attribute or "") or None
        if attribute != segment.attribute:
            pattern = tell_attribute(pattern, index, attribute)
        for place, (code, words) in enumerate(segment.codes.items()):
            said = one_line(boxes.get(f"meaning-{number}-{index}-{place}", words))[:200]
            if said != words:
                pattern = tell_meaning(pattern, index, code, said)
        optional = boxes.get(f"optional-{number}-{index}") == "yes"
        missing = one_line(boxes.get(f"missing-{number}-{index}", segment.missing))[:200]
        if missing != segment.missing and optional:
            pattern = tell_meaning(pattern, index, "", missing)
        changed = replace(pattern.segments[index], name=names[index], optional=optional)
        pattern = replace(pattern, segments=(*pattern.segments[:index], changed, *pattern.segments[index + 1 :]))
        if added := one_line(boxes.get(f"code-{number}-{index}")):
            code, _, words = added.partition(" ")
            pattern = add_code(pattern, index, code, words.strip()[:200])
    return pattern


def _acted(learned: LearnedMaker, act: str) -> LearnedMaker:
    """The maker after one act of the page: a piece cut, two joined, a family split or dropped, the list learned
    anew."""
    verb, *places = act.split("_")
    numbers = numbers_to_learn(learned.rows)
    if verb == "anew":
        return replace(learned, patterns=_learned(numbers))
    place = record_id(places[0]) if len(places) > 1 else 0
    if verb not in ("cut", "join", "drop", "apart") or not learned.patterns or place >= len(learned.patterns):
        return learned
    pattern = learned.patterns[place]
    if verb == "apart":
        return _with_family(learned, place, _learned_apart(pattern, numbers, places[1]) or (pattern,))
    if verb == "drop":
        return _with_family(learned, place, ())
    return _with_family(learned, place, (_recut(pattern, [one.number for one in numbers], verb, places[1:]),))


def _with_family(learned: LearnedMaker, place: int, patterns: Sequence[LearnedPattern]) -> LearnedMaker:
    """The maker with other patterns, or none, in place of one."""
    before, kinds = learned.patterns or (), [*learned.kinds, *[""] * len(learned.patterns or ())]
    return replace(
        learned,
        patterns=(*before[:place], *patterns, *before[place + 1 :]),
        kinds=(*kinds[:place], *[kinds[place]] * len(patterns), *kinds[place + 1 : len(before)]),
    )


def _learned_apart(pattern: LearnedPattern, numbers: Sequence[ListedNumber], way: str) -> tuple[LearnedPattern, ...]:
    """The patterns of the families into which a pattern's numbers fall, each learned from its own numbers alone."""
    read = [one for one in numbers if pattern.read(one.number) is not None]
    families = families_within([one.number for one in read]).get(way, [])
    return tuple(
        each
        for family in map(frozenset, families)
        for each in _learned([one for one in read if one.number in family])
    )


def _recut(pattern: LearnedPattern, numbers: Sequence[str], verb: str, places: Sequence[str]) -> LearnedPattern:
    """A pattern with a piece cut or joined with the next one."""
    index = record_id(places[0])
    if verb == "join" and index + 1 < len(pattern.segments):
        return join_segments(pattern, index, numbers)
    if verb == "cut" and len(places) == 2 and index < len(pattern.segments):
        side, at = places[1][:1], record_id(places[1][1:])
        return split_segment(pattern, index, -at if side == "r" else at, numbers)
    return pattern


@dataclass(frozen=True, slots=True)
class PieceView:
    """A piece on the page: its code in the example ("" where it is left out), ways to cut it, what each code says."""

    segment: LearnedSegment
    code: str
    cuts: tuple[tuple[str, str], ...]
    values: Mapping[str, str]
    is_long: bool

    @property
    def front(self) -> str:
        """What stands before the code in the example."""
        return self.segment.before + (self.segment.separator if self.code else "")

    @property
    def is_unsure(self) -> bool:
        """Whether its doubts are worth reading."""
        return self.segment.sure < 0.7


@dataclass(frozen=True, slots=True)
class FamilyView:
    """A learned pattern on the page: an example of its numbers, how many it reads, its pieces; whether it lacks what
    its cylinders are, and what was chosen; the ways to split it, each with its families in words."""

    pattern: LearnedPattern
    example: str
    pieces: tuple[PieceView, ...]
    lacks_kind: bool
    kind: str
    splits: Mapping[str, str]


def _families(learned: LearnedMaker, plan: LearnedPlan) -> list[FamilyView]:
    numbers = [one.number for one in numbers_to_learn(learned.rows)]
    found = []
    for place, pattern in enumerate(learned.patterns or ()):
        read = [number for number in numbers if pattern.read(number) is not None]
        example = max(read[:200], key=lambda each: len(pattern.read(each) or ()), default="")
        kind = learned.kinds[place] if place < len(learned.kinds) else ""
        splits = {
            way: ", ".join(f"{len(family):,} such as {family[0]}" for family in families)
            for way, families in families_within(read).items()
            if len(families) <= _MOST_FAMILIES
        }
        views = tuple(_views(pattern, example))
        found.append(FamilyView(pattern, example, views, plan.lacks_kind[place], kind, splits))
    return found


def _views(pattern: LearnedPattern, example: str) -> list[PieceView]:
    reading = (pattern.read(example) if example else None) or {}
    views = []
    for segment in pattern.segments:
        code = reading.get(segment.name, "")
        values = {one: _value(segment.sets.get(one, {})) for one in ("", *segment.codes)}
        views.append(PieceView(segment, code, _cuts(segment, code), values, len(segment.codes) > _FEW_CODES))
    return views


def _value(sets: Mapping[str, str]) -> str:
    """What a code says of a cylinder, in words."""
    return ", ".join(finish_words(value) if name == "finish" else value for name, value in sets.items())


def _cuts(segment: LearnedSegment, code: str) -> tuple[tuple[str, str], ...]:
    """The ways to cut a piece in two, each with how a code would look."""
    shown = code or max(segment.codes, key=len, default="")
    lengths = {len(each) for each in segment.codes}
    ways = [(f"l{at}", f"{shown[:at]} · {shown[at:]}") for at in range(1, len(shown))]
    if len(lengths) > 1:
        least = min(lengths)
        ways += [(f"r{at}", f"{shown[:-at]} · {shown[-at:]}") for at in range(1, min(least, len(shown)))]
    kept = {label: way for way, label in reversed(ways)}
    return tuple((way, label) for label, way in reversed(kept.items()))[:_MOST_CUTS]


def _page(work: Work, draft: ListBeingLearned, form: PageForm, errors: Mapping[str, str]) -> ResponseReturnValue:
    learned = draft.learned
    plan = plan_learned(work.session, learned)
    page = render_template(
        "catalog/_learned.html" if wants_fragment() else "catalog/learned.html",
        form=form,
        draft=draft,
        learned=learned,
        plan=plan,
        families=_families(learned, plan),
        mark=_mark(learned.patterns or ()),
        has_patterns=any(one.id == learned.maker_id and one.patterns for one in maker_tables(work.session).values()),
        kinds=CYLINDER_TYPES,
        all_chambers=CHAMBERS,
        usual_chambers=chambers_of_spec(work.session, learned),
        means=MEANS,
        specs=spec_names(work.session),
        usual_name=usual_spec_name(work.session, learned),
        errors=errors,
    )
    return page, 422 if errors and not wants_fragment() else 200
