"""The attributes of a field are those that the form library writes itself."""

from __future__ import annotations

from typing import Any

import pytest
from markupsafe import Markup
from wtforms.widgets import html_params

from app.web.forms_base import attributes


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"class_": "wide", "for_": "a", "id": "b"},
        {"required": True, "disabled": False, "value": None, "maxlength": 80},
        {"aria_described_by": "x", "data_say_it": "y", "hx_get": "/z"},
        {"value": '"Fig" & <Quay>\'s'},
        {"value": Markup('<b title="of two">'), "x": 'a"b'},
        {'on"x': "1", "<": True},
    ],
)
def test_they_read_as_the_librarys(given: dict[str, Any]) -> None:
    assert attributes(**given) == html_params(**given)
    assert isinstance(attributes(**given), Markup)
