"""The bench's pages of keying: a job's pins and the shelf, and a key decoded from what was measured."""

import logging
from collections import Counter
from collections.abc import Callable
from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.keying import BittingSpec, pin, root_depth, write_inches
from app.ledger.bench.pins import stock_of
from app.ledger.keysystems.bittings import seal_bitting, spec_of
from app.ledger.store.work import Work
from app.ledger.tables import Event, Level, Role, SpecRow
from tests import factories
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, bitting_in, keyed_job

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    made = keyed_job(work)
    inches = {"depth0_in": "0.335", "increment_in": "0.015", "first_cut_in": "0.25", "spacing_in": "0.156"}
    made.system.spec.spec = {**made.system.spec.spec, **inches, "stack_total": 15}
    work.session.commit()
    return made


def _cuts(symbol: str) -> tuple[int, ...]:
    return tuple(int(digit) for digit in BITTINGS[symbol])


def _needed(keyed: Keyed) -> Counter[tuple[str, int | None]]:
    """Kind and size → how many, added up by hand from the pins of both flats."""
    spec, needed = spec_of(keyed.system), Counter[tuple[str, int | None]]()
    for change in ("1AA", "2AA"):
        for pins in pin(spec, {"AA": _cuts("AA"), change: _cuts(change)}).chambers:
            needed["bottom", pins.bottom] += 1
            needed["top", pins.top] += pins.top is None or pins.top > 0
            needed.update(Counter(("master", size) for size in pins.masters))
    return +needed


def _shelf(work: Work) -> dict[tuple[str, int], int]:
    work.session.rollback()
    specs = work.session.scalars(sa.select(SpecRow.id).order_by(SpecRow.id)).all()
    return {
        (pin.kind, pin.size or 0): count
        for spec in specs
        for pin, count in stock_of(work.session, work.vault, spec).items()
    }


def _events(work: Work, kind: str) -> list[Event]:
    work.session.rollback()
    return list(work.session.scalars(sa.select(Event).where(Event.kind == kind)))


def _counted(keyed: Keyed, count: Callable[[int], int]) -> dict[str, str]:
    return {f"pin {kind} {size}": str(count(n)) for (kind, size), n in _needed(keyed).items() if size is not None}


