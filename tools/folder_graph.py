"""Print which folder of `app` imports which, bottom up, and fail where folders import each other in a circle.

An import counts wherever it stands: inside a function and for the type checker alone too. Imports inside a folder
are left out. A module that lies directly in `app` stands for itself, and so does the `__init__.py` of a folder of
folders, since it wires the others together. Each folder stands above all that it imports; the order of rooms that
is asked for stands in `pyproject.toml`, where `lint-imports` checks it.
"""

import sys
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise
from pathlib import Path

import grimp

ROOT = Path(__file__).resolve().parent.parent
Graph = dict[str, dict[str, str]]


def folder_graph(package: str) -> Graph:
    """Folder → each folder that it imports → one import that makes it so, as 'module imports module'."""
    modules = grimp.build_graph(package, cache_dir=None)
    folders = {name for name in modules.modules if modules.find_children(name)}
    wiring = {name for name in folders if modules.find_children(name) & folders}

    def folder_of(module: str) -> str:
        if module in wiring:
            return f"{module}.__init__"
        parent = module.rpartition(".")[0]
        return module if module in folders or parent == package else parent

    graph: Graph = {folder_of(name): {} for name in sorted(modules.modules)}
    for name in sorted(modules.modules):
        for imported in modules.find_modules_directly_imported_by(name):
            if folder_of(imported) != folder_of(name):
                graph[folder_of(name)][folder_of(imported)] = f"{name} imports {imported}"
    return graph


def print_bottom_up(graph: Graph) -> None:
    """One line a folder: its step, its name, what it imports. Raises CycleError where a circle stands."""
    sorter = TopologicalSorter(graph)
    sorter.prepare()
    step = 0
    while sorter.is_active():
        step += 1
        ready = sorted(sorter.get_ready())
        for folder in ready:
            print(f"{step:2} {folder:30} {' '.join(sorted(graph[folder]))}".rstrip())
        sorter.done(*ready)


def main() -> int:
    sys.path.insert(0, str(ROOT))
    graph = folder_graph("app")
    try:
        print_bottom_up(graph)
    except CycleError as error:
        print("These folders import each other in a circle:", file=sys.stderr)
        for imported, importer in pairwise(error.args[1]):
            print(f"   {graph[importer][imported]}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
