"""Fit: quick questions with no job, answered from the makers' tables, with and without a script."""

import json
import re
from html import unescape
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.catalog.maker_queries import shelf
from app.ledger.catalog.makers import import_maker
from app.ledger.tables import Draft, Item, Role
from app.web.fitting.views import QUESTIONS
from tests.keyed import counted

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers"


@pytest.fixture
def makers(work) -> None:
    for path in sorted(DEMO.glob("*.json")):
        import_maker(work, json.loads(path.read_text()))


@pytest.fixture
def counter(client_as, makers) -> FlaskClient:
    client: FlaskClient = client_as(Role.COUNTER)
    return client


def _ask(client: FlaskClient, slug: str, **asked: str) -> str:
    answer = client.get(f"/fit/{slug}", query_string=asked)
    assert answer.status_code == 200
    return str(answer.text.replace("&#39;", "'"))


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH, Role.OWNER])
def test_every_question_is_open_to_all_and_to_an_empty_house(client_as, role: Role) -> None:
    client = client_as(role)
    assert client.get("/fit").status_code == 200
    for slug in QUESTIONS:
        assert client.get(f"/fit/{slug}").status_code == 200
        assert client.get(f"/fit/{slug}", headers={"HX-Request": "true"}).text.count("<html") == 0
    assert client.get("/fit/nonsense").status_code == 404


def test_an_empty_house_is_shown_no_part_number_of_another(client_as) -> None:
    page = client_as(Role.COUNTER).get("/fit").text
    hint = re.search(r'<p class="hint" id="q[^"]*">(.*?)</p>', page)
    assert hint is not None and "As on the box" in hint[1]
    assert re.search(r"[A-Z0-9]{2,}-[A-Z0-9]{2}", hint[1]) is None


def test_a_number_is_laid_out_piece_by_piece_with_its_shelf(counter: FlaskClient) -> None:
    page = _ask(counter, "number", q="a18m q1 66 sc")
    assert "mortise cylinder 1-1/8 in, six pin, keyway AQ1, standard cam, 626 satin chromium" in page
    assert "Read as A18M-Q1-66.SC" in page
    assert "stocked" in page and "$30.40" in page
    assert page.count('<li class="left-out">') == 2


def test_a_number_that_is_not_made_names_the_piece_and_the_nearest(counter: FlaskClient) -> None:
    page = _ask(counter, "number", q="A18M-Q1-66.SD")
    assert "the piece that fails is <b>finish</b>" in page
    assert "A18M-Q1-66.SB</a>" in page


def test_a_number_that_reads_in_two_ways_shows_both(counter: FlaskClient, work) -> None:
    given = json.loads((DEMO / "pell_and_rowe.json").read_text())
    import_maker(work, {**given, "name": "Twin Works", "code": "TWI", "items": [], "key_blanks": [], "locks": []})
    page = _ask(counter, "number", q="32.118.P26")
    assert "reading 1 of 2" in page and "reading 2 of 2" in page and "Twin Works" in page


def test_what_a_customer_says_finds_items_stocked_first(counter: FlaskClient) -> None:
    page = _ask(counter, "number", q="1-1/4 rim satin chrome, six pin")
    assert page.index("A20R-Q1-66.SC") < page.index("A20R-Q1-66F.SC") < page.index("32.114.P26")
    assert "chambers 5 instead of 6" in page and "$28.70" in page


def test_a_key_blank_of_another_maker_finds_its_cylinders(counter: FlaskClient) -> None:
    page = _ask(counter, "number", q="pk 91")
    assert "AK5-12" in page and "enters" in page
    assert "owner's written word" in page


def test_attributes_make_each_makers_number_or_its_reason(counter: FlaskClient) -> None:
    page = _ask(counter, "compose", type="mortise", length="1 1/8", chambers="6", keyway="AQ1", finish="626")
    assert "A18M-Q1-66.SC" in page
    assert "Pell & Rowe has no" in page.replace("&amp;", "&")
    refused = _ask(
        counter, "compose", maker="ARD", type="mortise", length="1", cam="hooked", keyway="AQ1", chambers="6"
    )
    assert "the hooked cam is not made for the 1 in cylinder" in refused


