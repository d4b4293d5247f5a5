"""The bench's papers: bittings, inches, pins and counts in figures, confidential on every page."""

import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest

from app.documents import bench_sheet_pdf, keys_list_pdf, system_sheet
from app.documents.drawings import key_profile, pin_stacks
from app.keying import BittingSpec, KeyingError, KeyStop, PinKit, PinSize, pin, read_kit_sizes
from app.ledger.bench.bench_sheet import BenchKey, BenchWork

Bench = Callable[..., BenchWork]
Pages = Callable[[bytes], list[str]]


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_keys_to_cut_are_given_in_depths_and_inches(paper: str, bench: Bench, pages: Pages) -> None:
    text = " ".join(pages(keys_list_pdf(bench(paper))))
    for place in (".2310", ".3872", ".5434", ".6996", ".8558", "1.0120"):  # .231 + n × .1562
        assert place in text
    # 5 2 8 6 1 4 off .335 by .015 a step
    assert "A 2 528614 .2600 .3050 .2150 .2450 .3200 .2750" in text
    assert "AA1 4 346636 .2900 .2750 .2450 .2450 .2900 .2450" in text


def test_pins_are_given_bow_to_tip_with_their_counts(bench: Bench, pages: Pages) -> None:
    text = " ".join(pages(bench_sheet_pdf(bench())))
    # AA1 346636 under AA 526636 and A 528614: cuts 3,5 · 2,4 · 6,8 · 6 · 1,3 · 4,6; stack 14
    assert "top 9 10 6 8 11 8 master 2 2 2 · 2 2 bottom 3 2 6 6 1 4" in text
    assert "Combinations that shear: 32; intended 3, phantom 29" in text
    assert "T-101, T-102" in text and "Operated by AA1, AA, A" in text
    assert "master 2 · · · · 2 · master 1 2 2 2 · 2 2" in text  # AA2: 1, 3 and 5 in chamber 5
    assert "pinned" in text and "checked by" in text


def test_keys_that_stop_at_the_tip_are_counted_from_there_on_every_paper(bench: Bench, pages: Pages) -> None:
    work = bench()
    system = replace(work.systems[0], spec=replace(work.systems[0].spec, stop=KeyStop.TIP))
    spec, key = system.spec, (5, 2, 8, 6, 1, 4)
    group = replace(system.cylinders[0], pinning=pin(spec, {"A": key}))
    tip = replace(work, systems=(replace(system, cylinders=(group,)),))
    text = " ".join(pages(keys_list_pdf(tip)))
    # .231 + n × .1562 from the tip stop: the bow's cut is the sixth. The bitting stays written bow to tip.
    assert "cut 6 1.0120 cut 5 .8558 cut 4 .6996 cut 3 .5434 cut 2 .3872 cut 1 .2310" in text
    assert "A 2 528614 .2600 .3050 .2150 .2450 .3200 .2750" in text
    assert "These keys stop at the tip: written bow to tip, chambers counted from the tip" in text
    sheet = " ".join(pages(bench_sheet_pdf(tip)))
    assert (
        "These keys stop at the tip" in sheet and "middle of the cuts from the tip stop, bow to tip: 1.0120" in sheet
    )
    assert "of all bittings one in 1,000,000" in sheet
    space = "{http://www.w3.org/2000/svg}"
    stops = []
    for each in (spec, replace(spec, stop=KeyStop.SHOULDER)):
        root = ET.fromstring(key_profile(each, key))  # noqa: S314  # our own text
        points = [tuple(map(float, one.split(","))) for one in root.find(f"{space}polygon").get("points").split()]
        mark = float(root.find(f"{space}path").get("d")[1:].split()[0])
        blade = min(x for x, _ in points), max(x for x, _ in points)
        stops.append(blade.index(mark))
        assert f"it stops at the {each.stop}" in root.find(f"{space}title").text
    assert stops == [1, 0]  # the mark is at the blade's end, and at its beginning


