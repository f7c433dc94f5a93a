"""What a file of `controller/` may be written in: the subset of Python that MicroPython also runs.

Theory of operation
-------------------
MicroPython refuses some of it when it compiles (`match`, a star in a display), lacks some of it
when it runs (`int.bit_length`, `dataclasses`), and does some of it differently without a word
(the order of a dict, `super().attribute`).  The first kind `mpy-cross` finds; this module finds the
others by walking the syntax tree, before a board does.  It also refuses what the firmware forbids
itself: floats, sleeping, threads, and imports from anywhere but its own rooms.

`complaints(source)` returns one text per finding, with its line number; none means clean.

What a syntax tree can't show stays with the tests that run under MicroPython: reliance on the order
of a dict, and `isinstance(x, int)` for a bool, which is False there.
"""

import ast
from collections.abc import Iterator


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


ALLOWED_IMPORTS = _words("controller transitions array struct json binascii time sys os errno gc")
# The stand-ins for standard modules reach for what they stand in for.
ALLOWED_IN_SHIMS = ALLOWED_IMPORTS | {"builtins", "collections"}
# One file takes a board's own modules and hands them to the rest, so that tests can hand in others.
ALLOWED_IN_ENTRY = ALLOWED_IMPORTS | {"machine", "micropython", "rp2"}

# Methods and attributes that MicroPython's objects do not have, or have and mean otherwise.
MISSING_ATTRIBUTES = _words(
    """
    bit_length bit_count as_integer_ratio zfill rjust ljust removeprefix removesuffix isalnum
    isidentifier casefold swapcase translate maketrans format_map hexdigest cast iter_unpack
    __doc__ __self__ __func__ __new__ __init_subclass__ __set_name__ __cause__ __context__
    __traceback__ with_traceback add_note monotonic monotonic_ns perf_counter perf_counter_ns
    """
)
FORBIDDEN_CALLS = {
    "float": "floats",
    "complex": "floats",
    "vars": "MicroPython lacks vars()",
    "aiter": "coroutines",
    "anext": "coroutines",
    "breakpoint": "debugging",
    "print": "the firmware speaks through its line and its trace",
    "input": "the firmware waits for nobody",
}
SLEEPS = frozenset({"sleep", "sleep_ms", "sleep_us"})
# Python's finer kinds of OSError and others that MicroPython has no name for.
MISSING_EXCEPTIONS = _words(
    """
    TimeoutError FileNotFoundError FileExistsError PermissionError BlockingIOError BrokenPipeError
    ConnectionError ConnectionResetError InterruptedError IsADirectoryError RecursionError
    UnicodeDecodeError UnicodeEncodeError BufferError FloatingPointError ReferenceError
    ModuleNotFoundError ExceptionGroup Warning DeprecationWarning
    """
)
# Keyword arguments that MicroPython's built-in functions refuse or ignore.
FORBIDDEN_KEYWORDS = {
    "zip": {"strict"},
    "from_bytes": {"signed", "byteorder"},
    "to_bytes": {"signed", "byteorder", "length"},
    "decode": {"errors"},
    "encode": {"errors"},
    "deque": {"maxlen"},
    "namedtuple": {"defaults", "rename", "module"},
    "print": {"flush"},
    "split": {"maxsplit", "sep"},
}


def complaints(source: str, imports: frozenset[str] = ALLOWED_IMPORTS) -> list[str]:
    """Return what is wrong with a module's text, as "line N: what", in order of lines."""
    tree = ast.parse(source)
    found = [
        (getattr(node, "lineno", 0), text)
        for node in ast.walk(tree)
        for text in _of_node(node, imports)
    ]
    found += [(node.lineno, "super().name read, not called") for node in _bare_super(tree)]
    found += [(node.lineno, "list[int] outside an annotation") for node in _live_generics(tree)]
    return [f"line {line}: {text}" for line, text in sorted(found)]


