from __future__ import annotations

from app.fitting import CylinderAttributes, Maker, can_take_key, face_change, find_by_blank, find_same_fit

OLD = CylinderAttributes("mortise", finish="626", maker="Ardent Brass")


def test_the_same_face_asks_nothing() -> None:
    assert face_change(OLD, CylinderAttributes("mortise", finish="626", maker="ARDENT BRASS")).question == ""


def test_another_maker_or_finish_is_asked_about() -> None:
    change = face_change(OLD, CylinderAttributes("mortise", finish="605", maker="Pell & Rowe"))
    assert len(change.changes) == 2
    assert "Ask first" in change.question


def test_a_look_alike_on_another_base_is_said() -> None:
    change = face_change(OLD, CylinderAttributes("mortise", finish="652", maker="Ardent Brass"))
    assert any("base metal differs" in each for each in change.changes)


def test_an_old_cylinder_of_unknown_make_is_asked_about() -> None:
    assert face_change(CylinderAttributes("rim"), CylinderAttributes("rim", maker="Northlight")).question


def test_an_old_cylinder_is_sold_again_from_another_maker(makers: tuple[Maker, ...], pell: Maker) -> None:
    items = [item for maker in makers if maker is not pell for item in maker.items]
    old = next(item.attributes for item in pell.items if item.part_number == "31.118.P26")
    assert old is not None
    best = find_same_fit(items, old)[0]
    assert best.item.maker == "Ardent Brass" and best.item.attributes is not None
    assert "keyway AQ1 instead of PR-P" in best.differs
    assert best.differs[-1] == "maker Ardent Brass instead of Pell & Rowe"
    assert face_change(old, best.item.attributes).question
    assert can_take_key(best.item.attributes, "PK-91", 5, [b for m in makers for b in m.blanks]).takes


def test_a_key_leads_to_its_blanks_and_cylinders(makers: tuple[Maker, ...]) -> None:
    items = [item for maker in makers for item in maker.items]
    blanks = [blank for maker in makers for blank in maker.blanks]
    found = find_by_blank(items, blanks, "AK5-12")
    assert {item.part_number for item in found[:2]} == {"AK5-12", "PK-91"}
    cylinders = [item.attributes for item in found[2:]]
    assert cylinders
    assert all(each and each.chambers == 5 and each.keyway in ("AQ1", "AQ2", "PR-P") for each in cylinders)
