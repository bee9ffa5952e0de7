"""Hold the import directions between the rooms of `daemon/uphaul`, and the purity of those that decide.

Usage: ``python .ci/imports.py [DIR]`` (default: daemon/uphaul beside this file). Prints one line a problem, exits 1 if
there is any. Reads the syntax tree only; nothing is imported. Imports under `TYPE_CHECKING` and inside functions
count like any other: a type is a dependency too.

`ORDER` is the one statement of who may import whom: a room sees the rooms of the lines below its own, never its
neighbours on the same line.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

__all__ = ["ORDER", "PURE", "check_source", "check_tree"]

PACKAGE = "uphaul"

ORDER: tuple[tuple[str, ...], ...] = (
    ("__main__",),
    ("cli",),
    ("app", "desk"),
    ("live", "play", "journal", "housekeeping", "exchange"),
    ("web", "present"),
    ("reports",),
    ("sources", "outputs"),
    ("log",),
    ("people",),
    ("hub", "clock", "notify", "status"),
    ("config",),
    ("analysis",),
    ("pipeline",),
    ("alerts",),
    ("rules",),
    ("derive",),
    ("vehicle",),
    ("signals",),
    ("physics",),
    ("units", "errors"),
)

# The invented vehicle stands aside: it has its own equations, so that nothing is ever tested against itself.
DEMO = "demo"
DEMO_SEES = frozenset({"units", "errors"})
SEES_DEMO = frozenset({"sources", "config"})

PURE = frozenset({"physics", "signals", "vehicle", "derive", "rules", "alerts", "pipeline", "analysis", "demo"})

# Clocks, files, networks, threads and chance: whatever comes from outside comes in as data.
# fmt: off
WORLD = frozenset({
    "asyncio", "builtins", "concurrent", "contextvars", "datetime", "fileinput", "glob", "http", "importlib",
    "io", "logging", "mmap", "multiprocessing", "os", "pathlib", "queue", "sched", "secrets", "select",
    "selectors", "shelve", "shutil", "signal", "socket", "socketserver", "sqlite3", "ssl", "subprocess",
    "tempfile", "thread", "threading", "time", "urllib", "uuid",
})
# fmt: on
PURE_LIBRARIES = frozenset({"numpy"})
WORLD_CALLS = frozenset({"open", "input", "print", "__import__"})
SEEDED = frozenset({"random.Random", "numpy.random.default_rng", "numpy.random.SeedSequence"})
CHANCE_TYPES = frozenset({"numpy.random.Generator"})
NUMPY_FILES = frozenset(
    f"numpy.{name}"
    for name in ("load", "save", "savez", "savez_compressed", "savetxt", "loadtxt", "genfromtxt", "fromfile", "memmap")
)

Finding = tuple[int, str]


def check_tree(root: Path) -> list[str]:
    """Every problem in the package at `root`, as ``path:line: what`` with paths relative to `root`'s parent."""
    problems = []
    for path in sorted(root.rglob("*.py")):
        inside = path.relative_to(root)
        for line, text in check_source(path.read_text(encoding="utf-8"), inside.with_suffix("").parts):
            problems.append(f"{root.name}/{inside.as_posix()}:{line}: {text}")
    return problems


def check_source(text: str, parts: tuple[str, ...]) -> list[Finding]:
    """Problems of one module's source; `parts` is its path in the package, as in ``("rules", "spec")``."""
    room = parts[0]
    tree = ast.parse(text)
    if room == "__init__":
        return [
            (line, f"the package's own __init__ imports {name}; it imports nothing of the package")
            for line, name in _imports(tree, parts)
            if _room_of(name)
        ]
    if room != DEMO and _rank(room) is None:
        return [(1, f"room '{room}' has no place in the import order")]
    problems = [problem for line, name in _imports(tree, parts) if (problem := _direction(line, name, room))]
    if room in PURE:
        problems += _impurities(tree, parts)
    return sorted(problems)


def _rank(room: str) -> int | None:
    return next((i for i, line in enumerate(ORDER) if room in line), None)


def _room_of(module: str) -> str | None:
    """The room that a dotted module name lies in, None if it is not ours."""
    head, _, rest = module.partition(".")
    return rest.partition(".")[0] or None if head == PACKAGE else None


