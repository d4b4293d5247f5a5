"""Who opens what: the grid and the file, keyed by levels or by a search, sealed when asked."""

import threading
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from app.errors import BitternError
from app.ledger.keysystems import planning
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, KeySystem, Keyway, Level, Role
from app.web.keying import searches
from tests import factories
from tests.desk import upload
from tests.web.keying.keying_system import bittings_in_clear

ClientAs = Callable[[Role | None], FlaskClient]
ASK = {"keyway": "AQ1", "chambers": "6", "seconds": "20"}
NESTED = ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,x,,\n"
CROSSED = ",hall,desk,store\nclerk,x,x,\nporter,x,,x\n"


@pytest.fixture
def bench(session: Session, client_as: ClientAs) -> FlaskClient:
    factories.KeywayFactory(code="AQ1")
    return client_as(Role.BENCH)


def _send(client: FlaskClient, text: str, **data: str) -> TestResponse:
    return upload(client, "/keying/matrix", text.encode(), "who.csv", **{**ASK, **data})


def _run(client: FlaskClient, text: str, **data: str) -> tuple[str, str]:
    answer = _send(client, text, **data)
    assert answer.status_code == 303, answer.text
    for run in client.application.extensions["keying runs"].values():
        assert run.ended.wait(60)
    return answer.location, client.get(answer.location).text


def test_holders_who_nest_are_keyed_by_levels_and_sealed(bench: FlaskClient, session: Session, work: Work) -> None:
    address, page = _run(bench, NESTED)
    assert "Every holder opens their doors" in page and "AA" in page and "1AA" in page
    assert session.query(Bitting).count() == 0
    customer = factories.CustomerFactory()
    answer = bench.post(
        f"{address}/seal", data={"customer": str(customer.id), "name": "Harbour office", "site_name": "Office"}
    )
    assert answer.status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    assert [(k.symbol, k.purpose) for k in system.keysets] == [("AA", "warden"), ("1AA", "clerk"), ("2AA", "porter")]
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    for bitting in bittings_in_clear(work, system).values():
        assert bitting not in page
    assert "store,AA,AA" in bench.get(f"{address}/doors.csv").text


@pytest.mark.parametrize("told", ["at first", "on saving"])
def test_it_is_keyed_beside_what_the_customer_has(
    bench: FlaskClient, session: Session, work: Work, told: str
) -> None:
    """The customer has a door that eight keys of one depth each turn, so that one bitting in four does."""
    customer = factories.CustomerFactory(name="Quay Hall Trust")
    keyway = session.query(Keyway).one()
    book = factories.KeySystemFactory(customer=customer, levels=1, keyway=keyway.code, spec=keyway.spec)
    keysets = [factories.KeysetFactory(system=book, symbol=f"SKD{n}", level=Level.SINGLE) for n in range(8)]
    for depth, keyset in enumerate(keysets):
        seal_bitting(work, book, keyset, (depth,) * 6)
    door = factories.CylinderFactory(keyset=keysets[0], keyway=keyway.code, chambers=6)
    for keyset in keysets[1:]:
        factories.CylinderOperatorFactory(cylinder_id=door.id, keyset=keyset)
    rooms = range(120)
    rows = [["", *(f"D{one}" for one in rooms)], *([f"P{n}", *("x" if n == m else "" for m in rooms)] for n in rooms)]
    table = "\n".join(",".join(row) for row in rows)
    chosen = {"customer": str(customer.id)}
    page = bench.get("/keying/matrix").text
    assert f'<option value="{customer.id}">Quay Hall Trust</option>' in page
    address, page = _run(bench, table, **(chosen if told == "at first" else {}))
    asked = {**chosen, "name": "Rooms", "site_name": "Annex"}
    answer = bench.post(f"{address}/seal", data=asked)
    assert answer.status_code == 303
    if told == "on saving":
        for run in bench.application.extensions["keying runs"].values():
            assert run.ended.wait(60)
        page = bench.get(answer.location).text
        assert "would clash with what this customer has, so it is keyed again." in page
        assert 'value="Rooms"' in page and 'value="Annex"' in page
        answer = bench.post(f"{answer.location}/seal", data=asked)
        assert answer.status_code == 303
    session.rollback()
    assert session.query(KeySystem).filter_by(name="Rooms").count() == 1


