"""The entry point of a bundle, where it is called `main.py`: starts the firmware on what it finds.

On the board it hands the machine's own modules to the rest, which imports none of them.  Before all
else it switches the interrupt key off: loading the firmware takes seconds, in which a host that
comes back after a power cut already says byte 3, the device clear of its line, and the board would
end at the prompt.  Where commands come in elsewhere `rp2.loop` switches the key on again.

Under any other MicroPython, such as the one for a computer, the same firmware runs in lock-step
with a host over standard input and output (`controller.board.process`).
"""

import sys

here = __file__.rsplit("/", 1)[0] + "/" if "/" in __file__ else ""

if sys.platform == "rp2":
    import micropython

    micropython.kbd_intr(-1)

    import machine
    import rp2

    from controller.board.rp2.main import run

    run(machine, rp2, folder=here)
else:
    from controller.board.process import main

    with open(here + "profile.bin", "rb") as file:
        words = file.read()
    main(words)