def _of_node(  # noqa: PLR0912, PLR0915  one case per construct reads best in one list
    node: ast.AST, imports: frozenset[str]
) -> Iterator[str]:
    """Yield what is wrong with this one node."""
    match node:
        case ast.Constant(value=float() | complex()):
            yield f"float literal {node.value!r}"
        case ast.BinOp(op=ast.Div()) | ast.AugAssign(op=ast.Div()):
            yield "/ divides into a float; use //"
        case ast.BinOp(op=ast.Pow(), right=ast.UnaryOp(op=ast.USub())):
            yield "a negative power is a float"
        case ast.BinOp(op=ast.MatMult()):
            yield "@ as an operator"
        case ast.FormattedValue(format_spec=ast.JoinedStr(values=[*_, ast.Constant(value=spec)])):
            if str(spec)[-1:] in "eEfFgG%n":
                yield f"format {spec!r} makes a float"
        case ast.Import():
            for alias in node.names:
                yield from _of_import(alias.name, imports)
        case ast.ImportFrom():
            if node.level:
                yield "relative import; write it in full"
            yield from _of_import(node.module or "", imports)
            if node.module == "time" and SLEEPS & {alias.name for alias in node.names}:
                yield "sleeping"
        case ast.Attribute(attr=attr) if attr in MISSING_ATTRIBUTES:
            yield f"MicroPython lacks or changes .{attr}"
        case ast.Attribute(attr=attr) if attr in SLEEPS:
            yield "sleeping"
        case ast.Name(id=name) if name in MISSING_EXCEPTIONS:
            yield f"MicroPython lacks {name}"
        case ast.Call():
            yield from _of_call(node)
        case ast.Slice(step=ast.expr()):
            yield "slice with a step"
        case ast.FunctionDef() | ast.Lambda():
            if node.args.posonlyargs:
                yield "positional-only parameters"
            if isinstance(node, ast.FunctionDef) and node.name in MISSING_ATTRIBUTES:
                yield f"MicroPython never calls {node.name}"
        case ast.ClassDef():
            if len(node.bases) > 1:
                yield "several base classes; MicroPython's order of them is another"
            if node.keywords:
                yield "class keywords"
        case ast.Raise(cause=ast.expr()):
            yield "raise ... from ...: the cause is lost"
        case ast.Dict(keys=keys) if None in keys:
            yield "** in a dict display"
        case ast.List(ctx=ast.Load()) | ast.Tuple(ctx=ast.Load()) | ast.Set():
            if any(isinstance(element, ast.Starred) for element in node.elts):
                yield "* in a display"
        case ast.Match():
            yield "match"
        case ast.TryStar():
            yield "except*"
        case ast.AsyncFunctionDef() | ast.Await() | ast.AsyncFor() | ast.AsyncWith():
            yield "coroutines"


def _of_import(name: str, allowed: frozenset[str]) -> Iterator[str]:
    if name.partition(".")[0] not in allowed:
        yield f"import of {name or '(relative)'}"


def _of_call(node: ast.Call) -> Iterator[str]:
    """Yield what is wrong with a call: the function itself, or how it is called."""
    match node.func:
        case ast.Name(id=name):
            if name in FORBIDDEN_CALLS:
                yield f"{name}(): {FORBIDDEN_CALLS[name]}"
        case ast.Attribute(attr=name):
            if name == "decode" and len(node.args) > 1:
                yield "decode() with an error policy"
        case _:
            return
    for keyword in node.keywords:
        if keyword.arg in FORBIDDEN_KEYWORDS.get(name, ()):
            yield f"{name}({keyword.arg}=...)"
    if name == "round" and len(node.args) > 1:
        yield "round() to decimals"


def _bare_super(tree: ast.AST) -> Iterator[ast.Attribute]:
    """Yield each `super().name` that is read rather than called: a property would not be asked."""
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(value=ast.Call(func=ast.Name(id="super"))) if id(node) not in called:
                yield node


def _live_generics(tree: ast.AST) -> Iterator[ast.Subscript]:
    """Yield each `list[...]` that would be evaluated; MicroPython evaluates no annotations."""
    idle = {
        id(inner)
        for node in ast.walk(tree)
        for annotation in (getattr(node, "annotation", None), getattr(node, "returns", None))
        if annotation
        for inner in ast.walk(annotation)
    }
    for node in ast.walk(tree):
        match node:
            case ast.Subscript(value=ast.Name(id="list" | "dict" | "tuple" | "set" | "type")):
                if id(node) not in idle:
                    yield node
