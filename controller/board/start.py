"""The entry point of a bundle, where it is called `main.py`: starts the firmware on what it finds.

On the board it hands the machine's own modules to the rest, which imports none of them.  Under any
other MicroPython, such as the one for a computer, the same firmware runs in lock-step with a host
over standard input and output (`controller.board.process`).
"""

import sys

here = __file__.rsplit("/", 1)[0] + "/" if "/" in __file__ else ""

if sys.platform == "rp2":
    import machine
    import rp2

    from controller.board.rp2.main import run

    run(machine, rp2, folder=here)
else:
    from controller.board.process import main

    with open(here + "profile.bin", "rb") as file:
        words = file.read()
    main(words)
