"""What the tests of the command line share."""

import pytest

from hostsim.cli import main


@pytest.fixture
def call(capsys):
    """Run `tallywheel` with these arguments: (exit status, standard output, standard error)."""

    def run(*arguments):
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as end:  # argparse ends the process itself
            status = end.code
        return status, *capsys.readouterr()

    return run
