"""Reads which module imports which, from the source alone."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

PURE = ("venue", "loudness", "planning", "mixing", "commissioning")
STORES = ("clips", "store")
ROOMS_BELOW = {  # room: what it may import of ours
    **{key: {"errors", *PURE} for key in PURE},
    **{key: {"errors", "settings", *PURE, *STORES} for key in STORES},
    "playout": {"errors", "settings", *PURE, *STORES, "playout"},
    "api": {"errors", "settings", "__init__", *PURE, *STORES, "playout", "api"},
}
PURE_OUTSIDE = {  # beside the standard library
    **{key: {"numpy", "scipy", "numba"} for key in PURE},
    "venue": {"numpy", "scipy", "numba", "pydantic", "pydantic_core"},
    "planning": {"numpy", "scipy", "numba", "holidays"},
}
NAMES_NOT_PATHS = {("pathlib", "PurePosixPath"), ("pathlib", "PureWindowsPath")}  # these never look at a disk
TOUCHES_THE_WORLD = {"asyncio", "glob", "http", "multiprocessing", "os", "pathlib", "select", "shutil", "signal",
                     "socket", "sqlite3", "subprocess", "tempfile", "time", "urllib"}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Import:
    """`module` imports `target` (dotted, absolute), on `line`. `checking` marks what only a type checker sees."""

    module: str
    target: str
    line: int
    checking: bool

    def __str__(self) -> str:
        return f"{self.module} imports {self.target} on line {self.line}"


def module_name(path: Path, root: Path) -> str:
    parts = path.relative_to(root.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def read_imports(root: Path) -> tuple[Import, ...]:
    """Every import of every module of the package at `root`, those inside functions included."""
    files = sorted(root.rglob("*.py"))
    modules = {module_name(f, root) for f in files}
    found: list[Import] = []
    for file in files:
        name = module_name(file, root)
        tree = ast.parse(file.read_text(encoding="utf-8"))
        checking = {
            id(inner)
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
            for child in node.body
            for inner in ast.walk(child)
        }
        package = name if file.name == "__init__.py" else name.rpartition(".")[0]
        for node in ast.walk(tree):
            for target in dict.fromkeys(_targets(node, package, modules)):
                seen_only = id(node) in checking
                found.append(Import(module=name, target=target, line=_line(node), checking=seen_only))
    return tuple(found)


def _line(node: ast.AST) -> int:
    return int(getattr(node, "lineno", 0))


def _targets(node: ast.AST, package: str, modules: set[str]) -> Iterable[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            parts = package.split(".")
            above = ".".join(parts[: len(parts) - node.level + 1])
            base = f"{above}.{base}" if base else above
        for alias in node.names:
            if (base, alias.name) in NAMES_NOT_PATHS:
                continue
            inner = f"{base}.{alias.name}"
            yield inner if inner in modules else base


def room_of(module: str, package: str = "oyez") -> str:
    """The folder right under the package, or the file's own name."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and parts[0] == package else "__init__"


def wrong_directions(imports: Iterable[Import], package: str = "oyez") -> list[str]:
    """Imports of ours that run upward or sideways."""
    return [
        str(i)
        for i in imports
        if i.target.split(".")[0] == package
        and (allowed := ROOMS_BELOW.get(room_of(i.module, package))) is not None
        and room_of(i.target, package) not in allowed
    ]


def impure(imports: Iterable[Import], standard: frozenset[str], package: str = "oyez") -> list[str]:
    """What a pure room imports from outside and must not."""
    wrong = []
    for i in imports:
        room, top = room_of(i.module, package), i.target.split(".")[0]
        if room not in PURE_OUTSIDE or top == package:
            continue
        if top in TOUCHES_THE_WORLD or (top not in standard and top not in PURE_OUTSIDE[room]):
            wrong.append(str(i))
    return wrong


def reached(start: Iterable[str], imports: Iterable[Import]) -> Mapping[str, tuple[str, ...]]:
    """Every module that `start` leads to, each with the chain of imports that leads there."""
    after: dict[str, list[str]] = {}
    for i in imports:
        if not i.checking:
            after.setdefault(i.module, []).append(i.target)
    chains: dict[str, tuple[str, ...]] = {name: (name,) for name in start}
    waiting = list(chains)
    while waiting:
        name = waiting.pop()
        for target in after.get(name, ()):
            for step in _with_parents(target):
                if step not in chains:
                    chains[step] = (*chains[name], step)
                    waiting.append(step)
    return chains


def _with_parents(module: str) -> Iterable[str]:
    parts = module.split(".")
    return (".".join(parts[: n + 1]) for n in range(len(parts)))
