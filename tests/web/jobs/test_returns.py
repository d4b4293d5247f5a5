"""Goods are sold, come back on the return's page, and their claim is settled on its own."""

import re
from html import unescape

from app.ledger.stock.handling import set_place
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, KeyState, PlaceKind, Role, Stage
from tests import factories
from tests.keyed import bitting_in, give, keyed_job, tick_off
from tests.reading import pdf_text
from tests.web.jobs.test_views import ClientAs


def test_all_that_is_wrong_with_a_return_is_told_at_once(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.ON_THE_BENCH)
    job, keyset = keyed.job, keyed.cylinders[0].keyset_id
    factories.JobLineFactory(job=job, number=1, description="Ring set", quantity=10)
    tick_off(work, job)
    job.stage = Stage.READY
    work.session.commit()
    give(work, job)
    client, address = client_as(Role.COUNTER), f"/jobs/{job.number}"
    assert f'href="{address}/return"' in client.get(address).text
    (seen,) = re.findall(r'name="version"[^>]*value="(\d+)"', client.get(f"{address}/return").text)
    told = {
        "reason": "Say why it comes back.",
        "restocking": "This is not an amount in dollars",
        "goods-1": f"Of line 1, 10 of job {job.number} can come back: enter at most that.",
        f"keys-{keyset}": "1 key of this keyset can come back: enter at most that.",
    }
    sent = {"version": seen, "reason": "", "restocking": "a tenth", "goods-1": "11", f"keys-{keyset}": "2"}
    page = client.post(f"{address}/return", data=sent)
    for box, said in told.items():
        assert said in page.text.partition(f'id="{box}-error">')[2].partition("</p>")[0], box
        assert page.text.count(f'href="#{box}"') == 1, box
    assert page.status_code == 422 and all(f'value="{typed}"' in page.text for typed in ("a tenth", "11", "2"))
    # Pieces that cannot be read are not said to be missing.
    page = client.post(f"{address}/return", data={**sent, "goods-1": "a few", f"keys-{keyset}": ""})
    assert "Enter a whole number of pieces." in page.text and "Say what comes back" not in page.text
    unknown = {f"cylinder-{keyed.cylinders[0].id}": "melted"}  # no condition that the page offers
    page = client.post(f"{address}/return", data={**sent, **unknown})
    assert page.status_code == 422 and "Say why it comes back." in page.text
    page = client.post(f"{address}/return", data={"version": seen, "reason": "", "restocking": "15 %"})
    assert "Say why it comes back." in page.text and "Say what comes back" in page.text


def test_a_cylinder_and_goods_come_back_and_the_claim_is_followed(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.ON_THE_BENCH)
    job, first = keyed.job, keyed.cylinders[0]
    factories.JobLineFactory(job=job, number=1, kind="cylinder", description="Mortise cylinder", quantity=2)
    factories.JobLineFactory(job=job, number=2, description="Ring set", quantity=10)
    for one in keyed.cylinders:
        one.line_number = 1
    work.session.commit()
    tick_off(work, job)
    maker = factories.MakerFactory()
    for one in keyed.cylinders:
        one.maker_id = maker.id
    job.stage = Stage.READY
    work.session.commit()
    give(work, job)
    client, address = client_as(Role.COUNTER), f"/jobs/{job.number}"
    assert f'href="{address}/return"' in client.get(address).text
    assert "Where it goes back to" not in client.get(f"{address}/return").text  # there is but the shelf
    set_place(work, "Van 2", PlaceKind.VAN)
    page = client.get(f"{address}/return").text
    assert re.search(r'<select[^>]*name="place"[^>]*>.*Van 2', page, re.S)
    assert "of 10" in page and "keys that turn it are out" in unescape(page) and "Keys to 1AA" in page
    (seen,) = re.findall(r'name="version"[^>]*value="(\d+)"', page)
    sent = {
        "version": seen,
        "reason": "plug turns hard",
        "means": "",
        f"cylinder-{first.id}": "defective",
        "goods-2": "11",
    }
    refused = client.post(f"{address}/return", data={**sent, "shelf-g2": "yes"})
    assert (
        refused.status_code == 422
        and f"Of line 2, 10 of job {job.number}" in refused.text.partition('id="goods-2-error"')[2]
    )
    assert 'value="plug turns hard"' in refused.text and '<option value="defective" selected>' in refused.text
    done = client.post(f"{address}/return", data={**sent, "goods-2": "4", f"keys-{first.keyset_id}": "1"})
    assert done.status_code == 303, unescape(done.text)
    work.session.expire_all()
    assert (first.state, first.keyset.keys[0].state) == (CylinderState.REMOVED, KeyState.RETURNED)  # type: ignore[union-attr]
    page = unescape(client.get(address).text)
    assert "T-0001" in page and "line 1, 1 defective" in page and "line 2, 4 good" in page
    slip = " ".join(pdf_text(client.get(f"{address}/returns/1.pdf").data).split())
    assert "Keys: 1AA copy 1." in slip
    assert "plug turns hard" in slip and "the maker, with a claim" in slip and bitting_in(slip) is None
    assert "of 6" in client.get(f"{address}/return").text
    listed = client.get("/claims").text
    assert "AD-Q1-66" in listed or "Mortise cylinder" in listed
    (claim,) = re.findall(r'href="/claims/(\d+)"', listed)
    page = client.get(f"/claims/{claim}").text
    (seen,) = re.findall(r'name="version"[^>]*value="(\d+)"', page)
    answer = {"version": seen, "cents": "", "state": "replaced", "settled_on": "2026-11-25", "answer": "RMA 12"}
    assert client.post(f"/claims/{claim}", data=answer).status_code == 303
    assert "No claim is open." in client.get("/claims").text
    assert "RMA 12" in client.get("/claims?settled=yes").text
