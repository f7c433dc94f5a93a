"""Boards a bundle can be made for, and whether a module's settings fit one.

A bundle holds bytecode and no native code, so that the same files would run on any board; what
differs is how much memory there is.  The figures are those of MicroPython 1.28 for the boards of
the chips' maker, from memory.
"""

from dataclasses import dataclass

WORD_BYTES = 4


@dataclass(frozen=True)
class Board:
    """What a bundle needs to know of a board.

    `machine`: how its MicroPython calls the chip; `march`: its name in mpy-cross; `words_bytes`:
    of its heap, what the words of planned moves may take; `block_bytes`, `flash_bytes`: of its
    flash file system; `from_files`: whether its heap can hold code that is loaded from files.
    """

    name: str
    machine: str
    march: str
    words_bytes: int
    block_bytes: int
    flash_bytes: int
    from_files: bool


# Planned words may take a tenth of what MicroPython leaves free: 240 KB, and more than 400 KB.
# What the firmware takes, from files and from a ROM partition, `tests/bench/heap.py` measures.
BOARDS = {
    board.name: board
    for board in (
        Board("rp2040", "RP2040", "armv6m", 24_000, 4_096, 1_408 * 1_024, False),
        Board("rp2350", "RP2350", "armv7emsp", 48_000, 4_096, 3_072 * 1_024, True),
    )
}


def problems(board: Board, words: int, bundle_bytes: int) -> list[str]:
    """Why a bundle does not fit `board`, one line each; [] if it fits.

    `words`: of all planned moves, heads and tails; `bundle_bytes`: on its flash file system.
    """
    found = []
    needed = words * WORD_BYTES
    if needed > board.words_bytes:
        found.append(
            f"the ramp takes {needed} bytes of words, allowed on {board.name} are "
            f"{board.words_bytes}: lower limit.velocity, or raise acceleration or jerk"
        )
    if bundle_bytes > board.flash_bytes:
        found.append(
            f"the bundle takes {bundle_bytes} bytes, the file system of {board.name} holds "
            f"{board.flash_bytes}"
        )
    return found
