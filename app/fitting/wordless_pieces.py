"""Borders within what no words tell, guessed from the characters alone: separators, letters and digits, and which
places vary by themselves."""

from collections.abc import Collection
from dataclasses import replace
from itertools import groupby

from app.fitting.number_parts import NumberPart
from app.fitting.patterns import SEPARATORS

_APART = 1.5  # so many times as many pairs as of either side: two places vary by themselves


def cut_wordless(part: NumberPart) -> list[NumberPart]:
    """A piece that no words tell, cut where its codes seem to have borders."""
    codes = set(part.codes.values())
    for cut in (_at_separator, _at_kind, _at_place):
        halves = cut(codes)
        if halves:
            made: list[NumberPart] = []
            for half in halves:
                if isinstance(half, str):
                    made.append(NumberPart(half))
                elif len(half) == 1:
                    made.append(NumberPart(half.pop()))
                else:
                    made += cut_wordless(replace(part, codes=dict(enumerate(sorted(half)))))
            return made
    return [part]


Halves = list[str | set[str]]


def _at_separator(codes: Collection[str]) -> Halves:
    """Cut at the first separator; what stands behind it may be left out where the codes without it begin alike."""
    for mark in SEPARATORS:
        having = [code for code in codes if mark in code[1:]]
        if not having:
            continue
        heads = {code[: code.index(mark, 1)] for code in having}
        tails = {code[code.index(mark, 1) :] for code in having}
        without = set(codes) - set(having)
        if not without:
            return [heads, mark, {tail[1:] for tail in tails}]
        if len(without & heads) * 2 > len(without):
            return [heads | without, tails | {""}]
    return []


def _runs(code: str) -> list[str]:
    return [
        "".join(run) for _, run in groupby(code, key=lambda character: (character.isdigit(), character.isalpha()))
    ]


def _at_kind(codes: Collection[str]) -> Halves:
    """Cut between letters and digits where all codes of unlike length have them in the same order."""
    runs = [_runs(code) for code in codes]
    if len({len(code) for code in codes}) == 1 or {len(each) for each in runs} == {1}:
        return []
    if len({tuple(run[:1].isdigit() for run in each) for each in runs}) != 1 or not all(codes):
        return []
    heads = {each[0] for each in runs}
    tails = {"".join(each[1:]) for each in runs}
    return [heads, tails] if len(codes) >= _APART * max(len(heads), len(tails)) else []


def _at_place(codes: Collection[str]) -> Halves:
    """Cut codes of one length at the first place before and behind which characters vary by themselves."""
    lengths = {len(code) for code in codes}
    if len(lengths) != 1:
        return []
    for place in range(1, lengths.pop()):
        before = {code[place - 1] for code in codes}
        behind = {code[place] for code in codes}
        pairs = {code[place - 1 : place + 1] for code in codes}
        often = min(len(before) * len(behind), len(codes)) / 2
        if min(len(before), len(behind)) > 1 and len(pairs) >= max(often, _APART * max(len(before), len(behind))):
            return [{code[:place] for code in codes}, {code[place:] for code in codes}]
    return []
