"""Put what was typed into the boxes of a page again, whichever template made its form."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape, unescape
from html.parser import HTMLParser
from urllib.parse import urlsplit

Pairs = Sequence[tuple[str, str]]
_NEVER = {"hidden", "password", "file", "submit", "button", "image", "reset"}
_Attributes = list[tuple[str, str | None]]


@dataclass(slots=True)
class _Form:
    """A form of the page: where it goes, what it has, and the places of its HTML that change."""

    places: set[str]
    hidden: list[tuple[str, str]] = field(default_factory=list)
    boxes: set[str] = field(default_factory=set)
    buttons: set[str] = field(default_factory=set)
    changes: list[tuple[int, int, str]] = field(default_factory=list)  # from, to, by what
    left: dict[str, list[str]] = field(default_factory=dict)  # what is still to be put in, by name
    stood: list[tuple[str, str]] = field(default_factory=list)  # what stood in boxes that get something else

    def put(self, name: str, stood: str) -> str:
        """What the box of this name gets, in which something stands."""
        text = self.left[name].pop(0)
        if " ".join(text.split()) != " ".join(stood.split()):
            self.stood.append((name, stood))
        return text


class _Filler(HTMLParser):
    """Reads a page once and notes, form by form, what putting in the pairs would change."""

    def __init__(self, page: str, path: str, pairs: Pairs) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[_Form] = []
        self._path, self._pairs = path, pairs
        self._form: _Form | None = None
        self._area: tuple[str, int] | None = None  # the text area that is open, and where its text begins
        self._page = page
        self._select = ""
        self._option: tuple[int, str, _Attributes, list[str]] | None = None  # where, as written, how, its text
        self._lines = [0]
        for line in page.split("\n"):
            self._lines.append(self._lines[-1] + len(line) + 1)
        self.feed(page)

    def _here(self) -> int:
        line, offset = self.getpos()
        return self._lines[line - 1] + offset

    def _goes_to(self, action: str) -> str:
        return urlsplit(action).path or self._path

    def handle_starttag(self, tag: str, attributes: _Attributes) -> None:
        given = {name: value or "" for name, value in attributes}
        name = given.get("name", "")
        if tag == "form":
            left: dict[str, list[str]] = {}
            for box, value in self._pairs:
                left.setdefault(box, []).append(value)
            is_post = given.get("method", "").lower() == "post"
            self._form = _Form({self._goes_to(given.get("action", ""))} if is_post else set(), left=left)
            self.forms.append(self._form)
        elif self._form is None:
            return
        elif tag == "option" and self._select:
            self._end_option()
            self._option = (self._here(), self.get_starttag_text() or "", attributes, [])
        elif tag == "button":
            self._form.buttons.add(name)
            if "formaction" in given:
                self._form.places.add(self._goes_to(given["formaction"]))
        elif name and tag == "input":
            self._input(self._form, attributes, given)
        elif name and tag == "textarea":
            self._form.boxes.add(name)
            self._area = (name, self._here() + len(self.get_starttag_text() or ""))
        elif name and tag == "select":
            self._form.boxes.add(name)
            self._select = name

    def _input(self, form: _Form, attributes: _Attributes, given: dict[str, str]) -> None:
        name, kind = given["name"], given.get("type", "text").lower()
        if kind == "hidden":
            form.hidden.append((name, given.get("value", "")))
        if kind in _NEVER:
            form.buttons.add(name)
            return
        form.boxes.add(name)
        if kind in ("checkbox", "radio"):
            is_chosen = (name, given.get("value") or "on") in self._pairs
            change = ("checked", "" if is_chosen else None)
        elif form.left.get(name):
            change = ("value", form.put(name, given.get("value", "")))
        else:
            return
        form.changes.append(_rewritten(self._here(), self.get_starttag_text() or "", attributes, *change))

    def _end_option(self) -> None:
        if self._option is None or self._form is None:
            return
        where, written, attributes, text = self._option
        self._option = None
        wanted = self._form.left.get(self._select)
        if wanted is not None:
            given, shown = dict(attributes), "".join(text).strip()
            is_chosen = (shown if given.get("value") is None else given["value"]) in wanted
            if "selected" in given and not is_chosen:
                self._form.stood.append((self._select, shown))
            self._form.changes.append(_rewritten(where, written, attributes, "selected", "" if is_chosen else None))

    def handle_startendtag(self, tag: str, attributes: _Attributes) -> None:
        self.handle_starttag(tag, attributes)

    def handle_data(self, data: str) -> None:
        if self._option:
            self._option[3].append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("option", "select"):
            self._end_option()
        if tag == "select":
            self._select = ""
        elif tag == "textarea" and self._area and self._form:
            name, begins = self._area
            if self._form.left.get(name):
                # A browser drops a line break that the text begins with.
                stood = unescape(self._page[begins : self._here()])
                text = escape(self._form.put(name, stood))
                self._form.changes.append(
                    (begins, self._here(), f"\n{text}" if text.startswith(("\n", "\r")) else text)
                )
            self._area = None
        elif tag == "form":
            self._form = None


def _rewritten(  # the tag as it is written, with one attribute anew, or without it
    where: int, written: str, attributes: _Attributes, name: str, value: str | None
) -> tuple[int, int, str]:
    kept = [one for one in attributes if one[0] != name]
    if value is not None:
        kept.append((name, value))
    said = "".join(f" {one}" if text is None else f' {one}="{escape(text)}"' for one, text in kept)
    return where, where + len(written), f"<{written[1:].split()[0].rstrip('>/')}{said}>"


def filled(
    page: str, path: str, action: str, pairs: Pairs
) -> tuple[str, list[tuple[str, str]], list[tuple[str, str]]]:
    """The page at `path` with the pairs in the form that posts to `action`; what found no box; what stood in them.

    Hidden fields, passwords and files stay as the page has them. Of several forms that post there, the one is meant
    whose hidden fields are those that were sent and which has most of the boxes.

    >>> filled('<form method="post"><input name="a" value="x"></form>', "/here", "/here", [("a", "<1>"), ("b", "2")])
    ('<form method="post"><input name="a" value="&lt;1&gt;"></form>', [('b', '2')], [('a', 'x')])
    """
    names = {name for name, _ in pairs}

    def nearness(form: _Form) -> tuple[int, int]:
        return len([one for one in form.hidden if one in pairs]), len(form.boxes & names)

    forms = [form for form in _Filler(page, path, pairs).forms if action in form.places]
    if not forms:
        return page, list(pairs), []
    form = max(forms, key=nearness)
    parts, at = [], 0
    for begins, ends, by in sorted(form.changes):
        parts += [page[at:begins], by]
        at = ends
    known = form.boxes | form.buttons
    return "".join([*parts, page[at:]]), [pair for pair in pairs if pair[0] not in known], form.stood
