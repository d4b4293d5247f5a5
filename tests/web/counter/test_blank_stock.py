"""From the owner's count of the shelf to the next quote's day: what an accepted job takes is not promised again."""

import re
from collections.abc import Callable
from html import unescape

from app.ledger.tables import Role
from tests.desk import accepted, quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.stocked import PART, empty_house, posted

__all__ = ["empty_house"]

SHOP = {"keyed_at": "shop", "override_reason": "from us"}


def test_forty_six_from_a_shelf_of_thirty_leave_none_for_the_next(client_as: Callable[[Role], FormClient]) -> None:
    owner, clerk = client_as(Role.OWNER), client_as(Role.COUNTER)
    item = owner.get("/goods?q=mortise").location  # as every house has it from the start
    form = form_with(owner.get(item).text, "quantity") | {"quantity": "30", "deed": "count"}
    assert owner.post(item, data=form).status_code == 303

    def promised(token: str) -> str:
        page = clerk.post("/counter/work-out", data=posted(dict(PART), token=token, **SHOP)).text
        found = re.search(r'<p class="lead-time">([^<]+)</p>', page)
        assert found
        return unescape(found[1])

    def mortises() -> list[str]:
        row = re.search(r"<td[^>]*>mortise</td>(.*?)</tr>", owner.get("/prices/bench-terms").text, re.DOTALL)
        assert row
        return re.findall(r">([0-9]+)<", row[1])[1:]

    soon = promised("a" * 32)
    assert mortises() == ["30", "30"]  # on the shelf, free
    number = quoted(clerk, {**PART, "quantity": "46"}, token="b" * 32, **SHOP)
    assert promised("c" * 32) == soon
    accepted(clerk, number)
    assert mortises() == ["30", "0"]
    assert promised("d" * 32) != soon

    assert clerk.post("/jobs/1001/move", data={"version": "3", "to": "cancelled", "reason": "no"}).status_code == 303
    assert mortises() == ["30", "30"] and promised("e" * 32) == soon
