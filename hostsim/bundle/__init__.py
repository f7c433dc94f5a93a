"""The bundle: the firmware of one module as a folder that a board's MicroPython runs as it is."""
