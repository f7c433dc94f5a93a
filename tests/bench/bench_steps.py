"""How many words a second the step engine has to be fed at 10 pockets/s, and how fast it can go.

    python -m tests.bench.bench_steps

For each module description: a run over 100 pockets at 10 pockets/s, within the description's limits
of acceleration and jerk, as words.  "ramp" is the highest rate over eight words in a row, "lasts"
the shortest time for which the full queue of eight keeps the engine going without the feed: a move
has to be shortened within it.  The engine's limit is measured in rp2040-pio-emulator.
"""

from itertools import pairwise
from pathlib import Path

from controller.motion.place import Place
from controller.motion.profile import Planner
from controller.motion.words import OVERHEAD_TICKS, TICK_HZ, Move, pack, unpack
from hostsim.config import load
from hostsim.table import table
from tests.controller.board.rp2.emulation import pulses

POCKETS_S = 10
POCKETS = 100
CRUISE_WORD_STEPS = 6
QUEUE_WORDS = 8


def durations(move: Move) -> list[int]:
    """Ticks that each word of a move takes."""
    ramps = [steps * ticks for word in move.head for steps, ticks in [unpack(word)]]
    cruise = [CRUISE_WORD_STEPS * move.cruise_ticks] * (move.cruise_steps // CRUISE_WORD_STEPS)
    return ramps + cruise + ramps[::-1]


def figures(path: Path) -> list[str]:
    settings = load(path).settings
    pitch = Place(settings).pitch
    planner = Planner(
        POCKETS_S * pitch, settings.limit_acceleration_steps_s2, settings.limit_jerk_steps_s3
    )
    move = planner.move(POCKETS * pitch, 1)
    words = durations(move)
    queue = min(sum(words[at : at + QUEUE_WORDS]) for at in range(len(words) - QUEUE_WORDS))
    cruise = TICK_HZ / move.cruise_ticks
    return [
        path.stem,
        f"{cruise:.0f}",
        f"{len(words)}",
        f"{cruise / CRUISE_WORD_STEPS:.0f}",
        f"{QUEUE_WORDS * TICK_HZ / queue:.0f}",
        f"{len(words) * TICK_HZ / move.duration_ticks():.0f}",
        f"{queue / TICK_HZ * 1e3:.2f}",
    ]


def engine(ticks: int) -> str:
    """The rate that the emulated engine keeps up over words of six steps."""
    rises = [rise for rise, _ in pulses([pack(CRUISE_WORD_STEPS, ticks)] * 100)]
    slowest = max(later - rise for rise, later in pairwise(rises))
    rate = TICK_HZ // slowest
    return f"{rate} steps/s at {ticks} ticks, {rate // CRUISE_WORD_STEPS} words/s"


def main() -> None:
    head = ["module", "steps/s", "words", "cruise w/s", "ramp w/s", "mean w/s", "lasts ms"]
    rows = [figures(path) for path in sorted(Path("configs").glob("*.toml"))]
    print(table(head, rows))
    print()
    print("asked for:", engine(TICK_HZ // 100_000))
    print("limit:    ", engine(OVERHEAD_TICKS))


if __name__ == "__main__":
    main()
