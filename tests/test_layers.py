"""Imports run one way: no circle, no arrow upward, protocol knows nobody, the host never the bench."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = {
    "evenfall": ROOT / "host" / "evenfall",
    "evenfall_wire": ROOT / "protocol" / "evenfall_wire",
    "evenfall_board": ROOT / "firmware" / "lib" / "evenfall_board",
    "evenfall_bench": ROOT / "bench_sim" / "evenfall_bench",
}
MAY_KNOW = {
    "evenfall_wire": set(),
    "evenfall_board": {"evenfall_wire"},
    "evenfall": {"evenfall_wire"},
    "evenfall_bench": set(),
}
# rooms of the host, lowest first; a module directly in `evenfall` is base
LAYERS = ["base", "board", "reduction", "statistics", "archive", "output", "workflow", "screen", "cli"]


def modules():
    for package, folder in PACKAGES.items():
        for path in sorted(folder.rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            if "shims" in parts:
                continue  # they stand for modules of MicroPython, inside its interpreter
            name = ".".join((package, *parts)).removesuffix(".__init__")
            yield name, path


PATHS = dict(modules())


def imported(name, tree):
    """Names that a module imports: at its start, in a function or for its types alone."""
    package = name if PATHS[name].name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                up = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*up, *([base] if base else [])])
            for alias in node.names:
                yield f"{base}.{alias.name}" if f"{base}.{alias.name}" in PATHS else base


def arrows():
    """(module, module it imports), both ours."""
    found = set()
    for name, path in PATHS.items():
        for target in imported(name, ast.parse(path.read_text(encoding="utf-8"))):
            if target in PATHS and target != name:
                found.add((name, target))
    return found


def circle(edges):
    """A list of modules that import each other in a ring, or nothing."""
    graph = {}
    for a, b in edges:
        graph.setdefault(a, []).append(b)
    done, path = set(), []

    def visit(name):
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        path.append(name)
        for target in sorted(graph.get(name, [])):
            found = visit(target)
            if found:
                return found
        path.pop()
        done.add(name)
        return []

    for name in sorted(graph):
        found = visit(name)
        if found:
            return found
    return []


def layer(module):
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and parts[1] in LAYERS else "base"


def upward(edges):
    return sorted(
        f"{a} -> {b}"
        for a, b in edges
        if a.startswith("evenfall.")
        and b.startswith("evenfall.")
        and LAYERS.index(layer(b)) > LAYERS.index(layer(a))
    )


def test_the_graph_is_seen():
    """The test below would pass on an empty graph."""
    edges = arrows()
    assert ("evenfall.workflow.fetch", "evenfall.board.link") in edges
    assert ("evenfall.board.run_file", "evenfall_wire.messages") in edges
    assert len(edges) > 150
    assert circle([("a", "b"), ("b", "c"), ("c", "a")]) == ["a", "b", "c", "a"]
    assert upward([("evenfall.board.link", "evenfall.archive.runs")]) != []


def test_no_circle():
    assert circle(arrows()) == []


def test_every_arrow_of_the_host_points_down():
    assert upward(arrows()) == []


@pytest.mark.parametrize("package", sorted(PACKAGES))
def test_packages_know_only_what_they_may(package):
    wrong = [
        f"{a} -> {b}"
        for a, b in arrows()
        if a.split(".")[0] == package
        and b.split(".")[0] != package
        and b.split(".")[0] not in MAY_KNOW[package]
    ]
    assert wrong == []


def test_a_long_function_says_why():
    """Functions of the product have 60 lines at most, or a comment with the reason."""
    silent = []
    for folder in ("host", "firmware/lib", "protocol", "bench_sim"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            lines = path.read_text(encoding="utf-8").splitlines()
            for node in ast.walk(ast.parse("\n".join(lines))):
                if not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                    continue
                about = "\n".join(lines[node.lineno - 3 : node.end_lineno])
                if node.end_lineno - node.lineno >= 60 and "60 lines" not in about:
                    silent.append(f"{path.relative_to(ROOT)}: {node.name}")
    assert silent == []


# reached by commands alone, so their sentences may name what is typed there
OF_COMMANDS = {"archive/backup.py", "archive/database.py", "board/firmware_install.py", "screen/server.py",
               "workflow/demo.py", "workflow/reduce_many.py"}  # fmt: skip
COMMAND = re.compile(r"(^|[\s(])--[a-z]|\bevenfall (?!runs on the board)[a-z]+ ?[a-z-]*\b")


def sentences_of_errors(path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, (ast.Name, ast.Attribute)) and node.args:
            called = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            texts = [c.value for c in ast.walk(node.args[0]) if isinstance(c, ast.Constant)]
            if called.endswith("Error"):
                yield "".join(text for text in texts if isinstance(text, str))


def test_what_is_typed_against_an_error_stands_apart_from_its_message():
    """The page shows the messages of the same errors, and has no command line."""
    host = PACKAGES["evenfall"]
    found = 0
    for path in sorted(host.rglob("*.py")):
        place = path.relative_to(host)
        if place.parts[0] == "cli" or str(place) in OF_COMMANDS:
            continue
        for sentence in sentences_of_errors(path):
            found += 1
            wrong = COMMAND.search(sentence)
            assert not wrong or "this evenfall" in sentence or "newer evenfall" in sentence, (place, sentence)
    assert found > 150
