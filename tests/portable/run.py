"""Run the portable tests without pytest, so that they also run under MicroPython.

    micropython tests/portable/run.py [--transitions FOLDER] [FILE ...]

Imports each FILE (default: every `test_*.py` beside this one) and calls its `test_*` functions in
the order of their names.  Prints one line per test, a trace for each that fails, and last
"N passed, N failed"; the exit status is 0 only if something ran and nothing failed.

FOLDER is the site-packages that holds `transitions`; without it, the one belonging to the virtual
environment the interpreter lies in.  Under CPython the option is taken and not needed.
"""

import gc
import os
import sys

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
sys.path.insert(0, HERE + "/../..")

from controller.shims.install import install  # noqa: E402  needs the path above


def main(arguments):
    """Run the tests named on the command line; return the exit status."""
    transitions = own_site_packages()
    if arguments[:1] == ["--transitions"]:
        transitions, arguments = arguments[1], arguments[2:]
    install(transitions)
    names = [path.rsplit("/", 1)[-1] for path in arguments] or sorted(os.listdir(HERE))
    passed = failed = 0
    for name in names:
        if name.startswith("test_") and name.endswith(".py"):
            good, bad = run_file(name[:-3])
            forget(name[:-3])
            passed += good
            failed += bad
    print(f"{passed} passed, {failed} failed")
    return 0 if passed and not failed else 1


def run_file(name):
    """Import the test module `name` and run its tests; return how many (passed, failed)."""
    try:
        module = getattr(__import__("tests.portable." + name).portable, name)
    except Exception as error:
        report(name, "import", error)
        return 0, 1
    passed = failed = 0
    for test in sorted(dir(module)):
        if not test.startswith("test_"):
            continue
        try:
            getattr(module, test)()
        except Exception as error:
            report(name, test, error)
            failed += 1
        else:
            print("ok    ", name, test)
            passed += 1
    return passed, failed


def forget(name):
    """Let go of a test module: the heap of a small interpreter has no room for all of them."""
    sys.modules.pop("tests.portable." + name, None)
    package = sys.modules.get("tests.portable")
    if hasattr(package, name):
        delattr(package, name)
    gc.collect()


def report(name, test, error):
    """Print one failure with its trace."""
    print("FAILED", name, test)
    if hasattr(sys, "print_exception"):
        sys.print_exception(error)
    else:
        sys.excepthook(type(error), error, error.__traceback__)


def own_site_packages():
    """Return the site-packages beside this interpreter's own folder, or None if there is none."""
    library = sys.executable.rsplit("/", 2)[0] + "/lib"
    try:
        versions = [name for name in os.listdir(library) if name.startswith("python3")]
    except OSError:
        return None
    for version in versions:
        folder = library + "/" + version + "/site-packages"
        try:
            os.stat(folder + "/transitions/core.py")
        except OSError:
            continue
        return folder
    return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
