"""Folding changes how a source says a number, not what the source does, nor where its lines are."""

import ast

import pytest

from hostsim.bundle.compile import ENTRY, sources
from hostsim.bundle.fold import fold_all, module_of

SOURCES = {path: text for path, text in sources().items() if path != ENTRY}


@pytest.fixture(scope="module")
def folded():
    return fold_all(SOURCES)


def fold(text, module="controller.counting.tally"):
    """Fold a text that stands in for a module of the firmware, whose constants it may import."""
    path = module.replace(".", "/") + ".py"
    return fold_all({**SOURCES, path: text.encode()})[path].decode()


@pytest.mark.parametrize("path", SOURCES)
def test_no_line_moves(path, folded):
    before, after = SOURCES[path].splitlines(), folded[path].splitlines()
    assert len(before) == len(after)
    assert functions(SOURCES[path]) == functions(folded[path])


def functions(text):
    return [
        (node.name, node.lineno, node.end_lineno)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef)
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
