"""Print how large the house is: `.venv/bin/python tools/house_size.py [REVISION or FOLDER]`, this checkout without.

For each folder of `app`, and for `tools` and `templates`: modules (or templates), lines, and lines of code, which
are those that hold more than a comment, a docstring or nothing. For `app` besides: modules that only one other
module imports, public names (functions, classes and methods without an underscore, at the top of a module or of a
public class), and how many of those have a docstring.
"""

import ast
import io
import re
import subprocess
import sys
import tarfile
import tempfile
import tokenize
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import grimp

ROOT = Path(__file__).resolve().parent.parent
NO_CODE = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}
TEMPLATE_COMMENT = re.compile(r"\{#.*?#\}|<!--.*?-->", re.DOTALL)
Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def python_code_lines(text: str) -> int:
    """Lines that hold code; a docstring is a string that stands alone as a statement."""
    held: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in NO_CODE:
            held.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            held.difference_update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return len(held)


def template_code_lines(text: str) -> int:
    """Lines that hold more than a comment."""
    return sum(bool(line.strip()) for line in TEMPLATE_COMMENT.sub("", text).splitlines())


def public_definitions(body: list[ast.stmt]) -> Iterator[Definition]:
    for node in body:
        if isinstance(node, Definition) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public_definitions(node.body)


def modules_with_one_importer(tree: Path) -> int:
    """How many modules of `app` only one other module imports, wherever the import stands."""
    sys.path.insert(0, str(tree))
    graph = grimp.build_graph("app", cache_dir=None)
    return sum(len(graph.find_modules_that_directly_import(module)) == 1 for module in graph.modules)


def print_size(tree: Path) -> None:
    rows: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    public = documented = 0
    for top, ending in (("app", ".py"), ("tools", ""), ("templates", "")):
        for file in sorted((tree / top).rglob(f"*{ending}")):
            if not file.is_file() or file.suffix == ".pyc":
                continue
            text = file.read_text("utf-8")
            code = python_code_lines(text) if file.suffix == ".py" else template_code_lines(text)
            for row in {top, str(file.parent.relative_to(tree))}:
                for place, more in enumerate((1, text.count("\n"), code)):
                    rows[row][place] += more
            if top == "app":
                for definition in public_definitions(ast.parse(text).body):
                    public += 1
                    documented += ast.get_docstring(definition) is not None

    print(f"{'folder':30} {'modules':>7} {'lines':>7} {'code':>7}")
    for row in sorted(rows):
        print(f"{row:30} {rows[row][0]:7} {rows[row][1]:7} {rows[row][2]:7}")
    print(f"modules of app with one importer: {modules_with_one_importer(tree)}")
    print(f"public names of app: {public}, with a docstring: {documented}, {documented / public:.1%}")


def main() -> None:
    wanted = sys.argv[1] if len(sys.argv) > 1 else str(ROOT)
    if Path(wanted).is_dir():
        print_size(Path(wanted))
        return
    packed = subprocess.run(["git", "archive", wanted], cwd=ROOT, capture_output=True, check=True).stdout
    with tempfile.TemporaryDirectory() as folder:
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(folder, filter="data")
        print_size(Path(folder))


if __name__ == "__main__":
    main()
