"""A folder for tests that need files, on whichever interpreter and machine they run."""

import os

FOLDERS_MAX = 10000  # beyond, something else is wrong than a name that is taken


def scratch():
    """Return a new folder that no other run of the tests has, ended by a slash."""
    for number in range(FOLDERS_MAX):
        path = f"/tmp/tallywheel-{number}"
        try:
            os.mkdir(path)
        except OSError:
            continue
        return path + "/"
    raise OSError("no folder can be made in /tmp")