def test_the_same_fit_from_another_maker_asks_about_the_face(counter: FlaskClient) -> None:
    page = _ask(counter, "same", number="32.118.P26").replace("&amp;", "&")
    assert "does the customer agree?" in page and "Record the answer" in page
    assert "The face will be Ardent Brass's instead of Pell & Rowe's." in page
    by_words = _ask(counter, "same", type="rim", length="1-1/8", maker="PAR")
    assert "A18R-Q1-66.SC" in by_words


def test_a_thick_door_wants_a_ring_and_the_lock_gives_its_measures(counter: FlaskClient) -> None:
    page = _ask(counter, "length", lock="Ferry 40 passage lock", maker="ARD", door="2-1/8", inside_trim="1/4")
    assert "The door asks for 1-5/16 in." in page and "The door asks for 1-9/16 in." in page
    assert page.count('class="ring"') == 2 and "a 1/16 inch ring under its head" in page
    metric = _ask(counter, "length", door="44.45 mm", case="1", cam_depth="3/4", lengths="1-1/8", rings="")
    assert "1-1/8 in" in metric and "sits flush" in metric


def test_a_head_that_stands_proud_is_warned_of(counter: FlaskClient) -> None:
    page = _ask(counter, "length", door="1-3/4", case="1", cam_depth="3/4", lengths="1-1/2", rings="1/8")
    assert "a wrench can get hold of it" in page and 'class="gap"' in page


def test_a_door_in_millimeters_is_not_called_proud_by_a_hair(counter: FlaskClient) -> None:
    # 57 mm is 2.2441 in; (2.2441 - 1)/2 + 3/4 = 1.37205, and 1-3/8 is 0.00295 in more.
    page = _ask(counter, "length", door="57 mm", lock="Pier 20 office lock", maker="ARD")
    assert (
        page.count("It sits flush without a ring. It is 0.003 in too long: less than 1/64 in counts as flush.") == 2
    )
    assert "wrench" not in page and "stands proud" not in page


def test_a_worn_or_strange_number_is_never_led_into_another_makers(counter: FlaskClient) -> None:
    worn = _ask(counter, "number", q="18M-Q?-66")
    # Six keyways by six finishes by three cams by three keyings: 324, all of them made.
    assert "It can be any of 324" in worn and len(re.findall(r'class="code" href="[^"]*">A18M-Q', worn)) == 324
    assert worn.index("A18M-Q1-66.SC+Z</a>") < worn.index("A18M-Q1-66.BC</a>")  # the catalog first
    assert "Nearest legal number" not in worn and ">31." not in worn
    only = _ask(counter, "number", q="8M-Q5-6?.SC+")
    assert "It can be any of" in only and "A18M-Q5-66.SC+Z" in only
    strange = _ask(counter, "number", q="Z18M-Q1-66.XX")
    assert "No maker on record has a part number like 'Z18M-Q1-66.XX'." in strange
    assert "Nearest legal number" not in strange


def test_a_narrow_stile_gets_the_two_inch_backset(counter: FlaskClient) -> None:
    page = _ask(counter, "bore", lock="Capstan 2 deadbolt", stile="4", bore="2-1/8")
    assert '<p class="big">2 in</p>' in page and "the bolt is centered" in page
    assert "fire-rated door" in page and "asavage.dyndns.org" in page
    assert "breaks out of the stile" in _ask(counter, "bore", stile="2-1/4", bore="2-1/8", backsets="2")


