"""Changes to a source text, node by node, in which no line moves.

A trace from a board names files and lines; they must be those of the repository.  So what is left
out of a source leaves its line ends behind, and what is replaced never has more lines than before.
"""

import ast


class Edits:
    """Changes to one text, carried out all at once by `text`."""

    def __init__(self, text: bytes) -> None:
        self._text = text
        self._edits: list[tuple[int, int, bytes]] = []  # from and to an offset, what comes there
        self._starts = [0]
        for line in text.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def replace(self, node: ast.expr | ast.stmt | ast.arg, new: str = "") -> None:
        """Put `new` in place of a node that was parsed from this text; it may have no more lines.

        The decorators of a function or a class go with it.
        """
        assert node.end_lineno is not None and node.end_col_offset is not None
        lineno, column = node.lineno, node.col_offset
        decorators = getattr(node, "decorator_list", [])
        if decorators:
            lineno, column = decorators[0].lineno, decorators[0].col_offset - len("@")
        start = self._starts[lineno - 1] + column
        end = self._starts[node.end_lineno - 1] + node.end_col_offset
        lines = self._text[start:end].count(b"\n") - new.count("\n")
        self._edits.append((start, end, new.encode() + b"\n" * lines))

    def replace_name(self, lineno: int, column: int, name: str, new: str) -> None:
        """Put `new` in place of `name`, which stands at that place."""
        start = self._starts[lineno - 1] + column
        end = start + len(name)
        assert self._text[start:end] == name.encode()
        self._edits.append((start, end, new.encode()))

    def text(self) -> bytes:
        """The text with all changes, of which none may lie within another."""
        text = self._text
        for start, end, new in sorted(self._edits, reverse=True):
            text = text[:start] + new + text[end:]
        return text