def test_holders_who_cross_keep_their_levels(bench: FlaskClient) -> None:
    _, page = _run(bench, CROSSED)
    assert "By levels: 2." in page and "X1AA" in page and "X1X" not in page


def test_the_grid_on_the_page_is_keyed_without_a_file(bench: FlaskClient) -> None:
    data = {**ASK, "rows": "6", "columns": "8", "door-0": "hall", "door-1": "desk", "holder-0": "warden"}
    data |= {"holder-1": "clerk", "open-0-0": "on", "open-0-1": "on", "open-1-1": "on", "deed": "solve"}
    answer = bench.post("/keying/matrix", data=data)
    assert answer.status_code == 303
    page = bench.get(answer.location).text
    assert "2 keysets for 2 doors" in page
    more = bench.post("/keying/matrix", data={**data, "deed": "rows"}).text
    assert 'name="holder-9"' in more and 'value="warden"' in more and 'name="open-1-1" checked' in more


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (",hall,hall\nwarden,x,x\n", "stands twice"),
        (",hall\nwarden,maybe\n", "row 2, column 2"),
        (",hall,desk\nwarden,x,\n", "Nobody opens door desk"),
        ("", "doors along the first row"),
        ("," + "W" * 10_000 + "\nwarden,x\n", "1 to 60 characters"),
        (",hall\nwarden\n", "Nobody opens door hall"),
    ],
)
def test_a_table_that_makes_no_sense_is_told_by_cell(bench: FlaskClient, text: str, words: str) -> None:
    answer = _send(bench, text)
    assert answer.status_code == 422 and words in answer.text
    assert not bench.application.extensions.get("keying runs")


@pytest.mark.parametrize(
    ("field", "value"), [("chambers", "7"), ("seconds", "0"), ("seconds", "9" * 30), ("keyway", "ZZ")]
)
def test_the_asking_is_refused_by_field(bench: FlaskClient, field: str, value: str) -> None:
    answer = _send(bench, NESTED, **{field: value})
    assert answer.status_code == 422 and f'id="{field}-error"' in answer.text


def test_what_cannot_be_is_told_with_its_clash(session: Session, client_as: ClientAs) -> None:
    # Under a MACS of 0 two depths make two bittings, too few to tell three holders apart.
    spec = {"chambers": 3, "depths": 2, "first_depth": 0, "macs": 0, "step": 1}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)
    text = ",hall,desk,store\nclerk,x,,\nporter,,x,\nwarden,,,x\n"
    _, page = _run(client_as(Role.BENCH), text, chambers="3")
    assert "Impossible on this spec" in page and "Doors that clash" in page


def test_a_search_on_its_way_shows_progress_and_asks_again_without_a_script(
    bench: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    told, go, now = threading.Event(), threading.Event(), [0.0]

    def slow(*arguments: object, on_progress: Callable[[int, float], None], **options: object) -> None:
        on_progress(7, 0.0)
        told.set()
        assert go.wait(60)
        raise BitternError("matrix", "It was told to stop.")

    monkeypatch.setattr(planning, "key_matrix", slow)
    monkeypatch.setattr(searches.start_run, "__defaults__", (0.0,))
    monkeypatch.setattr(searches, "monotonic", lambda: now[0])
    answer = _send(bench, CROSSED)
    (run,) = bench.application.extensions["keying runs"].values()
    assert told.wait(60)
    run.started, now[0] = 0.0, run.seconds / 4
    page = bench.get(answer.location)
    assert page.headers["Refresh"] == "2"
    # By the clock: the search has told nothing since it began.
    assert 'value="25"' in page.text and "Best so far: 7" in page.text and "The time is up" not in page.text
    now[0] = run.seconds
    assert "The time is up: what stands in the way is being looked for" in bench.get(answer.location).text
    assert _send(bench, CROSSED).status_code == 303
    assert "under way already" in _send(bench, CROSSED).text
    go.set()
    for run in bench.application.extensions["keying runs"].values():
        assert run.ended.wait(30)
    ended = bench.get(answer.location)
    assert "Refresh" not in ended.headers and "It was told to stop." in ended.text


def test_a_search_is_its_askers_alone(bench: FlaskClient, client_as: ClientAs) -> None:
    address, _ = _run(bench, NESTED)
    assert client_as(Role.OWNER).get(address).status_code == 404
    assert client_as(Role.COUNTER).get(address).status_code == 403
