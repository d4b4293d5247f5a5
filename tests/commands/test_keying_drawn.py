"""`bittern keying` on inputs drawn by chance, held against plain definitions (keying_judges.py). CI draws some dozens
for each command, `make drawn-keying` some thousands.
"""

import json
import os
import random
from collections import Counter
from collections.abc import Callable, Iterator
from time import monotonic

import pytest
from click.testing import CliRunner

from app.cli import main
from tests.commands import keying_drawn as drawn
from tests.commands import keying_judges as judges
from tests.commands.keying_judges import Json

SECONDS = 4
CASES = int(os.environ.get("BITTERN_TEST_KEYING", "40"))


def answer_of(command: str, asked: Json) -> tuple[int, Json]:
    done = CliRunner().invoke(main, ["keying", command, "-"], input=json.dumps(asked))
    assert done.exception is None or isinstance(done.exception, SystemExit), (asked, done.exception)
    return done.exit_code, json.loads(done.stdout)


class Tally:
    """What was met, and what was wrong with it."""

    def __init__(self, command: str) -> None:
        self.command, self.met, self.wrong = command, Counter[str](), list[str]()

    def ask(self, asked: Json, judge: Callable[[Json, Json], Iterator[str]]) -> Json | None:
        """Ask, and judge the answer; None where it is refused."""
        start = monotonic()
        code, answer = answer_of(self.command, asked)
        took = monotonic() - start
        if code:
            assert code == 2 and list(answer) == ["error"] and set(answer["error"]) == {"field", "message"}, answer
            self.met[f"refused: {answer['error']['field']}"] += 1
            return None
        self.note(asked, judge(asked, answer))
        # Where the time may have run out the bittings may be others.
        if took < SECONDS / 4 and answer_of(self.command, asked)[1] != answer:
            self.note(asked, ["asked again it answers otherwise"])
        return answer

    def note(self, asked: Json, said: "Iterator[str] | list[str]") -> None:
        self.wrong += [f"{one}: {json.dumps(asked)}" for one in said]

    def end(self, capsys: pytest.CaptureFixture[str]) -> None:
        with capsys.disabled():
            print(f"\nkeying {self.command}: " + ", ".join(f"{n} {what}" for what, n in sorted(self.met.items())))
        assert not self.wrong, "\n".join([f"{len(self.wrong)} wrong", *self.wrong[:20]])


def test_progress_counts_what_macs_and_rules_leave(capsys: pytest.CaptureFixture[str]) -> None:
    chance, tally = random.Random(1), Tally("progress")
    for _ in range(CASES):
        asked = drawn.draw_progress(chance)
        answer = tally.ask(asked, judges.judge_progress)
        if answer:
            tally.met["with a rule that refuses" if any(answer.get("refused", {}).values()) else "without"] += 1
    tally.end(capsys)


def test_plans_have_what_was_asked_and_nothing_operates_unintended(capsys: pytest.CaptureFixture[str]) -> None:
    chance, tally = random.Random(2), Tally("plan")
    for _ in range(CASES // 2):
        asked = drawn.draw_plan(chance)
        answer = tally.ask(asked, judges.judge_plan)
        if answer:
            tally.met["planned"] += 1
            if asked["levels"] > 2:
                apart = judges.masters_apart(asked, answer)
                tally.met[f"masters: {apart}"] += 1
                if apart == "near":
                    tally.note(asked, ["masters differ in one chamber where there is room for two"])
    tally.end(capsys)


def solved_or(tally: Tally, asked: Json, answer: Json, way: str) -> None:
    tally.met[f"{way} {answer['status']}"] += 1
    if answer["relax"]:
        _, again = answer_of("solve", judges.relaxed(asked, answer))
        if again.get("status") != "solved":
            tally.note(asked, [f"with {answer['relax']} done it is {again.get('status')}"])
    elif answer["status"] != "solved":
        tally.met[f"{way} {answer['status']} without anything to relax"] += 1


def test_small_matrices_that_trying_solves_are_never_impossible(capsys: pytest.CaptureFixture[str]) -> None:
    chance, tally = random.Random(3), Tally("solve")
    for _ in range(CASES):
        asked = drawn.draw_tiny_opens(chance) | {"seconds": SECONDS}
        answer = tally.ask(asked, judges.judge_solve)
        if answer is None:
            continue
        listed = list(judges.carried(asked["opens"]))
        try:
            by_trying = judges.by_trying(asked["spec"], asked.get("rules"), listed)
            way = "there is none," if by_trying is None else "there is one,"
        except judges.TooMany:
            way = "unclear,"
        solved_or(tally, asked, answer, way)
        if way == "there is one," and answer["status"] == "impossible":
            tally.note(asked, ["it is impossible, and trying finds bittings"])
        if way == "there is none," and answer["status"] == "solved":
            tally.note(asked, ["the judge itself is wrong"])
        if answer["status"] == "impossible":
            tally.note(asked, judges.judge_conflict(asked, answer))
    tally.end(capsys)


def test_levels_with_exceptions_open_what_they_should(capsys: pytest.CaptureFixture[str]) -> None:
    chance, tally = random.Random(4), Tally("solve")
    for _ in range(CASES):
        asked = drawn.draw_levelled_opens(chance) | {"seconds": SECONDS}
        answer = tally.ask(asked, judges.judge_solve)
        if answer:
            solved_or(tally, asked, answer, "levelled")
    tally.end(capsys)


@pytest.mark.parametrize("tiny", [True, False])
def test_a_lost_key_opens_nothing_any_more(capsys: pytest.CaptureFixture[str], tiny: bool) -> None:
    chance, tally = random.Random(5), Tally("lost")
    for _ in range(CASES if tiny else CASES // 4):
        asked = drawn.draw_lost(chance, tiny) | {"seconds": SECONDS}
        answer = tally.ask(asked, judges.judge_lost)
        if answer is None:
            continue
        tally.met["proven" if answer["proven"] else "not proven"] += 1
        if not tiny:
            continue
        try:
            least = judges.least_replaced(asked)
        except judges.TooMany:
            tally.met["unclear"] += 1
            continue
        if not answer["proven"]:
            tally.met["not proven where there is a way" if least else "not proven where there is none"] += 1
            continue
        had = (judges.touched(asked["cylinders"], set(answer["replace"])), len(answer["replace"]))
        tally.met["least" if had == least else "more than the least"] += 1
        if least and least[1] == 1 and had[1] > 1:
            tally.note(asked, [f"{answer['replace']} are replaced where the lost one alone will do"])
        if least is None or had < least:
            tally.note(asked, ["the judge itself is wrong"])
    tally.end(capsys)


@pytest.mark.parametrize("tiny", [True, False])
def test_an_extension_leaves_all_as_it_is(capsys: pytest.CaptureFixture[str], tiny: bool) -> None:
    chance, tally = random.Random(6), Tally("extend")
    for _ in range(CASES if tiny else CASES // 4):
        asked = drawn.draw_extend(chance, tiny) | {"seconds": SECONDS}
        answer = tally.ask(asked, judges.judge_extend)
        tally.met["extended" if answer else "refused"] += 1
        if tiny and not answer:
            try:
                tally.met["refused where there is a way" if judges.can_extend(asked) else "refused rightly"] += 1
            except judges.TooMany:
                tally.met["unclear"] += 1
    tally.end(capsys)