def test_pins_in_inches_stand_beside_the_kits_nearest(bench: Bench, pages: Pages) -> None:
    work = bench()
    kit = PinKit(bottom0_in=Fraction("0.170"), bottoms_in=read_kit_sizes("0.165 to 0.305 by 0.004"))
    spec = replace(work.systems[0].spec, kit=kit)
    pinning = pin(spec, {"A": (5, 2, 8, 6, 1, 4), "AA": (5, 2, 6, 6, 1, 4)})
    group = replace(work.systems[0].cylinders[0], pinning=pinning)
    sheet = system_sheet(replace(work.systems[0], spec=spec, cylinders=(group,)))
    told = {f"{one.kind} {one.size}": (length.exact, length.nearest) for one, length in sheet.lengths}
    # .170 and .015 a depth; of .165 + n × .004 the nearest to .200 is .201, to .245 .245
    assert told["bottom 2"] == (Fraction("0.200"), Fraction("0.201"))
    assert told["bottom 5"] == (Fraction("0.245"), Fraction("0.245"))
    assert told["master 2"] == (Fraction("0.030"), None)
    system = replace(work.systems[0], spec=spec, cylinders=(group,))
    text = " ".join(pages(bench_sheet_pdf(replace(work, systems=(system,)))))
    assert "Pins in inches, the kit's nearest in brackets: bottom 1 .1850 (.1850), bottom 2 .2000 (.2010)" in text


def test_every_page_is_confidential_and_says_to_whom(bench: Bench, pages: Pages) -> None:
    work = bench()
    many = replace(work, systems=(replace(work.systems[0], cylinders=work.systems[0].cylinders * 8), work.systems[0]))
    for document in (bench_sheet_pdf(many), keys_list_pdf(many)):
        texts = pages(document)
        assert all("CONFIDENTIAL · revealed to Marlow Finch" in text for text in texts)
        assert all("copy ____ of ____" in text for text in texts)


@pytest.mark.parametrize("paper", ["Letter", "A4"])
@pytest.mark.parametrize("has_control", [False, True])
def test_a_rack_of_twelve_fills_one_page_with_its_keys_and_depths(
    bench: Bench, pages: Pages, paper: str, has_control: bool
) -> None:
    """Of cores with two master pins too, five pins high; the control key stands on the page of each rack."""
    work = bench(paper)
    (system,) = work.systems
    group = system.cylinders[0]
    if has_control:
        spec = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=23, control_offset=10)
        keys = {"A": (5, 2, 8, 6, 1, 4), "AA": (6, 2, 8, 6, 1, 4), "AA1": (8, 4, 6, 6, 1, 4)}
        control = BenchKey("CONTROL", "960478", 1, is_control=True)
        group = replace(group, pinning=pin(spec, keys, (9, 6, 0, 4, 7, 8)))
        system = replace(system, keys=(*system.keys, control))
    cards = tuple(replace(group, quantity=1, openings=(f"F{n:02}",), ids=(n,)) for n in range(1, 25))
    whole = pages(bench_sheet_pdf(replace(work, systems=(replace(system, cylinders=cards),))))
    assert [page.count("Combinations that shear") for page in whole] == [12, 12]
    for place, page in enumerate(whole):
        assert f"Rack {place + 1} of 2: 12 cylinders, " in page and "· job 1038" in page
        assert f"F{place * 12 + 1:02}" in page and f"F{place * 12 + 12:02}" in page
        assert "5 .2600, 6 .2450" in page  # .335 less .015 a step
        assert ("960478" in page) is has_control
    assert whole[0].count("346636 × 4") == 1 and "346636" not in whole[1]  # AA1's keys are cut with its first rack


def test_what_waits_for_a_pin_is_told_on_its_card(bench: Bench, pages: Pages) -> None:
    work = bench()
    (system,) = work.systems
    group = replace(system.cylinders[0], quantity=2, ids=(7, 8))
    sheet = replace(work, systems=(replace(system, cylinders=(group,)),))
    text = " ".join(pages(bench_sheet_pdf(sheet, {8: (PinSize("top", 9),)})))
    assert "Not to be pinned: 1 of 2 waiting for top 9, out of stock." in text
    assert "Not to be pinned" not in " ".join(pages(bench_sheet_pdf(sheet)))


def test_many_keys_beside_a_rack_have_a_page_of_their_own(bench: Bench, pages: Pages) -> None:
    work = bench()
    (system,) = work.systems
    more = tuple(replace(system.keys[0], symbol=f"AB{n}") for n in range(1, 10))
    whole = pages(bench_sheet_pdf(replace(work, systems=(replace(system, keys=(*system.keys, *more)),))))
    assert "AB9" in whole[0] and "Combinations" not in whole[0] and "Rack 1 of 1" in whole[1]


