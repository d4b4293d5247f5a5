"""Show that the named tests catch what they are said to catch: `.venv/bin/python tools/red_before.py`.

A test that was written beside its mend may never have seen the fault. So each commit that mends something names
its tests (`Shown-by: tests/ledger/test_x.py::test_name`, a line each), and this puts what the house was made of in
the commit before under them: they must be red there, and green with the commit. `--mutants` breaks today's code on
purpose, one known change at a time, and asks the same of the tests that stand beside it. Needs what
`tools/setup.sh test` sets up, and works in copies of its own (`git worktree`) that it takes away again.
"""

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOUSE = ("app", "migrations", "templates", "static", "shared")
"""What a commit's tests are run on; tests, demo data and manuals stay the commit's own."""
Outcome = tuple[str, str]
ONE_AT_A_TIME = threading.Lock()  # git's list of worktrees


@dataclass(frozen=True)
class Mutant:
    """A change that no suite may pass: `old` stands once in the file, and becomes `new`."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


RIGHTS = "tests/ledger/test_rights.py::test_a_use_case_refuses_each_role_without_its_right_and_goes_on_for_the_others"
STAGES = "tests/ledger/jobs/test_stages.py::test_a_job_goes_where_it_may_and_nowhere_else"
MUTANTS = (
    Mutant(
        "shop-keyed work goes from its parts to ready",
        "app/ledger/jobs/stages.py",
        "_SKIPS_BENCH = {(Stage.APPROVED, Stage.READY), (Stage.PARTS_ON_ORDER, Stage.READY)}",
        "_SKIPS_BENCH = {(Stage.APPROVED, Stage.READY)}",
        (f"{STAGES}[parts on order-shop]", f"{STAGES}[parts on order-shop/factory]"),
    ),
    Mutant(
        "what was handed over is canceled",
        "app/ledger/tables/jobs.py",
        "_S.HANDED_OVER: (_S.CLOSED,),",
        "_S.HANDED_OVER: (_S.CLOSED, _S.CANCELED),",
        (f"{STAGES}[handed over-shop]", f"{STAGES}[handed over-factory]", f"{STAGES}[handed over-nothing keyed]"),
    ),
    Mutant(
        "a quote is refused on its last valid day",
        "app/ledger/quoting/accepting.py",
        "form.accepted_on > revision.valid_until",
        "form.accepted_on >= revision.valid_until",
        ("tests/ledger/catalog/test_last_days.py::test_a_quote_is_accepted_on_its_last_valid_day",),
    ),
    Mutant(
        "anybody corrects a bitting",
        "app/ledger/keysystems/correcting.py",
        "    work.require_owner()\n",
        "",
        (f"{RIGHTS}[keysystems.correcting.correct_bitting]",),
    ),
    Mutant(
        "anybody takes a bitting list over",
        "app/ledger/keysystems/bitting_lists.py",
        "    work.require_owner()\n    if not 0 < len(found.taken)",
        "    if not 0 < len(found.taken)",
        (f"{RIGHTS}[keysystems.bitting_lists.take_over]",),
    ),
)


def git(*words: str, at: Path = ROOT) -> str:
    done = subprocess.run(["git", *words], cwd=at, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"git {' '.join(words)}: {done.stderr.strip()}")
    return done.stdout


def named_tests(revisions: str) -> dict[str, list[str]]:
    """The tests that each commit of the range names, oldest commit first, but those withdrawn since."""
    withdrawn = set(re.findall(r"^Not-shown-by:\s*(\S.*?)\s*$", git("log", "--format=%B"), re.MULTILINE))
    named = {}
    for entry in git("log", "--reverse", "--format=%H%n%B%x00", revisions).split("\0"):
        commit, _, message = entry.strip().partition("\n")
        tests = re.findall(r"^Shown-by:\s*(\S.*?)\s*$", message, re.MULTILINE)
        if kept := [test for test in tests if test not in withdrawn]:
            named[commit] = kept
    return named


@contextmanager
def checked_out(commit: str) -> Iterator[Path]:
    """A copy of the project as it was at a commit, with this project's .venv."""
    folder = Path(tempfile.mkdtemp(prefix="red-before-"))
    tree = folder / "project"
    try:
        with ONE_AT_A_TIME:
            git("worktree", "add", "--quiet", "--detach", str(tree), commit)
        try:
            (tree / ".venv").symlink_to(ROOT / ".venv")
            yield tree
        finally:
            with ONE_AT_A_TIME:
                git("worktree", "remove", "--force", str(tree))
    finally:
        shutil.rmtree(folder)


