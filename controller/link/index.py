"""What the SCPI server keeps of the table of commands: enough to find a row and to carry it out.

Theory of operation
-------------------
The table (`commands`) tells people what each command is for, and what a query answers.  The server
needs none of that; it borrows the table once and keeps, for every subsystem, one text with a line
for each row: the pattern, and the path of the call.  Rows with parameters, and those that a handler
carries out, are kept beside it by the number of their line.  So a row takes some 40 bytes of a
small board's heap, not 200.
"""

from controller.link.scpi_header import nodes_match, split, word_matches

_NO_PARAMETERS = ()


class CommandIndex:
    """Finds commands by their headers."""

    def __init__(self, tree):
        """`tree`: as in `commands`; nothing of it is held on to but its parameters and handlers."""
        self._roots = [(root,) + _condensed(rows) for root, _title, rows in tree]

    def find(self, header):
        """Return (pattern, call, parameters) of a header in upper case and from the root, or None.

        Pattern, call and parameters are those of the row.
        """
        words, query = split(header)
        for root, lines, others in self._roots:
            if not word_matches(root, words[0]):
                continue
            lines = lines.split("\n")
            for number in range(len(lines)):
                pattern, _, path = lines[number].partition(" ")
                if nodes_match(pattern, words[1:], query):
                    call, parameters = others.get(number, (path, _NO_PARAMETERS))
                    return pattern, call, parameters
        return None


def _condensed(rows):
    """Return (the lines of `rows`, {number of a line: (call, parameters)} where it needs more)."""
    lines: list = []
    others = {}
    for pattern, call, parameters, _answer, _what in rows:
        is_path = isinstance(call, str)
        if parameters or not is_path:
            others[len(lines)] = (call, parameters)
        lines.append(pattern + " " + call if is_path else pattern)
    return "\n".join(lines), others