def test_a_number_composed_for_a_lock_has_a_cam_that_it_takes_or_asks(counter: FlaskClient) -> None:
    asked = {"type": "mortise", "length": "1-1/8", "chambers": "6", "finish": "626"}
    boxes = _ask(counter, "compose")
    assert 'name="lock"' in boxes and "Ferry 43 deadlock (Ardent Brass)" in boxes
    page = _ask(counter, "compose", lock="Ferry 43 deadlock", maker="ARD", keyway="AQ1", **asked)
    assert "A18M-Q1-66L.SC" in page and "The long cam works Ferry 43 deadlock" in page and "Ask first" not in page
    wrong = _ask(counter, "compose", lock="Ferry 43 deadlock", maker="ARD", keyway="AQ1", cam="standard", **asked)
    assert "wants the long cam. It takes the long cam." in wrong and "A18M-Q1-66" not in wrong
    other = {"lock": "Beacon 3 classroom lock", "maker": "ARD", "keyway": "AQ1", **asked}
    unknown = _ask(counter, "compose", **other)
    assert "Choose the cam. The cam of Ardent Brass that works" in unknown and "A18M-Q1-66" not in unknown
    chosen = _ask(counter, "compose", **other, cam="standard")
    assert "A18M-Q1-66.SC" in chosen and "on a lock of Northlight's" in chosen and "Ask first" in chosen
    length = _ask(counter, "length", lock="Beacon 3 classroom lock", maker="ARD", door="1-3/4")
    assert "The face will be Ardent Brass's on a lock of Northlight's. The cam of Ardent Brass that works" in length
    assert "Ask first" not in _ask(counter, "length", lock="Pier 20 office lock", maker="ARD", door="1-3/4")


def test_a_lock_that_is_named_gets_its_own_backsets_alone(counter: FlaskClient) -> None:
    # As the page sends it: the box of backsets holds common practice while a deadbolt is chosen.
    boxes = dict(re.findall(r'name="(backsets|bore)"[^>]*value="([^"]*)"', _ask(counter, "bore")))
    assert boxes["backsets"] == "2, 2-3/8, 2-3/4"
    page = _ask(counter, "bore", lock="Budget deadbolt", stile="4", **boxes)
    assert '<p class="big">No backset centers</p>' in page and "2 in</p>" not in page
    assert "The nearest that Budget deadbolt has is <b>2-3/8 in</b>." in page
    assert "Budget deadbolt is had with a backset of 2-3/8 and 2-3/4 in, not of 2 in." in page
    assert "3/8 in farther from the door's edge" in page
    # The backsets of the 160 preparation (printed: ALOA glossary) and of the 161 (derived from two deadbolt sheets).
    for stile, backset in (("4-3/4", "2-3/8"), ("5-1/2", "2-3/4")):
        page = _ask(counter, "bore", lock="Budget deadbolt", stile=stile, **boxes)
        assert f'<p class="big">{backset} in</p>' in page and "the bolt is centered" in page
    only = _ask(counter, "bore", lock="Budget deadbolt", stile="4-3/4", bore="2-1/8", backsets="2-3/4, 2")
    assert "has is <b>2-3/4 in</b>" in only and "not of 2 in" in only
    none = _ask(counter, "bore", lock="Budget deadbolt", stile="4", bore="2-1/8", backsets="2")
    assert "has none of these: it is had with a backset of 2-3/8 and 2-3/4 in" in none and 'class="big"' not in none
    unnamed = _ask(counter, "bore", stile="4", **boxes)
    assert '<p class="big">2 in</p>' in unnamed
    assert "No lock is named: these are common backsets, to be checked against the lock" in unnamed


