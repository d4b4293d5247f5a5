"""What stands on every page, and what is left out for whom."""

import re
from collections.abc import Callable
from datetime import date, datetime
from fractions import Fraction

import pytest
import sqlalchemy as sa
from flask import Blueprint, Flask, render_template_string
from sqlalchemy.orm import Session

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role, User
from app.web.access import owner_only
from app.web.templating import show_day, show_moment
from tests.conftest import NOW
from tests.factories import FormClient, HouseFactory

ClientAs = Callable[[Role | None], FormClient]


def test_a_page_has_a_language_a_title_a_skip_link_and_one_heading(owner_client: FormClient) -> None:
    HouseFactory(name="Fenwick Quay")
    page = owner_client.get("/house").text
    assert '<html lang="en-US">' in page
    assert "<title>Users · Fenwick Quay</title>" in page
    assert page.index('href="#main"') < page.index("<header")
    assert page.count("<h1") == 1
    assert 'role="status"' in page


def test_the_house_page_is_the_owner_s_alone(client_as: ClientAs) -> None:
    assert ">Settings</a>" in client_as(Role.OWNER).get("/my-password").text
    for role in (Role.COUNTER, Role.BENCH):
        assert ">Settings</a>" not in client_as(role).get("/my-password").text


def test_nobody_sees_the_navigation_before_the_login(client_as: ClientAs) -> None:
    page = client_as(None).get("/login").text
    assert "<nav" not in page
    assert "Log out" not in page


def test_the_page_shown_is_marked_in_the_navigation(owner_client: FormClient) -> None:
    assert 'href="/house" aria-current="page"' in owner_client.get("/house/users/new").text


def test_the_demo_says_so_on_every_page(web: Flask, owner_client: FormClient) -> None:
    assert "invented data" not in owner_client.get("/house").text
    from dataclasses import replace

    web.extensions["config"] = replace(web.extensions["config"], is_demo=True)
    assert "invented data" in owner_client.get("/house").text


def test_names_are_escaped(owner_client: FormClient, owner: User, session: Session) -> None:
    owner.name = '<script>alert("x")</script>'
    HouseFactory(name="<b>House</b>")
    session.commit()
    page = owner_client.get("/house").text
    assert "<script>alert" not in page
    assert "<b>House" not in page
    assert "&lt;script&gt;alert" in page


def test_a_page_asks_the_database_a_bounded_number_of_questions(
    owner_client: FormClient, ledger: Ledger, session: Session
) -> None:
    from tests.factories import UserFactory

    for _ in range(30):
        UserFactory(password_hash="none")
    asked: list[str] = []
    sa.event.listen(ledger.engine, "before_cursor_execute", lambda *given: asked.append(given[2]))
    assert owner_client.get("/house").status_code == 200
    assert len([statement for statement in asked if statement.startswith("SELECT")]) <= 4, asked


def test_days_and_moments_read_the_same_everywhere(web: Flask) -> None:
    assert show_day(date(2026, 3, 4)) == "4 Mar 2026"
    assert show_moment(None) == ""
    local = datetime(2026, 11, 25, 9, 5).astimezone()
    assert show_moment(local) == "25 Nov 2026, 09:05"
    with web.test_request_context("/"):
        shown = render_template_string(
            "{{ cents | cents }} {{ inches | inches }} {{ today | day }}", cents=123450, inches=Fraction(9, 8)
        )
    assert shown == f"$1,234.50 1-1/8 {show_day(NOW.astimezone().date())}"


def test_a_name_that_a_template_does_not_know_is_an_error(web: Flask) -> None:
    from jinja2 import UndefinedError

    with web.test_request_context("/"), pytest.raises(UndefinedError):
        render_template_string("{{ misspelled }}")


# ---- macros ----


@pytest.fixture
def rendered(web: Flask) -> Callable[..., str]:
    """`rendered("{{ … }}", **names)` with every macro imported."""

    def render(source: str, **names: object) -> str:
        imports = (
            '{% from "macros/page.html" import notice, table, empty, badge, stage, pages, story %}'
            '{% from "macros/forms.html" import form, field, buttons %}'
        )
        with web.test_request_context("/"):
            return render_template_string(imports + source, **names)

    return render


@pytest.mark.parametrize("word", ["asked", "parts on order", "closed", "lost", "canceled"])
def test_a_stage_is_a_word_beside_a_mark(rendered: Callable[..., str], word: str) -> None:
    shown = rendered("{{ stage(word) }}", word=word)
    assert word in shown
    assert "<svg" in shown and 'aria-hidden="true"' in shown


