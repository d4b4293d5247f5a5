"""What people do in many tests, by the forms that they fill in: quote, accept, send a file."""

import io
import re
from collections.abc import Mapping
from html import unescape
from typing import Any

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from app.ledger.importing.imports import open_table
from app.ledger.importing.reading import guess_choice, read_table
from app.ledger.importing.sites import DOORS, door_row
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.work import Work
from app.spreadsheets import PASTED
from tests.forms_found import form_with
from tests.stocked import posted


def quoted(client: FlaskClient, *lines: Mapping[str, str], **head: object) -> int:
    """The number of a job that is quoted with these lines at the counter."""
    return issued(client, posted(*lines, **head))


def issued(client: FlaskClient, form: Mapping[str, str]) -> int:
    """The number of the job whose quote comes of this counter page."""
    answer = client.post("/counter/issue", data=form)
    assert answer.status_code == 303, unescape(answer.text)
    return int(re.findall(r"/quotes/(\d+)/", answer.location)[0])


def accept_page_sent(client: FlaskClient, number: int, **said: Any) -> TestResponse:
    """The answer to the accept page of a job's quote, sent as it stands but for who accepts and what else is said."""
    form = form_with(client.get(f"/quotes/{number}/accept").text, "accepted_by")
    return client.post(f"/quotes/{number}/accept", data={**form, "accepted_by": "R. Teal", **said})


def accepted(client: FlaskClient, number: int, **said: Any) -> None:
    """Accept a job's quote."""
    answer = accept_page_sent(client, number, **said)
    assert answer.status_code == 303, unescape(answer.text)


def listed_doors(work: Work, text: str) -> list[DoorRow]:
    """The rows of a site's door list, as a test of what becomes of them writes it: headings first, parted by tabs."""
    sent = open_table(PASTED, text.encode(), DOORS, 1)
    read = read_table(work.session, DOORS, 1, sent.table, guess_choice(DOORS, 1, sent.table)[0])
    assert read.problems == []
    return [door_row(row, values) for row, values in read.rows]


def upload(client: FlaskClient, path: str, content: bytes, name: str, **fields: str) -> TestResponse:
    """Send one file, as the box `file` of a form."""
    data = {"file": (io.BytesIO(content), name), **fields}
    return client.post(path, data=data, content_type="multipart/form-data")


def led_to(client: FlaskClient, address: str) -> tuple[str, str]:
    """Where an address leads in the end, and the page there."""
    while (answer := client.get(address)).status_code == 303:
        address = answer.headers["Location"]
    return address, answer.text


def send_list(client: FlaskClient, text: str) -> tuple[str, str]:
    """Send a bitting list, its columns as they are guessed; where it is asked how it is written, and that page."""
    answer = upload(client, "/imports", text.encode(), "list.csv", kind="bitting list")
    assert answer.status_code == 303, answer.text
    address, page = led_to(client, answer.headers["Location"])
    if address.endswith("columns"):
        answer = client.post(address, data=form_with(page, "head"))
        address, page = led_to(client, answer.headers["Location"])
    return address, page


def list_taken(client: FlaskClient, text: str, customer: int, name: str, **boxes: str) -> str:
    """Take a bitting list over as it is read; its system's page. boxes: keyway, chambers and what is agreed to."""
    address, page = send_list(client, text)
    answer = client.post(address, data=form_with(page, "chambers") | {"act": "update", **boxes})
    said = {"act": "save", "customer": str(customer), "name": name, **boxes}
    answer = client.post(address, data=form_with(answer.text, "chambers") | said)
    assert answer.status_code == 303, unescape(answer.text)
    return led_to(client, answer.headers["Location"])[1]