def test_a_spec_without_inches_is_cut_by_depths(bench_without_inches: BenchWork, pages: Pages) -> None:
    text = " ".join(pages(bench_sheet_pdf(bench_without_inches)))
    assert "528614" in text and "gives no inches" in text
    assert "compare the two before anything is cut or pinned" in text  # the spec of a maker learned from its list
    assert "compare the two before anything is cut," in " ".join(pages(keys_list_pdf(bench_without_inches)))
    assert ".2600" not in text
    assert "top" not in [row.name for row in system_sheet(bench_without_inches.systems[0]).cylinders[0].rows]


def test_warnings_and_control_pins_are_printed(bench: Bench, pages: Pages) -> None:
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=23, control_offset=10, min_master_pin=2)
    pinning = pin(spec, {"A": (5, 2, 8, 6, 1, 4), "AA": (6, 2, 8, 6, 1, 4)}, control=(9, 6, 0, 4, 7, 8))
    work = bench()
    system = replace(work.systems[0], cylinders=(replace(work.systems[0].cylinders[0], pinning=pinning),))
    text = " ".join(pages(bench_sheet_pdf(replace(work, systems=(system,)))))
    assert "top 4 7 13 9 6 5 build-up 13 14 2 8 16 14 master 1 · · · · ·" in text
    assert "Chamber 1: master pin 1 is under the least master pin 2." in text


def test_many_alike_have_a_line_for_the_count_instead_of_boxes(bench: Bench, pages: Pages) -> None:
    work = bench()
    group = replace(work.systems[0].cylinders[0], quantity=150, openings=tuple(f"N-{n}" for n in range(150)))
    page = replace(work, systems=(replace(work.systems[0], cylinders=(group,)),))
    text = " ".join(pages(bench_sheet_pdf(page)))
    assert "of 150" in text and "N-39 and 110 more" in text


def test_the_keys_list_has_keys_and_no_pins(bench: Bench, pages: Pages) -> None:
    text = " ".join(pages(keys_list_pdf(bench())))
    assert "528614" in text and "AA1 4 346636" in text
    assert "Chamber" not in text and "phantom" not in text


def test_twelve_chambers_fit_on_the_page(pages: Pages, bench: Bench) -> None:
    spec = BittingSpec(
        chambers=12, depths=10, macs=9, step=1, depth0_in=Fraction("0.335"), increment_in=Fraction("0.015"),
        first_cut_in=Fraction("0.2"), spacing_in=Fraction("0.1"),
    )  # fmt: skip
    work = bench()
    key = replace(work.systems[0].keys[0], bitting="012345678901")
    group = replace(work.systems[0].cylinders[0], pinning=pin(spec, {"A": (*range(10), 0, 1)}))
    page = replace(work, systems=(replace(work.systems[0], spec=spec, keys=(key,), cylinders=(group,)),))
    text = " ".join(pages(keys_list_pdf(page)))
    assert "012345678901 .3350 .3200 .3050 .2900 .2750 .2600 .2450 .2300 .2150 .2000 .3350 .3200" in text


def test_no_bitting_is_in_a_repr_or_a_refusal(bench: Bench) -> None:
    page = system_sheet(bench().systems[0])
    for key in bench().systems[0].keys:
        assert key.bitting not in repr(page)
    assert ".2900" not in repr(page) and "Fraction(29" not in repr(page)
    work = bench()
    wrong = replace(work.systems[0], keys=(replace(work.systems[0].keys[0], bitting="52861478"),))
    with pytest.raises(KeyingError) as refusal:
        system_sheet(wrong)
    assert "52861478" not in str(refusal.value)


def test_drawings_are_well_formed_and_named(bench: Bench) -> None:
    system = bench().systems[0]
    stacks = pin_stacks(system.cylinders[0].pinning)
    root = ET.fromstring(stacks)  # noqa: S314  # our own text
    space = "{http://www.w3.org/2000/svg}"
    assert root.find(f"{space}title") is not None
    figures = [text.text for text in root.iter(f"{space}text")]
    assert figures == ["3", "2", "9", "2", "2", "10", "6", "2", "6", "6", "8", "1", "2", "11", "4", "2", "8"]
    shallow, deep = (key_profile(system.spec, bitting) for bitting in ((0,) * 6, (9,) * 6))
    assert shallow != deep
    ET.fromstring(shallow)  # noqa: S314  # our own text
