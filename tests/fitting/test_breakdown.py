from __future__ import annotations

from app.fitting import Maker, breakdown, combinations, decode, decode_any


def test_a_number_laid_out(pell: Maker) -> None:
    laid = breakdown(decode_any(pell.patterns, "32.118.P26")[0])
    assert [(p.row, p.start, p.end, p.text, p.segment) for p in laid.pieces] == [
        (0, 0, 2, "32", "type"),
        (1, 3, 6, "118", "length"),
        (2, 7, 8, "P", "keyway"),
        (3, 8, 10, "26", "finish"),
        (4, 10, 10, "", "cam"),
    ]
    assert laid.pieces[4].left_out and laid.pieces[4].means == "flat tailpiece"
    assert laid.words.startswith("rim cylinder 1-1/8 in")


def test_every_piece_stands_where_it_says(makers: tuple[Maker, ...]) -> None:
    for pattern in (pattern for maker in makers[1:] for pattern in maker.patterns):
        for number, _ in combinations(pattern):
            laid = breakdown(decode(pattern, number)[0])
            assert all(number[piece.start : piece.end] == piece.text for piece in laid.pieces)
            assert [piece.start for piece in laid.pieces] == sorted(piece.start for piece in laid.pieces)
