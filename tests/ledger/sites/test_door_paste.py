"""Door lists as people paste them: every good row, and every problem by row and column."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.ledger.sites.door_paste import COLUMNS, MOST_ROWS, ColumnChoice, UnknownColumns, read_doors


def test_a_paste_without_a_head_stands_in_the_order_of_the_columns() -> None:
    rows, problems = read_doors("101\tMain entrance\tRH\tMortise lock\n102\tOffice\t\tBored lock\n")
    assert problems == []
    assert [(row.opening, row.location, row.hand, row.lock) for row in rows] == [
        ("101", "Main entrance", "RH", "Mortise lock"),
        ("102", "Office", "", "Bored lock"),
    ]


def test_a_head_says_which_column_is_which() -> None:
    rows, problems = read_doors("Door no.,Fire,Exit,Thickness,Room\nA1,yes,x,1-3/4,Stair\n")
    assert problems == []
    row = rows[0]
    assert (row.opening, row.is_fire_rated, row.is_egress, row.location) == ("A1", True, True, "Stair")
    assert row.thickness == Fraction(7, 4)


def test_quoted_cells_may_hold_commas_and_line_ends() -> None:
    rows, problems = read_doors('opening,location\r\n101,"Hall, north\nwing"\r\n')
    assert problems == [] and rows[0].location == "Hall, north\nwing"


def test_all_problems_are_told_and_good_rows_are_kept() -> None:
    text = "opening,hand,thickness,egress\n1,up,thick,maybe\n2,RH,1-3/4,no\n2,LH,,\n"
    rows, problems = read_doors(text)
    assert [row.opening for row in rows] == ["2"]
    told = " ".join(problem.message for problem in problems)
    for part in ("Row 2, hand", "Row 2, thickness", "Row 2, egress", "Row 4, opening: 2 stands in row 3 already"):
        assert part in told
    assert {problem.field for problem in problems} == {"doors"}


@pytest.mark.parametrize("hands", [("up", "LH"), ("LH", "up"), ("up", "up")])
def test_a_number_that_comes_twice_is_told_beside_what_else_its_rows_have_wrong(hands: tuple[str, str]) -> None:
    _, problems = read_doors(f"opening,hand\nM2,{hands[0]}\nM2,{hands[1]}\n")
    told = [problem.message.partition(":")[0] for problem in problems]
    faulty = [f"Row {row}, hand" for row, hand in enumerate(hands, start=2) if hand == "up"]
    assert told == [*faulty, "Row 3, opening"]


def test_one_door_may_have_two_cylinders_in_different_positions() -> None:
    rows, problems = read_doors("opening,position\n7,outside\n7,inside\n")
    assert problems == [] and [row.position for row in rows] == ["outside", "inside"]


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("7" * 41, "At most 40 characters"),
        ("1\t2\t\t\t\t\t\t\t\t\t\t\t\tmore", "only 13 columns"),
    ],
)
def test_what_is_wrong_with_a_list_is_said(text: str, part: str) -> None:
    _, problems = read_doors(text)
    assert part in problems[0].message


def test_too_many_rows_are_refused_at_once() -> None:
    rows, problems = read_doors("\n".join(f"D{n}" for n in range(MOST_ROWS + 1)))
    assert rows == [] and "5,000" in problems[0].message


def test_nothing_gives_nothing() -> None:
    assert read_doors("") == ([], []) and read_doors(" \n\t\n") == ([], [])


@given(st.text(max_size=400))
def test_no_text_breaks_the_reader(text: str) -> None:
    try:
        rows, problems = read_doors(text)
    except UnknownColumns as asked:
        assert asked.columns and asked.message
    else:
        assert all(row.row >= 1 for row in rows) and all(problem.message for problem in problems)


@given(
    st.lists(
        st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=20), min_size=1, unique_by=str.casefold
    )
)
def test_every_opening_number_given_comes_back(numbers: list[str]) -> None:
    rows, problems = read_doors("\n".join(["opening", *numbers]))
    assert problems == [] and [row.opening for row in rows] == numbers
    assert COLUMNS[0] == "opening"


def test_a_list_with_semicolons_is_parted_by_them_and_a_byte_order_mark_is_no_name() -> None:
    rows, problems = read_doors("\ufeffOpening number;Location;Thickness\n001;Hall, north;1.75\n")
    assert not problems
    assert [(row.opening, row.location, row.thickness) for row in rows] == [("001", "Hall, north", Fraction(7, 4))]


def test_a_list_with_commas_keeps_semicolons_in_its_cells() -> None:
    rows, problems = read_doors("101,Hall; north,RH\n102,Office,LH")
    assert not problems
    assert [(row.opening, row.location) for row in rows] == [("101", "Hall; north"), ("102", "Office")]


@pytest.mark.parametrize("mark", [",", "\t", ";"])
def test_a_quote_without_an_end_swallows_no_row(mark: str) -> None:
    rows, problems = read_doors(f'101{mark}"open\n102{mark}Office')
    assert not problems
    assert [(row.opening, row.location) for row in rows] == [("101", '"open'), ("102", "Office")]


def test_a_quote_inside_a_cell_leaves_the_quotes_around_others_alone() -> None:
    rows, problems = read_doors('101,"Hall, north"\n102,the "old" store\n103,"Attic"\'s stair')
    assert not problems
    assert [row.location for row in rows] == ["Hall, north", 'the "old" store', "Attic's stair"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("opening,color\n1,red\n", "'color' is not one of"),
        ("location,hand\nHall,RH\n", "no column for the opening number"),
        ("opening,opening\n1,2\n", "stands twice"),
        ("Mark\tWhere\tSwing\n101\tHall\tRH\n", "Row 1 (Mark, Where, Swing) names no column"),
        ("Tag 1,Where\n101,Hall\n102,Stair\n", "not plainly a door"),
        ("FRONT\nBACK\n", "not plainly a door"),  # a name as any heading: somebody has to say
        ("Mark,Room\n101,Hall\n", "Row 1 (Mark, Room) names no column"),
    ],
)
def test_a_heading_that_nobody_knows_is_asked_about_and_becomes_no_door(text: str, says: str) -> None:
    with pytest.raises(UnknownColumns) as asked:
        read_doors(text)
    assert says in asked.value.message and "nothing was read yet" in asked.value.message


@pytest.mark.parametrize(
    ("text", "openings"),
    [
        ("101,Hall\n102,Stair", ["101", "102"]),
        ("F1\tFlat 1\nF2\tFlat 2", ["F1", "F2"]),
        ("FRONT\tShop front\tRH\nBACK\tYard\tLH", ["FRONT", "BACK"]),
        ("Flat 3", ["Flat 3"]),
    ],
)
def test_a_first_row_that_is_plainly_a_door_needs_no_heading(text: str, openings: list[str]) -> None:
    rows, problems = read_doors(text)
    assert problems == [] and [row.opening for row in rows] == openings


def test_the_answer_reads_the_same_list() -> None:
    text = "Mark\tSwing\tColor\tWhere\n101\tRH\tred\tHall\n102\tLH\tblue\tStair\n"
    with pytest.raises(UnknownColumns) as asked:
        read_doors(text)
    told = [(one.heading, one.samples) for one in asked.value.columns]
    assert told[0] == ("Mark", ("101", "102")) and told[3] == ("Where", ("Hall", "Stair"))
    assert asked.value.guess.names == ("opening", "location", "hand", "lock")
    mark = asked.value.guess.mark
    choice = ColumnChoice(("opening", "hand", "", "location"), True, mark)
    rows, problems = read_doors(text, choice)
    assert problems == []
    assert [(one.opening, one.hand, one.location, one.lock) for one in rows] == [
        ("101", "RH", "Hall", ""),
        ("102", "LH", "Stair", ""),
    ]
    names = ["opening", "", "", ""]
    _, twice = read_doors(text, ColumnChoice(("opening", "opening", "", ""), True, mark))
    _, none = read_doors(text, ColumnChoice(("", "hand", "", ""), True, mark))
    assert "chosen for two columns" in twice[0].message and "has the opening number" in none[0].message
    all_doors, _ = read_doors("FRONT\nBACK", ColumnChoice(tuple(names[:1]), False, _mark_of("FRONT\nBACK")))
    assert [one.opening for one in all_doors] == ["FRONT", "BACK"]
    with pytest.raises(UnknownColumns):  # an answer about another list says nothing of this one
        read_doors("Tag\tSwing\n101\tRH", choice)


def _mark_of(text: str) -> str:
    with pytest.raises(UnknownColumns) as asked:
        read_doors(text)
    return asked.value.guess.mark


def test_titles_above_the_names_and_names_again_on_the_next_page_are_no_doors() -> None:
    text = "Door schedule\nNorth Hall\nopening,location\n101,Hall\nopening,location\n102,Stair\n"
    rows, problems = read_doors(text)
    assert problems == [] and [one.opening for one in rows] == ["101", "102"]
    rows, problems = read_doors("101,Hall\nopening,location\n102,Stair\n")
    assert [one.opening for one in rows] == ["101", "102"]
    assert [one.message for one in problems] == ["Row 2, opening: This row names columns and is no door: remove it."]


def test_a_door_may_bear_the_name_of_another_column() -> None:
    rows, problems = read_doors("opening\nExit\nLock\n")
    assert problems == [] and [one.opening for one in rows] == ["Exit", "Lock"]