def test_cylinder_ring_and_cam_of_a_lock_of_another_maker_are_one_answer(counter: FlaskClient) -> None:
    # 57 mm is 285/127 in: inside (285/127 - 1)/2 + 3/4 = 1.37205, so 1-3/8; with 1/16 in of trim 1.43455, so 1-1/2
    # less a ring of 1/16 in. Both are 0.003 in too long, less than 1/64 in.
    asked = {"lock": "Beacon 8 vestibule lock", "maker": "ARD", "door": "57 mm", "outside_trim": "1/16"}
    page = _ask(counter, "length", **asked, keyway="aq1", chambers="6", finish="626")
    outside, inside = page.split('aria-label="Outside"')[1].split("Both sides")[0].split('aria-label="Inside"')
    assert "Door thickness: 57 mm is 2.2441 in." in page
    assert "A24M-Q1-66.SC" in outside and "AG-01" in outside and "NM-2" in outside and "1/16 in <span" in outside
    assert "A22M-Q1-66.SC" in inside and "AG-0" not in inside and "NM-2" in inside
    assert "Northlight's own for this lock is two-stop (NM-2)." in page and "wrench" not in page
    # A maker without a list of lengths has those of its catalog: (2-1/4 - 1)/2 + 3/4 = 1-3/8.
    pell = _ask(
        counter, "length", lock="Beacon 3 classroom lock", maker="PAR", door="2-1/4", keyway="PR-P", finish="626"
    )
    assert "31.138.P26" in pell and "door at least 1-3/4 in" in pell
    # 2-3/8 in: (2-3/8 - 1)/2 + 3/4 = 1-7/16, more than Pell & Rowe's 1-3/8.
    short = _ask(counter, "length", lock="Beacon 3 classroom lock", maker="PAR", door="2-3/8")
    assert "none is long enough" in short and "Ardent Brass has 1-1/2 in." in short
    unsaid = _ask(counter, "length", **asked)
    assert "Say the chambers: 5, 6. In the catalog:" in unsaid and "A22M-Q1-66.SC" in unsaid
    own = _ask(counter, "length", lock="Ferry 43 deadlock", door="1-5/8", keyway="AQ1", chambers="6", finish="626")
    assert "A18M-Q1-66L.SC" in own and "Ask first" not in own and "The long cam works Ferry 43 deadlock" in own
    wrong = _ask(counter, "length", lock="Ferry 43 deadlock", door="1-5/8", keyway="AQ1", cam="standard")
    assert "It takes the long cam." in wrong and "Put on the quote" not in wrong


def test_a_thin_door_an_aluminum_stile_and_a_strange_lock_are_asked_about(counter: FlaskClient) -> None:
    measures = {"door": "1-3/8", "case": "1", "cam_depth": "3/4", "maker": "ARD"}
    page = _ask(counter, "length", **measures)
    assert "wants 1-3/4 in at least" in page and "Whose lock is it?" in page and "Ask first" not in page
    assert "Is the stile wood, steel or aluminum" in page
    page = _ask(counter, "length", **measures, lock_maker="Corbel", material="aluminum")
    assert "on a lock of Corbel's. The cam of Ardent Brass that works a lock of Corbel's is not known" in page
    assert "An aluminum stile is hollow" in page and "Is there a glass stop on the stile?" in page
    page = _ask(
        counter, "bore", lock="Capstan 2 deadbolt", stile="4", bore="2-1/8", material="aluminum", glass_stop="0"
    )
    assert "An aluminum stile is hollow" in page and "Is there a glass stop" not in page
    assert "Backset is measured from the door's edge" in page and "A156.13-2017, 2.3" in page


def _put(page: str) -> dict[str, list[dict[str, str]]]:
    """What the page's buttons put on a quote: by their names, the lines."""
    found = re.findall(
        r'name="lines" value="(.*?)">\s*<button class="plain" aria-label="Put (.*?) on the quote"', page
    )
    return {unescape(name): json.loads(unescape(lines)) for lines, name in found}


KEYED_TO = "cylinder, five pin, keyway AQ1"
SIZES, THREADS = ("cylinder_diameter", "lock_diameter"), ("cylinder_threads", "lock_threads")