def _direction(line: int, module: str, room: str) -> Finding | None:
    target = _room_of(module)
    if target is None or target in (room, "__version__"):
        return None
    if room == DEMO:
        return None if target in DEMO_SEES else (line, f"demo imports {target}: it may import only units and errors")
    if target == DEMO:
        return None if room in SEES_DEMO else (line, f"{room} imports demo: only sources and config may")
    mine, theirs = _rank(room), _rank(target)
    if theirs is None:
        return (line, f"{room} imports '{target}', which has no place in the import order")
    if mine is not None and theirs > mine:
        return None
    relation = "stands beside" if theirs == mine else "stands above"
    return (line, f"{room} imports {target}, which {relation} it")


def _imports(tree: ast.Module, parts: tuple[str, ...]) -> Iterator[tuple[int, str]]:
    """Line and full dotted name of everything imported; ``from a import b`` gives ``a.b``."""
    package = [PACKAGE, *parts[:-1]]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package[: len(package) - node.level + 1]
                base = ".".join([*above, *([base] if base else [])])
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)


def _impurities(tree: ast.Module, parts: tuple[str, ...]) -> Iterator[Finding]:
    for line, name in _imports(tree, parts):
        head = name.partition(".")[0]
        if head in WORLD:
            yield line, f"pure room imports {head}"
        elif head not in (PACKAGE, "__future__") and head not in sys.stdlib_module_names | PURE_LIBRARIES:
            yield line, f"pure room imports the library {head}"
    yield from _world_uses(tree, _names(tree))


def _names(tree: ast.Module) -> dict[str, str]:
    """What each imported name stands for: ``np`` -> ``numpy``, ``Random`` -> ``random.Random``."""
    names: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                head = alias.name.partition(".")[0]
                names[alias.asname or head] = alias.name if alias.asname else head
        elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
            for alias in node.names:
                names[alias.asname or alias.name] = f"{node.module}.{alias.name}"
    return names


def _world_uses(tree: ast.Module, names: dict[str, str]) -> Iterator[Finding]:
    """Uses of open() and its like, of numpy's file functions, and of chance without a seed."""
    seeded: set[int] = set()
    inner: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in WORLD_CALLS and node.func.id not in names:
                yield node.lineno, f"pure room calls {node.func.id}()"
            if node.args or node.keywords:
                seeded.add(id(node.func))
        if isinstance(node, ast.Attribute):
            inner.add(id(node.value))
    annotations = {id(part) for note in _annotations(tree) for part in ast.walk(note)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Name | ast.Attribute) or id(node) in inner:
            continue
        full = _dotted(node, names)
        if full is None:
            continue
        if full in NUMPY_FILES:
            yield node.lineno, f"pure room uses {full}"
        elif full.split(".")[0] == "random" or full.startswith("numpy.random."):
            if full in CHANCE_TYPES or (full in SEEDED and (id(node) in seeded or id(node) in annotations)):
                continue
            yield node.lineno, f"pure room uses {full} without a seed passed in"


def _annotations(tree: ast.Module) -> Iterator[ast.expr]:
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign | ast.arg) and node.annotation is not None:
            yield node.annotation
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.returns is not None:
            yield node.returns


def _dotted(node: ast.expr, names: dict[str, str]) -> str | None:
    """The full dotted name of ``np.random.rand``, None for anything that does not begin at an import."""
    if isinstance(node, ast.Name):
        return names.get(node.id)
    if isinstance(node, ast.Attribute):
        base = _dotted(node.value, names)
        return f"{base}.{node.attr}" if base else None
    return None


def main() -> int:
    """Check the tree named on the command line and print what is wrong."""
    default = Path(__file__).resolve().parent.parent / "daemon" / PACKAGE
    root = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    if not root.is_dir():
        print(f"{root}: no such folder", file=sys.stderr)
        return 2
    problems = check_tree(root)
    print("\n".join(problems) if problems else f"imports: {sum(1 for _ in root.rglob('*.py'))} modules, all in order")
    return 1 if problems else 0


if __name__ == "__main__":
    raise SystemExit(main())
