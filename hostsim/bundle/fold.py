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

Constants = Mapping[str, Mapping[str, int]]  # of each module, by their names
Edit = tuple[int, int, bytes]  # from one offset to another, what comes there


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
        self._text = text
        self._tree = tree
        self._constants = constants
        self._numbers = dict(constants[module])  # by the name they go by here
        self._modules: dict[str, str] = {}  # modules by the name they go by here
        self._starts = [0]
        for line in text.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def text(self) -> bytes:
        """The module's text, folded."""
        edits: list[Edit] = []
        for statement in self._tree.body:
            if isinstance(statement, ast.ImportFrom):
                edits += self._of_import(statement)
            elif _targets(statement) and all(name in self._numbers for name in _targets(statement)):
                edits.append(self._edit(statement, ""))
            else:
                edits += self._of_uses(statement)
        text = self._text
        for start, end, new in sorted(edits, reverse=True):
            text = text[:start] + new + text[end:]
        return text

    def _of_import(self, statement: ast.ImportFrom) -> Iterator[Edit]:
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
            yield self._edit(statement, ast.unparse(left) if kept else "")

    def _of_uses(self, node: ast.AST) -> Iterator[Edit]:
        """Fold what stands below a node; a formatted string whole, for want of places in it."""
        if isinstance(node, ast.JoinedStr):
            before = ast.unparse(node)
            after = ast.unparse(self.visit(node))
            if after != before:
                yield self._edit(node, after)
            return
        number = self._number(node)
        if number is not None and isinstance(node, ast.expr):
            yield self._edit(node, str(number) if number >= 0 else f"({number})")
            return
        for child in ast.iter_child_nodes(node):
            yield from self._of_uses(child)

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

    def _edit(self, node: ast.expr | ast.stmt, new: str) -> Edit:
        """Replace a node, which has a place, and keep its lines."""
        assert node.end_lineno is not None and node.end_col_offset is not None
        start = self._starts[node.lineno - 1] + node.col_offset
        end = self._starts[node.end_lineno - 1] + node.end_col_offset
        lines = self._text[start:end].count(b"\n") - new.count("\n")
        return start, end, new.encode() + b"\n" * lines