def test_each_kind_of_answer_can_be_put_on_the_quote(counter: FlaskClient) -> None:
    door = {"lock": "Pier 20 office lock", "maker": "ARD", "door": "1-3/4"}
    body = {"keyway": "AQ1", "chambers": "6", "finish": "626"}
    rim = {"door": "1-3/4", "length": "1-1/8", "reach_least": "1/4", "reach_most": "1/2", "supplied": "2-1/2"}
    for slug, asked, name, said in (
        ("number", {"q": "a18m q1 66 sc"}, "A18M-Q1-66.SC", {"maker": "ARD", "part_number": "A18M-Q1-66.SC"}),
        ("number", {"q": "18M-Q?-66"}, "A18M-Q2-66.SC", {"maker": "ARD"}),
        ("number", {"q": "1-1/4 rim satin chrome"}, "A20R-Q1-66.SC", {"maker": "ARD"}),
        ("number", {"q": "PK-91"}, "31.118.P26", {"maker": "PAR"}),
        (
            "compose",
            {"type": "mortise", "length": "1-1/8", "lock": "Ferry 43 deadlock", **body},
            "A18M-Q1-66L.SC",
            {"maker": "ARD", "fit_lock": "Ferry 43 deadlock"},
        ),
        ("same", {"number": "32.118.P26"}, "A18R-Q1-66.SC", {"replaces": "32.118.P26", "replaces_finish": "626"}),
        (
            "length",
            {**door, **body},
            "A18M-Q1-66.SC (outside)",
            {"fit_lock": "Pier 20 office lock", "fit_door": "1-3/4"},
        ),
        ("bore", {"lock": "Budget deadbolt", "stile": "4-3/4", "bore": "2-1/8"}, "P-BUDGET", {"fit_stile": "4-3/4"}),
        ("bore", {"stile": "4", "bore": "2-1/8"}, "A-CAPSTAN-2", {"fit_lock": "Capstan 2 deadbolt"}),
        (
            "tailpiece",
            rim,
            "the rim cylinder",
            {"kind": "cylinder", "type": "rim", "remark": "Tailpiece cut to 1-1/8 in"},
        ),
        ("cam", {"lock": "Ferry 43 deadlock"}, "AC-12", {"maker": "ARD"}),
        ("key", {"blank": "PK-91", "cuts": "5", "number": "A18M-Q1-56.SC"}, "A18M-Q1-56.SC", {"fit_cuts": "5"}),
        ("key", {"blank": "PK-91", "cuts": "5", "keyway": "AQ1", "chambers": "5"}, KEYED_TO, {"fit_key": "PK-91"}),
        ("finishes", {"codes": "626, 605"}, "a cylinder in 626", {"finish": "626", "fit_finishes": "605"}),
        ("thread", dict.fromkeys(SIZES, "1-5/32") | dict.fromkeys(THREADS, "32"), "a mortise cylinder", {}),
    ):
        put = _put(_ask(counter, slug, **asked))
        assert name in put, (slug, name, list(put))
        assert {**put[name][0], **said} == put[name][0], (slug, put[name][0])


def test_what_is_put_on_the_quote_stands_there_beside_what_was_typed(counter: FlaskClient, session) -> None:
    put = _put(_ask(counter, "bore", lock="Capstan 2 deadbolt", stile="4", bore="2-1/8"))
    first = {"lines": json.dumps(put["A-CAPSTAN-2"])}
    answer = counter.post("/counter/put", data=first)
    assert answer.status_code == 303
    address, _, line = answer.location.partition("#")
    assert line == "line-0"
    page = counter.get(address).text
    assert 'value="A-CAPSTAN-2"' in page and "Capstan 2 deadbolt: backset 2 in, hole 2-1/8 in, stile 4 in" in page
    worn = _put(_ask(counter, "number", q="18M-Q?-66"))["A18M-Q2-66.SC"]
    assert counter.post("/counter/put", data={"lines": json.dumps(worn)}).location == f"{address}#line-1"
    (draft,) = session.scalars(sa.select(Draft)).all()
    assert [line["part_number"] for line in draft.typed["lines"]] == ["A-CAPSTAN-2", "A18M-Q2-66.SC"]
    assert "Put A18M-Q2-66.SC on a new quote" in _ask(counter, "number", q="18M-Q?-66")
    other = counter.post("/counter/put", data={**first, "onto": "new"}).location
    assert other.endswith("#line-0") and not other.startswith(address)
    session.rollback()
    drafts = session.scalars(sa.select(Draft)).all()
    assert sorted(len(each.typed["lines"]) for each in drafts) == [1, 2]
    for nonsense in ("", "[]", "nonsense"):
        assert "#" not in counter.post("/counter/put", data={"lines": nonsense}).location
    assert counter.get("/counter/put").location == "/counter"  # somebody came back to it


