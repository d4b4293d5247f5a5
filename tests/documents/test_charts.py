"""The cost chart tells its two curves apart without color and marks where they cross."""

import re
import xml.etree.ElementTree as ET

import pytest

from app.documents.charts import cost_chart
from app.errors import BitternError

SVG = "{http://www.w3.org/2000/svg}"
POINTS = [(n, 1_000 * n, None if n < 3 else 9_000 + 400 * n + (2_000 if n > 10 else 0)) for n in range(1, 31)]
# 1,000 n ≥ 11,000 + 400 n from n = 19 (18.33…)
BREAK_EVEN = 19


def read(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314  # our own text


def test_curves_differ_by_line_and_name() -> None:
    root = read(cost_chart(POINTS, BREAK_EVEN))
    dashes = [path.get("stroke-dasharray") for path in root.iter(f"{SVG}path") if path.get("fill") == "none"]
    assert dashes == ["none", "6 3"]
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert {"shop", "factory", "factory cheaper from 19", "cylinders", "$0", "$300"} <= set(words)


def test_the_crossing_stands_on_the_factorys_curve() -> None:
    root = read(cost_chart(POINTS, BREAK_EVEN))
    circle = next(root.iter(f"{SVG}circle"))
    factory = next(path.get("d") for path in root.iter(f"{SVG}path") if path.get("stroke-dasharray") == "6 3")
    assert f"{float(circle.get('cx') or 0):.1f} {float(circle.get('cy') or 0):.1f}" in str(factory)


def test_from_corner_to_corner_the_line_is_straight() -> None:
    paths = re.findall(r'd="([^"]+)" fill="none"', cost_chart(POINTS[:12]))
    assert paths[1].count("M") == 1 and paths[1].count("L") == 9  # from 3 to 12
    sparse = re.findall(r'd="([^"]+)" fill="none"', cost_chart([POINTS[0], POINTS[9], POINTS[29]]))
    assert sparse[0].count("L") == 2 and sparse[1].count("L") == 1
    assert re.findall(r'd="([^"]+)" fill="none"', cost_chart([POINTS[0], (2, None, 5), (3, 9, 9)]))[0].count("M") == 2


def test_the_jobs_own_quantity_is_marked() -> None:
    words = [text.text for text in read(cost_chart(POINTS, BREAK_EVEN, 24)).iter(f"{SVG}text")]
    assert "this job: 24" in words
    assert "this job" not in cost_chart(POINTS, BREAK_EVEN, 31)


def test_names_do_not_cover_each_other() -> None:
    root = read(cost_chart([(1, 500, 900), (2, 1_000, 1_001)]))
    places = {text.text: float(text.get("y") or 0) for text in root.iter(f"{SVG}text")}
    assert abs(places["shop"] - places["factory"]) >= 12.9


@pytest.mark.parametrize("points", [[], [(1, 1, 1)], [(2, 1, 1), (1, 1, 1)], [(1, None, None)] * 2])
def test_what_cannot_be_drawn_is_refused(points: list[tuple[int, int | None, int | None]]) -> None:
    with pytest.raises(BitternError) as refusal:
        cost_chart(points)
    assert refusal.value.field == "points"
