"""From a view to a tagged PDF: the paper's head, the templates, the fetcher that reads static/ alone, the queue."""

import os
import threading
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from app.documents.filters import FILTERS, printable
from app.errors import BitternError
from app.ledger.jobs.papers import JobHead
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.numbers import invoice_number
from app.ledger.store.turns import TurnQueue

# Fonts are unpacked by a library that stamps them with the time of day unless this is set; the same view must
# give the same bytes, so that a paper printed twice can be compared.
os.environ.setdefault("SOURCE_DATE_EPOCH", "0")

# The library has no types.
import weasyprint
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher, URLFetcherResponse

_ROOT = Path(__file__).resolve().parents[2]
_STATIC = _ROOT / "static"
_TEMPLATES = _ROOT / "templates" / "documents"

PAPERS = ("Letter", "A4")
PORTRAIT, LANDSCAPE = "portrait", "landscape"


@dataclass(frozen=True, slots=True)
class PaperHead:
    """What every page of a document says about itself.

    name: "Quote". number: "Q-1042-2". warning: printed on every page in capitals, "" for none;
    given_to: printed beside it. copy_line: leave room to number the copies by hand.
    """

    house: HouseHead
    name: str
    number: str
    day: date
    warning: str = ""
    given_to: str = ""
    copy_line: bool = False

    @classmethod
    def of_job(cls, job: JobHead, name: str, revealed_to: str = "") -> "PaperHead":
        """The head of a paper of a job; revealed_to: who sees the bittings or pins in it, "" where there are none."""
        number = f"for job {job.job_number}" + (f", revision {job.revision}" if job.revision else "")
        if revealed_to:
            return cls.confidential(job.house, name, number, job.issued_on, revealed_to)
        return cls(job.house, name, number, job.issued_on)

    @classmethod
    def confidential(cls, house: HouseHead, name: str, number: str, day: date, revealed_to: str) -> "PaperHead":
        """The head of a paper with bittings or pins in it."""
        return cls(house, name, number, day, "Confidential", f"revealed to {revealed_to}", copy_line=True)

    @property
    def full_name(self) -> str:
        """Name and number, as the margin and the file's title have them."""
        return f"{self.name} {self.number}"


class StaticFetcher(URLFetcher):  # type: ignore[misc]  # untyped base
    """Opens files under static/ and nothing else: no network, no other file of this machine."""

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> URLFetcherResponse:
        """The file at `url`; ValueError for any other place."""
        parts = urlsplit(url)
        path = Path(unquote(parts.path)).resolve()
        if parts.scheme != "file" or parts.netloc or not path.is_relative_to(_STATIC):
            raise ValueError("A document may use files of static/ only.")
        return URLFetcherResponse(url, path.read_bytes())


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=printable,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(FILTERS)
    environment.globals["invoice_number"] = invoice_number
    return environment


# Paper is made by pure Python, which runs on one core however many threads ask: eight papers at once kept every
# page for as long as all eight took. So two are made at once and two more wait.
AT_ONCE, WAITING = 2, 2  # each holds a thread of those that serve (app/commands/serving.py): half of them
_PRINT_PATIENCE = 30  # seconds


class PrintingBusy(BitternError):
    """As many papers as may be are being made and wait."""

    def __init__(self) -> None:
        super().__init__(
            "", "Printing is busy: other papers are being made. Nothing was lost; wait a few seconds, then try again."
        )


_PRINT_QUEUE = TurnQueue(AT_ONCE, WAITING, PrintingBusy)


def printing() -> AbstractContextManager[None]:
    """The block makes paper, when it has its turn; PrintingBusy when too many wait, or it waited for too long.

    A block within a block goes on at once. Take the turn before a bitting is opened for a paper: what was refused
    shows nothing, so nothing of it belongs on record.
    """
    return _PRINT_QUEUE.turn(_PRINT_PATIENCE)


class _Press(threading.local):
    """Fonts and style sheets, read once a thread: Pango's font maps may not be shared between threads."""

    def __init__(self) -> None:
        self.fetcher = StaticFetcher()
        self.fonts = FontConfiguration()
        self.sheet = weasyprint.CSS(
            filename=_STATIC / "css" / "print.css", font_config=self.fonts, url_fetcher=self.fetcher
        )


_press: _Press | None = None
_press_lock = threading.Lock()


def _warm_press() -> _Press:
    global _press
    with _press_lock:
        if _press is None:
            _press = _Press()
    return _press


def pdf(template: str, head: PaperHead, orientation: str = PORTRAIT, **values: Any) -> bytes:
    """The document as PDF bytes, tagged (PDF/UA-1), fonts embedded; the same values give the same bytes.

    values: what the template names beside its `head`. The house's paper is Letter or A4, else BitternError on
    `paper`. orientation: PORTRAIT or LANDSCAPE. PrintingBusy when too many papers are being made.
    """
    paper = head.house.paper
    if paper not in PAPERS:
        raise BitternError("paper", "Choose the paper: Letter or A4.")
    with printing():
        return _printed(_environment().get_template(template).render(head=head, **values), f"{paper} {orientation}")


def _printed(html: str, size: str) -> bytes:
    press = _warm_press()
    sheet = weasyprint.CSS(string=f"@page {{ size: {size} }}", url_fetcher=press.fetcher)
    document = weasyprint.HTML(string=html, base_url=_STATIC.as_uri() + "/", url_fetcher=press.fetcher)
    found: bytes = document.write_pdf(
        stylesheets=[press.sheet, sheet], font_config=press.fonts, pdf_variant="pdf/ua-1"
    )
    return found
