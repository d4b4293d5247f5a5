"""Labels for a job's cylinders: opening, keyset, job, and a square code that opens the cylinder's page.

The sheets are the common ones of 3 × 10 labels on Letter and 3 × 7 on A4 (common practice, no source). The code
holds an address of the house's own and a record's number, so it tells nothing to who cannot log in.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import segno
from markupsafe import Markup

from app.documents.render import PaperHead, pdf
from app.errors import BitternError
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import Schedule

LABELS_A_SHEET = {"Letter": 30, "A4": 21}
_ACROSS = 3


@dataclass(frozen=True, slots=True)
class Label:
    """One cylinder's label."""

    row: ScheduleRow
    address: str
    code: Markup = field(repr=False)

    @property
    def symbol(self) -> str:
        """The keyset's symbol, or the cylinder's own number where it has none."""
        return self.row.keyset or f"no. {self.row.cylinder_id}"


def label_rows(schedule: Schedule, address: Callable[[int], str], taken: int = 0) -> list[tuple[Label | None, ...]]:
    """A label a cylinder of the schedule, three a row; None is one that was taken from the sheet before.

    address: cylinder id → where its page is. taken: how many labels of the first sheet are used up; BitternError on
    `taken` when it is more than a sheet has.
    """
    sheet = LABELS_A_SHEET.get(schedule.head.house.paper, 30)
    if not 0 <= taken < sheet:
        raise BitternError("taken", f"A sheet has {sheet} labels: enter how many are used, 0 to {sheet - 1}.")
    places: list[Label | None] = [None] * taken
    for row in schedule.rows:
        page = address(row.cylinder_id)
        places.append(Label(row, page, qr_code(page)))
    places += [None] * (-len(places) % _ACROSS)
    return [tuple(places[start : start + _ACROSS]) for start in range(0, len(places), _ACROSS)]


def qr_code(address: str) -> Markup:
    """The address as a QR code, drawn; error correction M, the quiet zone of four modules kept."""
    code = segno.make(address, error="m", micro=False)
    width, height = code.symbol_size(border=4)
    path = "".join(
        f"M{x + 4} {y + 4}h{run}v1h-{run}z" for y, line in enumerate(code.matrix) for x, run in _dark_runs(line)
    )
    # Built of numbers alone.
    return Markup(  # noqa: S704
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="Code that opens this cylinder\'s page"><path d="{path}" fill="#000"/></svg>'
    )


def _dark_runs(line: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Where each run of dark modules begins, and how long it is: a sheet has thousands, and each costs time."""
    place = 0
    for dark, run in groupby(line):
        length = len(list(run))
        if dark:
            yield place, length
        place += length


def labels_pdf(schedule: Schedule, address: Callable[[int], str], taken: int = 0) -> bytes:
    """The labels as PDF for the house's paper; see `label_rows`."""
    head, rows = PaperHead.of_job(schedule.head, "Labels"), label_rows(schedule, address, taken)
    return pdf("labels.html", head, job=schedule.head, rows=rows)