def test_tailpiece_thread_cam_and_key(counter: FlaskClient) -> None:
    asked = {"door": "1-3/4", "length": "1-1/8", "reach_least": "1/4", "reach_most": "1/2", "supplied": "2-1/2"}
    assert "cut to 1-1/8 in" in _ask(counter, "tailpiece", **asked, notch="1/8")
    usual = {"lock_diameter": "1-5/32", "lock_threads": "32"}
    assert "it does not go in" in _ask(counter, "thread", cylinder_diameter="1", cylinder_threads="32", **usual)
    assert "it goes in" in _ask(counter, "thread", cylinder_diameter="1-5/32", cylinder_threads="32", **usual)
    cam = _ask(counter, "cam", lock="Ferry 43 deadlock")
    assert "does not work" in cam and "its bolt tail sits deeper" in cam and "AC-12" in cam
    key = _ask(counter, "key", blank="PK-91", cuts="5", number="A18M-Q1-56.SC")
    assert "can be keyed to it" in key
    assert "cannot take it" in _ask(counter, "key", blank="PK-91", cuts="5", keyway="AQ5", chambers="6", maker="ARD")


def test_finishes_stand_with_swatch_text_and_warning(counter: FlaskClient) -> None:
    page = _ask(counter, "finishes", codes="626, US3")
    assert "do not match" in page and "satin chromium" in page and 'fill="#b4b9bd"' in page
    every = _ask(counter, "finishes")
    assert every.count('class="swatch"') == 17 and "Ardent Brass" in every


LONG = "9" * 10_000


REFUSED = [
    ("number", {"q": LONG}, "At most 200 characters fit here."),
    ("number", {"q": "x" * 180}, "Nothing in the makers"),
    ("compose", {"length": "1-1/8"}, "Say the cylinder's type"),
    ("compose", {"type": "wafer"}, "is no cylinder type"),
    ("compose", {"type": "rim", "length": "long"}, "is not a length that can be read"),
    ("compose", {"type": "rim", "length": LONG}, "is not a length that can be read"),
    ("compose", {"type": "rim", "chambers": "5.5"}, "Enter a whole number from 1 to 12."),
    ("same", {"number": "A18M-Q1-66.SD"}, "was not understood as finish"),
    ("length", {"door": "2"}, "Enter the case, or choose a lock."),
    ("length", {"door": "0", "case": "1", "cam_depth": "3/4"}, "more than 0"),
    ("length", {"door": "-2", "case": "1", "cam_depth": "3/4"}, "is not a length"),
    ("length", {"case": "1"}, "Enter the door's thickness."),
    ("length", {"door": "1/0", "case": "1"}, "divides by zero"),
    ("bore", {"stile": "2", "bore": "2-1/8", "backsets": "1"}, "leaves nothing of the stile"),
    ("bore", {"stile": "1" + "0" * 30, "bore": "2", "backsets": "2"}, "Enter a length from 0 to 1000 in"),
    (
        "tailpiece",
        {"door": "2", "length": "1", "reach_least": "1", "reach_most": "0", "supplied": "2"},
        "swap them",
    ),
    ("thread", {"cylinder_diameter": "1"}, "Enter the threads."),
    ("cam", {"lock": "No such lock"}, "There is no lock"),
    ("key", {"blank": "ZZ-1", "cuts": "5", "keyway": "AQ1"}, "No maker's table has the key blank"),
    ("key", {"blank": "PK-91", "cuts": "5"}, "Say the cylinder's keyway first."),
    ("key", {"blank": "PK-91", "cuts": "0"}, "Enter a whole number from 1 to 12."),
    ("finishes", {"codes": "999"}, "is not in the table"),
]


