"""The forms of a page as a browser would send them, read out of its HTML."""

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass(slots=True)
class FoundForm:
    """One form: where it goes, and its fields as they stand. files: names of boxes that take a file."""

    action: str
    method: str
    fields: list[tuple[str, str]] = field(default_factory=list)
    buttons: list[tuple[str, str, str]] = field(default_factory=list)  # name, value, where else it goes
    files: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[FoundForm] = []
        self._form: FoundForm | None = None
        self._text: str | None = None  # the name of the text area that is open
        self._select: str | None = None
        self._chosen = False  # whether an option of it is taken: the first, until one is selected
        self._option = False  # an option whose text is still to come as the value

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        name, value = given.get("name", ""), given.get("value", "")
        if tag == "form":
            self._form = FoundForm(given.get("action", ""), given.get("method", "get").lower())
            self.forms.append(self._form)
        if self._form is None:
            return
        if tag == "button":
            self._form.buttons.append((name, value, given.get("formaction", "")))
        elif not name and tag != "option":
            return
        elif tag == "input" and given.get("type") == "file":
            self._form.files.append(name)
        elif tag == "input" and given.get("type") in ("checkbox", "radio"):
            if "checked" in given:
                self._form.fields.append((name, value or "on"))
            else:
                self._form.buttons.append((name, value or "on", ""))
        elif tag == "input":
            self._form.fields.append((name, value))
        elif tag == "textarea":
            self._form.fields.append((name, ""))
            self._text = name
        elif tag == "select":
            self._form.fields.append((name, ""))
            self._select, self._chosen = name, False
        is_first = tag == "option" and not self._chosen
        is_chosen = self._select is not None and tag == "option" and ("selected" in given or is_first)
        if is_chosen:
            self._chosen = True
            self._form.fields[-1] = (self._form.fields[-1][0], value)
        self._option = is_chosen and "value" not in given  # then its text is its value

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attributes)

    def handle_data(self, data: str) -> None:
        if self._option and self._form:
            self._form.fields[-1] = (self._form.fields[-1][0], data.strip())
            self._option = False
        if self._text and self._form:
            self._form.fields[-1] = (self._text, self._form.fields[-1][1] + data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "textarea":
            self._text = None
        elif tag == "select":
            self._select = None


def forms_of(html: str) -> list[FoundForm]:
    """Every form of a page, in its order."""
    reader = _Reader()
    reader.feed(html)
    return reader.forms


def form_with(page: str, field: str) -> dict[str, str]:
    """What the page's first form that has this field would send as it stands: name → value, but no form token."""
    fields = next(fields for form in forms_of(page) if field in (fields := dict(form.fields)))
    return {name: value for name, value in fields.items() if name != "csrf_token"}
