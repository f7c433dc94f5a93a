"""Ten million bytes of noise on the SCPI line, and how fast it is read.

    python -m tests.bench.bench_scpi_fuzz [BYTES] [SEED]

The same checks as the test makes with 200,000 bytes: nothing moves that is not well formed, a good
query is answered after every burst.  Prints what was fed, what moved, and bytes per second of the
line and of the checking together, then of the line alone with good messages.
"""

import sys
import time

from tests.controller.link import fuzz
from tests.controller.link.line import Line

GOOD_MESSAGES = 20000


def main() -> None:
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    start = time.perf_counter()
    fed, moved = fuzz.run(seed, total)
    seconds = time.perf_counter() - start
    print(f"noise: {fed:,} bytes, {moved:,} good moves, none by malformed input, ", end="")
    print(f"{fed / seconds:,.0f} bytes/s with all checks")

    line = Line()
    message = b"REQuest:PROGress?;:SYSTem:ERRor?\n"
    start = time.perf_counter()
    for _ in range(GOOD_MESSAGES):
        line.feed(message)
    seconds = time.perf_counter() - start
    print(f"good messages: {GOOD_MESSAGES * len(message) / seconds:,.0f} bytes/s, ", end="")
    print(f"{seconds / GOOD_MESSAGES * 1e6:.1f} us for {message.decode().strip()}")


if __name__ == "__main__":
    main()
