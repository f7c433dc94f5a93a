"""Results of requests, as a person reads them and as a program does."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from controller.cycle import causes
from hostsim.answers import Result
from hostsim.words import Outcome

NAMED_MAX = 10  # tickets named in one line


def cause_text(code: int) -> str | None:
    """What the cause of that number means; None for no cause."""
    return causes.cause(code)[3] if code else None


def remedy(code: int) -> str:
    """What the cause of that number asks the person at the bench to do, in sentences."""
    return causes.cause(code)[4] or "Check the bag by hand."


def as_dict(result: Result) -> dict[str, Any]:
    """The result as plain values: counts in parts and pockets, `seconds` in s."""
    return {
        "ticket": result.ticket,
        "quantity": result.quantity,
        "outcome": str(result.outcome),
        "lower": result.lower,
        "upper": result.upper,
        "pockets": result.pockets,
        "retries": result.retries,
        "seconds": result.seconds,
        "cause": cause_text(result.cause),
    }


def parts_out(result: Result) -> str:
    """How many parts are out, as far as that is known."""
    if result.lower == result.upper:
        return f"{result.lower} of {result.quantity}"
    return f"{result.lower} to {result.upper} of {result.quantity}"


def verdict(results: Sequence[Result], part: str) -> str:
    """One line that says how the requests ended."""
    if len(results) == 1:
        result = results[0]
        return f"{result.outcome}: {parts_out(result)} parts ({part}) in {result.seconds:.2f} s"
    counts = Counter(result.outcome for result in results)
    said = ", ".join(f"{counts[outcome]} {outcome}" for outcome in Outcome if counts[outcome])
    return f"{said}, of {len(results)} requests ({part})"


def advice(results: Sequence[Result]) -> str:
    """One line for the person at the bench about the requests that did not end exact."""
    bad = [result for result in results if result.outcome is not Outcome.EXACT]
    named = [str(result.ticket) for result in bad[:NAMED_MAX]]
    if len(bad) > NAMED_MAX:
        named.append(f"{len(bad) - NAMED_MAX} more")
    first = bad[0]
    why = f"{first.outcome}: {cause_text(first.cause) or 'the evidence disagrees'}"
    if len(bad) > 1:
        return f"tickets {', '.join(named)} not exact (the first {why}); check the bags by hand"
    missing = first.quantity - first.upper if first.outcome is Outcome.SHORT else 0
    lacking = f"; {missing} parts are missing" if missing else ""
    said = f"ticket {named[0]} not exact ({why}){lacking}. {remedy(first.cause)}"
    if missing:
        said += " This request is closed: what is still wanted takes a new one."
    return said
