"""What a firmware never calls, left out of its sources before they are compiled.

Theory of operation
-------------------
The core of `transitions` can do much more than run two flat charts, and the firmware itself has
functions for the host's end of its formats and for its own documentation.  On a board they would
lie in the heap for nothing.

What is needed is found by names alone: the code that runs when modules are imported, and special
methods, are; so is every function and class, of any file, whose name is mentioned in needed code,
as a name, an attribute or a word within a string.  That errs on the safe side: a function that is
only called by a name put together at run time is the one thing it can't see, and there is none.

Statements that only log go as well: on a board the logger drops every message.
"""

import ast
import re
from collections.abc import Iterator, Mapping

from hostsim.bundle.edits import Edits

Definition = ast.FunctionDef | ast.ClassDef
LOGGER = "_LOGGER"  # as `transitions` calls its own


def shake_all(texts: Mapping[str, bytes], entry: bytes) -> dict[str, bytes]:
    """Leave out what neither these files nor `entry`, the text that starts them, ever mentions."""
    trees = {path: ast.parse(text) for path, text in texts.items()}
    needed = _needed([*trees.values(), ast.parse(entry)])
    return {path: _shaken(text, trees[path], needed) for path, text in texts.items()}


def _needed(trees: list[ast.Module]) -> set[str]:
    """The names that needed code mentions."""
    waiting: dict[str, list[Definition]] = {}  # definitions not yet known to be needed
    names: set[str] = set()
    fresh: list[ast.AST] = list(trees)
    while fresh:
        mentioned = set()
        for node in fresh:
            for inner in _outside_definitions(node, waiting):
                mentioned |= _mentions(inner)
        names |= mentioned
        fresh = [each for name in names for each in waiting.pop(name, [])]
    return names


def _outside_definitions(node: ast.AST, waiting: dict[str, list[Definition]]) -> Iterator[ast.AST]:
    """The nodes below one that run with it; functions and classes met on the way are noted."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, Definition) and not _special(child):
            waiting.setdefault(child.name, []).append(child)
            for decorator in child.decorator_list:
                yield from ast.walk(decorator)
            continue
        if not _is_text(child) and not _logs(child):
            yield child
            yield from _outside_definitions(child, waiting)


def _mentions(node: ast.AST) -> set[str]:
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return {name}
        case ast.alias(name=name):
            return set(name.split("."))
        case ast.Constant(value=str(text)):
            return set(re.findall(r"\w+", text))
    return set()


def _special(node: Definition) -> bool:
    return node.name.startswith("__")


def _is_text(node: ast.AST) -> bool:
    """True for a docstring, or any other statement that is nothing but a text."""
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def _logs(node: ast.AST) -> bool:
    match node:
        case ast.Expr(value=ast.Call(func=ast.Attribute(value=ast.Name(id=name)))):
            return name == LOGGER
    return False


def _shaken(text: bytes, tree: ast.Module, needed: set[str]) -> bytes:
    edits = Edits(text)
    _shake(tree, needed, edits)
    return edits.text()


def _shake(node: ast.AST, needed: set[str], edits: Edits) -> None:
    for field in ("body", "orelse", "finalbody", "handlers"):
        block = getattr(node, field, [])
        if not isinstance(block, list):  # of a lambda
            continue
        gone = [
            each
            for each in block
            if _logs(each)
            or (isinstance(each, Definition) and not _special(each) and each.name not in needed)
        ]
        kept = [each for each in block if each not in gone]
        empty = not [each for each in kept if not _is_text(each)]
        for each in gone:
            edits.replace(each, "pass" if empty and each is gone[0] else "")
        for each in kept:
            _shake(each, needed, edits)