def test_the_pins_of_a_job_are_told_by_size_only_on_a_post(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/keying/jobs/{keyed.job.number}/pins"
    look = client.get(address)
    assert look.status_code == 200 and "<td" not in look.text and _events(work, "bittings revealed") == []
    page = client.post(address)
    assert page.status_code == 200 and page.headers["Cache-Control"] == "no-store"
    for (kind, size), count in _needed(keyed).items():
        if size is not None:
            assert f'>{kind}</th><td data-label="Size" class="number">{size}</td>' in page.text
            row = page.text.split(f'>{kind}</th><td data-label="Size" class="number">{size}</td>')[1]
            assert row.split("<b>")[1].startswith(f"{count}</b>"), (kind, size)
    [event] = _events(work, "bittings revealed")
    assert event.job_id == keyed.job.id
    assert bitting_in(page.text) is None


@pytest.mark.postgresql
def test_the_shelf_is_drawn_down_once_for_a_job(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/keying/jobs/{keyed.job.number}/pins"
    spec_id = keyed.system.spec_id
    saved = client.post("/stock/pins", data={"spec": spec_id, **_counted(keyed, lambda n: n + 7)})
    assert saved.status_code == 303
    drawn = client.post(address, data={"deed": "draw"})
    assert drawn.status_code == 303
    assert set(_shelf(work).values()) == {7}
    assert len(_events(work, "pins drawn")) == 1
    again = client.post(address, data={"deed": "draw"})
    assert again.status_code == 422 and "drawn already" in again.text
    assert set(_shelf(work).values()) == {7} and len(_events(work, "pins drawn")) == 1
    assert "drawn from the shelf already" in client.post(address).text


def test_a_short_shelf_is_told_and_nothing_is_drawn(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/keying/jobs/{keyed.job.number}/pins"
    client.post("/stock/pins", data={"spec": keyed.system.spec_id, **_counted(keyed, lambda n: n - 1)})
    before = _shelf(work)
    assert "short of some sizes" in client.post(address).text
    answer = client.post(address, data={"deed": "draw"})
    assert answer.status_code == 422 and "The stock lacks 1 × bottom" in answer.text
    assert _shelf(work) == before and _events(work, "pins drawn") == []


def test_every_chamber_takes_a_spring(keyed: Keyed, client_as: ClientAs) -> None:
    page = client_as(Role.BENCH).post(f"/keying/jobs/{keyed.job.number}/pins").text
    assert "pins, 12 springs" in page  # two cylinders of six chambers


def test_a_finding_stops_the_pick_list(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    wrong = factories.KeysetFactory(system=keyed.system, symbol="SKD1", level=Level.SINGLE)
    # Half of the master's cuts and half of a flat's: it turns that flat's cylinder.
    seal_bitting(work, keyed.system, wrong, (*_cuts("AA")[:3], *_cuts("1AA")[3:]))
    work.session.commit()
    answer = client_as(Role.BENCH).post(f"/keying/jobs/{keyed.job.number}/pins")
    assert answer.status_code == 422 and "SKD1" in answer.text and "<td" not in answer.text
    assert _events(work, "bittings revealed") == []


def test_a_stopped_sheet_names_every_finding_and_where_it_is_mended(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    for symbol, change in (("SKD1", "1AA"), ("SKD2", "2AA")):
        wrong = factories.KeysetFactory(system=keyed.system, symbol=symbol, level=Level.SINGLE)
        seal_bitting(work, keyed.system, wrong, (*_cuts("AA")[:3], *_cuts(change)[3:]))
    work.session.commit()
    number, system = keyed.job.number, keyed.system.id
    for address in (f"/bench/jobs/{number}/bittings", f"/jobs/{number}/bench-sheet.pdf"):
        for role in (Role.BENCH, Role.OWNER):
            answer = client_as(role).post(address)
            assert answer.status_code == 400
            listed = answer.text.partition("What to fix")[2]
            assert "SKD1" in listed and "SKD2" in listed and bitting_in(answer.text) is None
            assert f'href="/keying/systems/{system}/audit"' in listed
            assert (f'href="/keying/systems/{system}/correct"' in listed) is (role is Role.OWNER)
    assert _events(work, "bittings revealed") == []


def test_a_count_that_is_none_is_refused_and_kept(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.BENCH)
    for typed in ("-1", "x", "1.5", "9" * 12, "\N{FULLWIDTH DIGIT ONE}"):
        data = {"spec": keyed.system.spec_id, "pin bottom 2": typed, "pin bottom 3": "40"}
        answer = client.post("/stock/pins", data=data)
        assert answer.status_code == 422 and f'value="{typed}"' in answer.text and "bottom 2" in answer.text
    assert _shelf(work) == {}


def _inches(spec: BittingSpec, cuts: tuple[int, ...], off: tuple[str, ...] = ()) -> str:
    wear = [Fraction(one) for one in off] + [Fraction(0)] * len(cuts)
    return " ".join(write_inches(root_depth(spec, cut) - worn) for cut, worn in zip(cuts, wear, strict=False))


READ = {"order": "bow to tip", "tolerance": ".002"}


def test_a_measured_key_is_read_and_named_in_its_system(
    work: Work, keyed: Keyed, client_as: ClientAs, caplog: pytest.LogCaptureFixture
) -> None:
    spec = spec_of(keyed.system)
    measured = _inches(spec, _cuts("2AA"), ("0", "0.004"))  # one cut is worn past the tolerance
    data = {**READ, "system": keyed.system.id, "measured": measured, "why": "a copy for flat 2"}
    with caplog.at_level(logging.DEBUG):
        page = client_as(Role.BENCH).post("/keying/decode", data=data)
    assert page.status_code == 200 and page.headers["Cache-Control"] == "no-store"
    read = [row.split("</b>")[0] for row in page.text.split('<b class="depth">')[1:]]
    assert "".join(read) == BITTINGS["2AA"]
    assert "worn" in page.text and '<b class="code">2AA</b>' in page.text and ">1AA<" not in page.text
    [event] = _events(work, "bittings revealed")
    assert event.subject == f"key system {keyed.system.id}" and "a copy for flat 2" in event.summary
    for told in (event.summary, str(event.detail), caplog.text):
        assert bitting_in(told) is None and measured not in told


def test_a_cut_between_two_depths_is_told_and_not_guessed(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    measured = _inches(spec_of(keyed.system), _cuts("1AA"), ("-0.005",))
    data = {**READ, "spec": keyed.system.spec_id, "measured": measured, "why": "found key"}
    page = client_as(Role.BENCH).post("/keying/decode", data=data)
    assert page.status_code == 200 and "in between" in page.text and "Not every cut can be told" in page.text
    assert "6 or 7" in page.text
    [event] = _events(work, "bittings revealed")
    assert event.subject == f"bitting spec {keyed.system.spec_id}"


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("order", "typed"),
    [
        (
            "bow to tip",
            lambda spec, cuts: " ".join(f"{float(root_depth(spec, one)) * 25.4:.3f}" for one in cuts) + " mm",
        ),
        ("bow to tip", lambda spec, cuts: " ".join(map(str, cuts))),
        ("tip to bow", lambda spec, cuts: "".join(map(str, reversed(cuts)))),
    ],
)
def test_a_key_is_read_in_millimeters_or_by_a_gauge_from_either_end(
    work: Work, keyed: Keyed, client_as: ClientAs, order: str, typed: Callable[..., str]
) -> None:
    measured = typed(spec_of(keyed.system), _cuts("2AA"))
    data = {"system": keyed.system.id, "measured": measured, "order": order, "tolerance": ".002", "why": "a copy"}
    page = client_as(Role.BENCH).post("/keying/decode", data=data)
    assert page.status_code == 200
    read = [row.split("</b>")[0] for row in page.text.split('<b class="depth">')[1:]]
    assert "".join(read) == BITTINGS["2AA"] and '<b class="code">2AA</b>' in page.text
    assert ("by gauge" in page.text) == ("mm" not in measured)


def test_a_key_read_from_its_other_end_is_noticed(keyed: Keyed, client_as: ClientAs) -> None:
    data = {"system": keyed.system.id, "order": "bow to tip", "tolerance": ".002", "why": "a copy"}
    typed = {**data, "measured": BITTINGS["2AA"][::-1]}
    page = client_as(Role.BENCH).post("/keying/decode", data=typed).text
    assert "has such cuts" in page and "Read from the other end they are those of 2AA" in page
    right = client_as(Role.BENCH).post("/keying/decode", data={**data, "measured": BITTINGS["2AA"]}).text
    assert "Read from the other end" not in right


REFUSED = (
    ({"measured": ".3 .3"}, "measured"),
    ({"measured": ""}, "measured"),
    ({"measured": ".3 " * 60}, "measured"),
    ({"measured": "x .3 .3 .3 .3 .3"}, "measured"),
    ({"measured": "0 .3 .3 .3 .3 .3"}, "measured"),
    ({"tolerance": "0.2"}, "tolerance"),
    ({"tolerance": "nan"}, "tolerance"),
    ({"order": "sideways"}, "order"),
    ({"why": ""}, "why"),
    ({"why": "it is 528614"}, "why"),
    ({"cuts": "11"}, "cuts"),
    ({"cuts": "10" * 20}, "cuts"),
    ({"spec": ""}, "spec"),
    ({"spec": "999"}, "spec"),
    ({"system": "999"}, "system"),
)


def test_a_decoding_is_refused_by_field_and_nothing_is_on_record(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    good = {
        "spec": str(keyed.system.spec_id),
        "measured": _inches(spec_of(keyed.system), _cuts("AA")),
        **READ,
        "why": "test",
    }
    client = client_as(Role.BENCH)
    for changed, field in REFUSED:
        answer = client.post("/keying/decode", data={**good, **changed})
        assert answer.status_code == 422 and f'id="{field}-error"' in answer.text, changed
    assert _events(work, "bittings revealed") == []


def test_none_of_it_is_for_the_counter(keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    for address in ("/stock/pins", "/keying/decode", f"/keying/jobs/{keyed.job.number}/pins"):
        assert client.get(address).status_code == 403 and client.post(address).status_code == 403


def test_a_system_leads_to_all_its_work_by_role(keyed: Keyed, client_as: ClientAs) -> None:
    number = keyed.system.id
    bench = {f"/keying/systems/{number}/{deed}" for deed in ("audit", "cross-key", "extend", "lost-key")}
    bench |= {f"/keys/system/{number}", f"/keying/decode?system={number}", f"/keying/specs/{keyed.system.spec_id}"}
    page = client_as(Role.BENCH).get(f"/key-systems/{number}").text
    assert all(f'href="{address}"' in page for address in bench)
    assert (
        f'href="/keying/jobs/{keyed.job.number}/pins"'
        in client_as(Role.BENCH).get(f"/bench/jobs/{keyed.job.number}").text
    )
    counter = client_as(Role.COUNTER).get(f"/key-systems/{number}").text
    assert f"/keying/systems/{number}/lost-key" in counter and "extend" not in counter and "decode" not in counter
    index = client_as(Role.OWNER).get("/key-systems").text
    for address in ("keying/plan", "keying/matrix", "imports?kind=bitting+list", "keying/decode"):
        assert f'href="/{address}"' in index
    assert 'href="/keying/specs"' in client_as(Role.OWNER).get("/makers").text