def test_every_stage_of_a_job_has_its_mark(rendered: Callable[..., str]) -> None:
    from app.ledger.tables import Stage

    barred = {stage for stage in Stage if "refused" in rendered("{{ stage(word) }}", word=stage)}
    assert barred == {Stage.LOST, Stage.CANCELED}


def test_an_empty_table_says_so(rendered: Callable[..., str]) -> None:
    source = '{% call(row) table("Jobs", [("No.", "")], rows, "No open jobs.") %}<td>{{ row }}</td>{% endcall %}'
    assert "<table" not in rendered(source, rows=[])
    assert "No open jobs." in rendered(source, rows=[])
    assert '<th scope="col">No.</th>' in rendered(source, rows=[1])


def test_pages_keep_the_search(rendered: Callable[..., str]) -> None:
    shown = rendered('{{ pages(2, 3, "house.index", q="a&b") }}')
    assert 'href="/house?page=1&amp;q=a%26b"' in shown and 'href="/house?page=3&amp;q=a%26b"' in shown
    assert "Page 2 of 3" in shown
    assert rendered('{{ pages(1, 1, "house.index") }}').strip() == ""


def test_a_refused_field_is_wired_to_its_label_hint_and_error(owner_client: FormClient) -> None:
    page = owner_client.post("/house/users/new", data={"name": ""}).text
    assert '<label for="name">Name</label>' in page
    assert 'id="name-hint"' in page and 'id="name-error"' in page
    assert 'aria-describedby="name-hint name-error"' in page
    assert 'aria-invalid="true"' in page
    assert 'href="#role-0"' in page and 'id="role-0"' in page


def test_an_entry_whose_page_does_not_exist_is_left_out(
    web: Flask, client_as: ClientAs, monkeypatch: pytest.MonkeyPatch
) -> None:
    from app.web import navigation

    extra = Blueprint("extra", __name__)
    extra.get("/extra", endpoint="index")(owner_only(lambda: "extra"))
    web.register_blueprint(extra)
    leaves = (navigation.MenuWord("Missing", "missing.index"), navigation.MenuWord("Extra", "extra.index"))
    # A word with one leaf left is that leaf.
    monkeypatch.setattr(navigation, "_MENU", (*leaves[:1], navigation.MenuWord("Parted", leaves=leaves)))
    page = client_as(Role.OWNER).get("/my-password").text
    assert ">Missing</a>" not in page and ">Parted</a>" not in page and page.count(">Extra</a>") == 1
    assert ">Extra</a>" not in client_as(Role.BENCH).get("/my-password").text


def test_a_page_below_a_word_of_the_menu_shows_the_leaves_beside_it(client_as: ClientAs) -> None:
    fit = client_as(Role.COUNTER).get("/fit/length").text
    menu, _, under = fit.partition('<nav class="under" aria-label="Counter">')
    assert '<a href="/counter" aria-current="page">Counter</a>' in menu and "Fit</a>" not in menu
    leaves = under.partition("</nav>")[0]
    assert '<a href="/counter">Quote</a><a href="/fit" aria-current="page">Fit</a>' in leaves


def test_the_menu_has_eight_words_at_most(client_as: ClientAs) -> None:
    def words(role: Role) -> list[str]:
        menu = client_as(role).get("/my-password").text.partition('aria-label="Pages"')[2].partition("</nav>")[0]
        return re.findall(r">([^<>]+)</a>", menu)

    everything = ["Day", "Counter", "Jobs", "Customers", "Key systems", "Bench", "Goods", "Settings"]
    assert words(Role.OWNER) == everything
    assert words(Role.COUNTER) == [word for word in everything if word not in ("Bench", "Settings")]
    assert words(Role.BENCH) == everything[:-1]


def test_leaves_can_have_chips_of_their_own(owner_client: FormClient) -> None:
    under = owner_client.get("/house/logins").text.partition('<nav class="under" aria-label="Settings">')[2]
    leaves, _, chips = under.partition("</nav>")[0].partition('<div class="chips">')
    assert '<a href="/house" aria-current="page">People</a>' in leaves and ">Logins</a>" not in leaves
    assert '<a href="/house/logins" aria-current="page">Logins</a>' in chips and ">Books</a>" not in chips