def outcome(tree: Path, test: str) -> Outcome:
    """How one test ends there, "green", "red" or "not run", and pytest's line about it."""
    command = [".venv/bin/python", "-m", "pytest", "-q", "--tb=line", "-p", "no:cacheprovider", test]
    # No bytecode is kept: two texts of one length, saved in one second, would be taken for the same.
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True)
    said = done.stdout + done.stderr
    # Where a module cannot even be imported, pytest does not find the test in it either (4), or stops (2).
    unimportable = done.returncode in (2, 4) and re.search(r"ERROR collecting|while loading conftest", said)
    how = "green" if done.returncode == 0 else "red" if done.returncode == 1 or unimportable else "not run"
    told = re.findall(r"^(?:E  +|FAILED .*? - |ERROR .*? - |ERROR: )(.*)", said, re.MULTILINE)
    return how, told[0] if told else said.strip().rpartition("\n")[2]


def shown(name: str, tests: Sequence[str], before: Sequence[Outcome], after: Sequence[Outcome]) -> bool:
    """Print a line for each test; whether all were red before and green after."""
    failures = 0
    for test, was, became in zip(tests, before, after, strict=True):
        if was[0] == "red" and became[0] == "green":
            print(f"red, then green  {name}  {test}  ({was[1][:150]})", flush=True)
        else:
            failures += 1
            told = f"    before: {': '.join(was)}\n    after: {': '.join(became)}"
            print(f"NOT SHOWN  {name}  {test}\n{told}", flush=True)
    return failures == 0


def show_commit(commit: str, tests: list[str]) -> bool:
    with checked_out(commit) as tree:
        after = [outcome(tree, test) for test in tests]
        # `restore`, unlike `checkout`, also takes away what the commit added.
        git("restore", f"--source={commit}^", "--staged", "--worktree", "--", *HOUSE, at=tree)
        before = [outcome(tree, test) for test in tests]
    return shown(commit[:10], tests, before, after)


def show_mutant(mutant: Mutant) -> bool:
    with checked_out("HEAD") as tree:
        path = tree / mutant.file
        text = path.read_text("utf-8")
        if text.count(mutant.old) != 1:
            print(f"NOT SHOWN  {mutant.name}: its text stands {text.count(mutant.old)} times in {mutant.file}")
            return False
        after = [outcome(tree, test) for test in mutant.tests]
        path.write_text(text.replace(mutant.old, mutant.new), "utf-8")
        before = [outcome(tree, test) for test in mutant.tests]
    return shown(mutant.name, mutant.tests, before, after)


def stop(*_: object) -> None:
    """Told to stop, clean up as after Ctrl-C, and let nobody hurry it."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise KeyboardInterrupt


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("revisions", nargs="?", default="HEAD", help="as git log takes them; all up to HEAD")
    parser.add_argument("--mutants", action="store_true", help="break the code of HEAD instead, a change at a time")
    parser.add_argument("--at-once", type=int, default=2, metavar="N", help="commits or changes at a time; 2")
    asked = parser.parse_args()
    signal.signal(signal.SIGTERM, stop)
    workers = ThreadPoolExecutor(asked.at_once)
    try:
        if asked.mutants:
            answers = list(workers.map(show_mutant, MUTANTS))
        else:
            named = named_tests(asked.revisions)
            answers = list(workers.map(show_commit, named, named.values()))
    finally:
        workers.shutdown(cancel_futures=True)
    if not answers:
        sys.exit("no commit there names a test with 'Shown-by: '")
    if not all(answers):
        sys.exit(f"{answers.count(False)} of {len(answers)} not shown")


if __name__ == "__main__":
    main()
