from __future__ import annotations

from app.fitting import CylinderAttributes, face_change

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
