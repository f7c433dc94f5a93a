"""What is done to the sources before they are compiled changes neither doings nor lines.

That the whole firmware still does the same is for `test_run.py` to see.
"""

import ast

import pytest

from hostsim.bundle.build import condense
from hostsim.bundle.compile import ENTRY, sources
from hostsim.bundle.fold import fold_all, module_of
from hostsim.bundle.shake import shake_all
from hostsim.bundle.shorten import shorten_all

SOURCES = sources()
START = SOURCES.pop(ENTRY)


@pytest.fixture(scope="module")
def folded():
    return fold_all(SOURCES)


@pytest.fixture(scope="module")
def condensed():
    return condense(SOURCES, START)


def fold(text, module="controller.counting.tally"):
    """Fold a text that stands in for a module of the firmware, whose constants it may import."""
    path = module.replace(".", "/") + ".py"
    return fold_all({**SOURCES, path: text.encode()})[path].decode()


@pytest.mark.parametrize("path", SOURCES)
def test_no_line_moves(path, condensed):
    before, after = places(SOURCES[path]), places(condensed[path])
    assert SOURCES[path].count(b"\n") == condensed[path].count(b"\n")
    assert set(after) <= set(before)  # some are left out


def places(text):
    """The lines on which the statements of functions begin, texts left out."""
    return [
        node.lineno
        for function in ast.walk(ast.parse(text))
        if isinstance(function, ast.FunctionDef)
        for node in function.body
        if not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        and not isinstance(node, ast.Pass)
    ]


def test_no_constant_is_left(folded):
    for path, text in folded.items():
        if path.startswith("controller/"):
            for node in ast.parse(text).body:
                if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
                    assert type(node.value.value) is not int, f"{path}:{node.lineno}"


def test_other_packages_stay_as_they_are(folded):
    assert folded["transitions/core.py"] == SOURCES["transitions/core.py"]


def test_folded_modules_work_out_the_same(folded):
    # Every module once more, from its folded text, beside the one that was imported.
    for path in folded:
        if path.startswith("controller/") and "shims" not in path and "process" not in path:
            module = {"__name__": module_of(path)}
            exec(compile(folded[path], path, "exec"), module)
            real = __import__(module_of(path), fromlist=["*"])
            for name, value in module.items():
                if isinstance(value, (str, bytes, tuple)) and not name.startswith("__"):
                    assert (
                        repr(value).split(" at 0x")[0]
                        == repr(getattr(real, name)).split(" at 0x")[0]
                    ), f"{path} {name}"


UNIT = "from controller.cycle import unit\nfrom controller.cycle.unit import HELD as H, STATES\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (UNIT + "x = H", "from controller.cycle import unit\n"
         "from controller.cycle.unit import STATES\nx = 11"),
        (UNIT + "def f():\n    return unit.HELD, unit.STATES[H]", None),
        ("from controller.cycle.unit import (\n    HELD,\n    IDLE,\n)\nx = (HELD, IDLE)",
         "\n\n\n\nx = (11, 4)"),
        (UNIT + "x = f'{H} and {unit.IDLE:>{H}}'", None),
        (UNIT + "x = y.HELD", None),
        (UNIT + "def f(HELD): return HELD", None),
    ],
)  # fmt: skip
def test_what_is_folded(text, expected):
    after = fold(text)
    if expected is not None:
        assert after == expected
    assert after.count("\n") == text.count("\n")
    before, after = run(text), run(after)
    assert before.get("x") == after.get("x")
    if "f" in before:
        arguments = ("given",) if "(HELD)" in text else ()
        assert before["f"](*arguments) == after["f"](*arguments)


def run(text):
    namespace = {"y": type("Y", (), {"HELD": "mine"})}
    exec(text, namespace)
    return namespace


def test_what_is_never_mentioned_is_left_out():
    texts = {
        "controller/a.py": b"""
from controller.b import helper

class Kept:
    def __len__(self):
        return self.deep()

    def deep(self):
        return "by_path"

    def unused(self):
        return only_from_unused()

class Documentation:
    "Mentioned here: unused, Documentation."

    def anything(self):
        return Kept()

@helper
def decorated():
    try:
        _LOGGER.debug("x")
    finally:
        _LOGGER.info("y", 1,
                     2)
""",
        "controller/b.py": b"""
def helper(f):
    def inner():
        return f()
    return inner

def by_path(): pass

def only_from_unused():
    return only_from_unused()
""",
    }
    shaken = shake_all(texts, b"from controller.a import Kept, decorated")
    assert names(shaken["controller/a.py"]) == {"Kept", "__len__", "deep", "decorated"}
    assert names(shaken["controller/b.py"]) == {"helper", "inner", "by_path"}
    assert b"_LOGGER" not in shaken["controller/a.py"]
    for path, text in texts.items():
        assert text.count(b"\n") == shaken[path].count(b"\n")


def names(text):
    return {
        node.name
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
    }


def test_private_names_are_short_and_the_same_few():
    texts = {
        "controller/a.py": b"""
_TABLE = (1, 2)

class Base:
    def __init__(self, value):
        self._value = value
        self._text = f"{self._value:>3} {_TABLE}"
""",
        "controller/b.py": b"""
from controller.a import Base

def _other(thing):
    return thing._asked_of_others

class Derived(Base):
    _mine = "_by_name"

    def _by_name(self):
        return self._value, self._mine, self._text

    def call(self):
        return getattr(self, self._mine)()
""",
        "controller/c.py": b"""
class _Alone:
    _asked_of_others = 3
    def _method(self, _given=1):
        return self._asked_of_others + _given
""",
        "transitions/core.py": b"_other = 1",
    }
    short = shorten_all(texts)
    assert short["transitions/core.py"] == texts["transitions/core.py"]
    left = {
        name
        for path, text in short.items()
        for node in ast.walk(ast.parse(text))
        for name in [getattr(node, "attr", getattr(node, "id", getattr(node, "name", "")))]
        if isinstance(name, str) and name.startswith("_") and len(name) > 3
    }
    assert left == {"_other", "_by_name", "_asked_of_others", "_given", "__init__"}
    space = {}
    exec(short["controller/a.py"], space)
    exec(short["controller/b.py"].replace(b"from controller.a import Base", b""), space)
    assert space["Derived"](7).call()[0] == 7
    assert space["Derived"](7).call()[2] == "  7 (1, 2)"
    exec(short["controller/c.py"], space)