def test_a_us_code_is_every_number_that_it_can_be(counter: FlaskClient) -> None:
    one = _ask(counter, "finishes", codes="US26D")
    assert "US26D can be 626 satin chromium or 652 satin chromium plated: the base metal decides." in one
    assert "look alike" not in one and "match on one door" not in one
    assert "These match on one door." in _ask(counter, "finishes", codes="us26d, 652")
    clash = _ask(counter, "finishes", codes="626, US3")
    assert clash.count("do not match") == 1 and "look alike" not in clash


def test_what_cannot_be_answered_says_why(counter: FlaskClient) -> None:
    for slug, asked, said in REFUSED:
        assert said in _ask(counter, slug, **asked), (slug, said)


def test_what_is_typed_never_becomes_markup(counter: FlaskClient) -> None:
    for slug, question in QUESTIONS.items():
        asked = {field.short_name: "<script>x</script>" for field in question.form()}
        assert "<script>x" not in _ask(counter, slug, **asked)


def test_a_question_asks_the_database_a_bounded_number_of_times(counter: FlaskClient, ledger) -> None:
    _ask(counter, "number", q="rim")
    for slug, asked in (("number", {"q": "1-1/4 rim"}), ("same", {"number": "32.118.P26"}), ("finishes", {})):
        with counted(ledger.engine) as seen:
            _ask(counter, slug, **asked)
        assert len(seen) <= 9, (slug, seen)


def test_the_shelf_is_kept_until_an_item_changes(session, makers, ledger) -> None:
    first = shelf(session)
    assert shelf(session) is first
    item = session.scalar(sa.select(Item).where(Item.code == "A18M-Q1-66.SC"))
    item.list_cents = 9900
    session.commit()
    changed = next(each for each in shelf(session) if each.part_number == "A18M-Q1-66.SC")
    assert changed.list_cents == 9900 and changed.attributes is not None
    assert changed.attributes.maker == changed.maker == "Ardent Brass"


def test_a_keyway_shows_its_family_and_the_blanks_that_enter_it(counter: FlaskClient) -> None:
    page = " ".join(_ask(counter, "number", q="aq-3").split())
    assert "Family AQ, with AQ1, AQ2, AQ4, AQ5, AQ6." in page
    entering = re.findall(r'href="/fit/number\?q=([^"]+)"', page)
    assert entering == ["AK5-34", "AK6-34", "AK6-ALL"]
    assert page.count("enters the whole family") == 1
    shared = _ask(counter, "number", q="AQ1")
    assert ">PK-91</a> Pell & Rowe" in shared.replace("&amp;", "&") and "Not a number" not in shared


def test_a_maker_that_drills_both_ways_is_asked_and_answered(counter: FlaskClient, work) -> None:
    given = json.loads((DEMO / "ardent_brass.json").read_text())
    chambers = next(each for each in given["patterns"][0]["segments"] if each["name"] == "chambers")
    chambers["codes"].append({"code": "55", "words": "five chambers", "sets": {"chambers": 5, "drilled": 5}})
    import_maker(work, given)
    asked = {"type": "mortise", "length": "1-1/8", "chambers": "5", "keyway": "AQ1", "finish": "626", "maker": "ARD"}
    assert "Say the drilled: 6, 5." in _ask(counter, "compose", **asked)
    page = _ask(counter, "compose", **asked, drilled="5")
    assert "A18M-Q1-55.SC" in page and "Drilled for" in page
    assert "cannot hold 5 chambers" in _ask(counter, "compose", **asked, drilled="4")


def test_a_body_that_goes_through_the_door_has_no_tailpiece_to_measure(counter: FlaskClient) -> None:
    asked = {"door": "1-3/4", "length": "3", "reach_least": "1/2", "reach_most": "3/4", "supplied": "3"}
    page = _ask(counter, "tailpiece", **asked)
    assert "There is no room for a tailpiece." in page and "It must be" not in page
    assert "It must be 1-1/8 to 1-3/8 in" in _ask(
        counter, "tailpiece", **{**asked, "length": "1-1/8", "supplied": "1"}
    )
