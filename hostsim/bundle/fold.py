"""Named constants folded away: what a source calls by a name, the board gets as a number.

Theory of operation
-------------------
In the sources every number has a name, and other rooms import it.  On a board each of these names
takes heap where it is defined and again wherever it is imported, and a look-up wherever it is used.
A compiler that sees one file at a time can't look through an import; this does, on the text, before
mpy-cross gets it.

A constant is a name in capitals that its module binds once, at the top, to an integer.  Its value
is asked of the module itself.  Uses are replaced where they stand, definitions and imports are
blanked, and no line moves: a trace from a board still names the line of the source.
"""

import ast
import importlib
from collections.abc import Iterator, Mapping

from hostsim.bundle.edits import Edits

Constants = Mapping[str, Mapping[str, int]]  # of each module, by their names


def fold_all(texts: Mapping[str, bytes]) -> dict[str, bytes]:
    """Fold the constants of `controller/` in all its files; other files stay as they are."""
    trees = {
        path: ast.parse(text) for path, text in texts.items() if path.startswith("controller/")
    }
    constants = {module_of(path): _constants(module_of(path), trees[path]) for path in trees}
    return {
        path: _Fold(text, trees[path], module_of(path), constants).text() if path in trees else text
        for path, text in texts.items()
    }


def module_of(path: str) -> str:
    """The name under which a file is imported."""
    return path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def _constants(module: str, tree: ast.Module) -> dict[str, int]:
    """The constants that a module defines, with their values."""
    bound = [node.id for node in _names(tree) if isinstance(node.ctx, ast.Store)]
    defined = [name for statement in tree.body for name in _targets(statement)]
    values = {
        name: getattr(importlib.import_module(module), name)
        for name in defined
        if name.isupper() and bound.count(name) == 1
    }
    return {name: value for name, value in values.items() if type(value) is int}


def _names(tree: ast.AST) -> Iterator[ast.Name]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.Name))


def _targets(statement: ast.stmt) -> list[str]:
    """The names that an assignment binds; [] for any other statement."""
    if not isinstance(statement, ast.Assign):
        return []
    return [node.id for target in statement.targets for node in _names(target)]


class _Fold(ast.NodeTransformer):
    """The folding of one module."""

    def __init__(self, text: bytes, tree: ast.Module, module: str, constants: Constants) -> None:
        self._edits = Edits(text)
        self._tree = tree
        self._constants = constants
        self._numbers = dict(constants[module])  # by the name they go by here
        self._modules: dict[str, str] = {}  # modules by the name they go by here

    def text(self) -> bytes:
        """The module's text, folded."""
        for statement in self._tree.body:
            if isinstance(statement, ast.ImportFrom):
                self._fold_import(statement)
            elif _targets(statement) and all(name in self._numbers for name in _targets(statement)):
                self._edits.replace(statement)
            else:
                self._fold_uses(statement)
        return self._edits.text()

    def _fold_import(self, statement: ast.ImportFrom) -> None:
        """Take note of what is imported; import no constants."""
        module = statement.module or ""
        kept = []
        for alias in statement.names:
            here = alias.asname or alias.name
            if alias.name in self._constants.get(module, ()):
                self._numbers[here] = self._constants[module][alias.name]
            else:
                self._modules[here] = f"{module}.{alias.name}"
                kept.append(alias)
        if len(kept) < len(statement.names):
            left = ast.ImportFrom(statement.module, kept, 0)
            self._edits.replace(statement, ast.unparse(left) if kept else "")

    def _fold_uses(self, node: ast.AST) -> None:
        """Fold what stands below a node; a formatted string whole, for want of places in it."""
        if isinstance(node, ast.JoinedStr):
            before = ast.unparse(node)
            after = ast.unparse(self.visit(node))
            if after != before:
                self._edits.replace(node, after)
            return
        number = self._number(node)
        if number is not None and isinstance(node, ast.expr):
            self._edits.replace(node, str(number) if number >= 0 else f"({number})")
            return
        for child in ast.iter_child_nodes(node):
            self._fold_uses(child)

    def _number(self, node: ast.AST) -> int | None:
        match node:
            case ast.Name(id=name, ctx=ast.Load()):
                return self._numbers.get(name)
            case ast.Attribute(value=ast.Name(id=name), attr=attribute) if name in self._modules:
                return self._constants.get(self._modules[name], {}).get(attribute)
        return None

    def visit(self, node: ast.AST) -> ast.AST:
        """Put the number in place of a name inside of a formatted string."""
        number = self._number(node)
        return self.generic_visit(node) if number is None else ast.Constant(number)
