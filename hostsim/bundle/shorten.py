"""Private names made short, and the same few for all modules, before they are compiled.

Theory of operation
-------------------
MicroPython keeps every name of a program in the heap, once.  A name that begins with an underscore
is nobody's business outside of its module, so each module may use the same short ones: `_a`, `_b`
and so on.  What a person sees of them on a board is the name of a function in a trace, and beside
it stands the line, which is that of the source.

Modules in which a class is derived from one of another module share its private names, and are
renamed together.  A name stays as it is where a program could know it by other means: if a text
mentions it, if `transitions` uses it, or if it is asked of anything but `self` or `cls`.
"""

import ast
import re
from collections.abc import Iterator, Mapping

from hostsim.bundle.edits import Edits

LETTERS = "abcdefghijklmnopqrstuvwxyz"
Names = dict[str, str]  # short ones by the names in the source


def shorten_all(texts: Mapping[str, bytes]) -> dict[str, bytes]:
    """Shorten the private names of the firmware; files outside of `controller/` stay."""
    trees = {path: ast.parse(text) for path, text in texts.items()}
    own = {path: tree for path, tree in trees.items() if path.startswith("controller/")}
    kept = {name for path, tree in trees.items() if path not in own for name in _all_names(tree)}
    for tree in own.values():
        kept |= _known_elsewhere(tree)
    shortened = dict(texts)
    for group in _families(own):
        found = sorted({name for path in group for name in _private(own[path])} - kept)
        names = dict(zip(found, _short_names(kept), strict=False))
        for path in group:
            shortened[path] = _renamed(texts[path], own[path], names)
    return shortened


def _short_names(taken: set[str]) -> Iterator[str]:
    """`_a` to `_z`, then `_aa`, `_ab` and so on, without those that are taken."""
    heads = [""]
    while True:
        heads = [head + letter for head in heads for letter in LETTERS]
        yield from (f"_{name}" for name in heads if f"_{name}" not in taken)


def _families(trees: Mapping[str, ast.Module]) -> list[list[str]]:
    """The modules in groups: those with classes derived from one another's belong together."""
    family = {path: [path] for path in trees}
    for path, tree in trees.items():
        bases = {
            base.id
            for node in ast.walk(tree)
            if isinstance(node, ast.ClassDef)
            for base in node.bases
            if isinstance(base, ast.Name)
        }
        for node in tree.body:
            if isinstance(node, ast.ImportFrom) and bases & {alias.name for alias in node.names}:
                other = (node.module or "").replace(".", "/") + ".py"
                if other in family and family[other] is not family[path]:
                    family[path] += family[other]
                    for member in family[other]:
                        family[member] = family[path]
    return list({id(group): group for group in family.values()}.values())


def _is_private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and name != "_"


def _all_names(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.arg(arg=name):
                yield name
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name) | ast.alias(name=name):
                yield name
            case ast.keyword(arg=str(name)):
                yield name


def _private(tree: ast.AST) -> set[str]:
    return {name for name in _all_names(tree) if _is_private(name)}


def _known_elsewhere(tree: ast.AST) -> set[str]:
    """Private names that are mentioned in texts, passed by keyword, imported or asked of others."""
    found = set()
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str(text)):
                found |= set(re.findall(r"\b_\w+", text))
            case ast.Attribute(value=ast.Name(id="self" | "cls")):
                pass
            case ast.Attribute(attr=name) | ast.alias(name=name) | ast.arg(arg=name):
                found.add(name)
            case ast.keyword(arg=str(name)):
                found.add(name)
    return found


def _renamed(text: bytes, tree: ast.Module, names: Names) -> bytes:
    edits = Edits(text)
    _rename(tree, names, edits)
    return edits.text()


def _rename(node: ast.AST, names: Names, edits: Edits) -> None:
    """Rename what stands below a node; a formatted string whole, for want of places in it."""
    match node:
        case ast.JoinedStr():
            before = ast.unparse(node)
            after = ast.unparse(_Rename(names).visit(node))
            if after != before:
                edits.replace(node, after)
            return
        case ast.Name(id=name) if name in names:
            edits.replace(node, names[name])
        case ast.Attribute(attr=name) if name in names:
            assert node.end_lineno is not None and node.end_col_offset is not None
            edits.replace_name(node.end_lineno, node.end_col_offset - len(name), name, names[name])
        case ast.FunctionDef(name=name) if name in names:
            edits.replace_name(node.lineno, node.col_offset + len("def "), name, names[name])
        case ast.ClassDef(name=name) if name in names:
            edits.replace_name(node.lineno, node.col_offset + len("class "), name, names[name])
    for child in ast.iter_child_nodes(node):
        _rename(child, names, edits)


class _Rename(ast.NodeTransformer):
    """Renames within a formatted string."""

    def __init__(self, names: Names) -> None:
        self._names = names

    def visit_Name(self, node: ast.Name) -> ast.Name:
        node.id = self._names.get(node.id, node.id)
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        node.attr = self._names.get(node.attr, node.attr)
        return self.generic_visit(node)
