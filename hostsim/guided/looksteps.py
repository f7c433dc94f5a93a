"""Bring-up, what only looks: who is there, the inputs, the guard, the beam by hand.

Theory of operation
-------------------
Nothing is energised here and nothing turns.  Each step asks for a deed and watches until the module
has seen it, with what the module sees shown live.  The guard step does more than look at its
contact: with the guard open it gives every command that leads to motion, and each must be refused.
"""

from collections.abc import Callable
from typing import Any

from hostsim.errors import DeviceError
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed
from hostsim.words import Inputs

TEST_STORE = 4  # bit of *TST?
ISOLATE = "Isolate the supply and let everything come to rest before you reach in. "

INPUT_WORDS = (
    (Inputs.GUARD_SHUT, "guard shut", "guard OPEN"),
    (Inputs.DRIVE_HEALTHY, "driver healthy", "driver FAULT"),
    (Inputs.RECEIVER_THERE, "bag in place", "bag missing"),
    (Inputs.MAGAZINE_FILLED, "magazine filled", "magazine low"),
)


def inputs_in_words(bits: Inputs) -> str:
    """The level bits, as a person reads them."""
    return ", ".join(good if bits & bit else bad for bit, good, bad in INPUT_WORDS)


def identity(session: Session) -> Finding:
    """Who is on the line, do the settings fit the description, does it know of anything broken."""
    client = session.client
    who = client.identity()
    broken = int(client.ask("*TST?"))
    values = {"model": who.model, "version": who.version, "self_test": broken}
    if session.config is not None:
        settings = session.config.settings
        apart = [
            name
            for name, value in client.settings().items()
            if value != _flat(getattr(settings, name, None))
        ]
        if apart:
            return failed(
                f"{who.model} runs with other settings than the description: {', '.join(apart)}",
                "Flash the bundle made from this description, or give the description it was made"
                " from.",
                apart=apart,
                **values,
            )
    said = f"{who.maker}, {who.model}, firmware {who.version}, serial {who.serial}"
    if broken & TEST_STORE:
        said += "; it has no store that keeps, so tickets are forgotten with the power"
    return passed(said, **values)


def inputs(session: Session) -> Finding:
    """Do the inputs say what the person sees?"""
    bits = session.inputs()
    session.talk.show(inputs_in_words(bits))
    values = {"inputs": bits}
    if not bits & Inputs.DRIVE_HEALTHY:
        return failed(
            "the stepper driver reports a fault while everything is at rest",
            ISOLATE + "Check the driver's supply, its fault output and the level of that wire (1 is"
            " healthy, a cut wire reads as a fault), then the motor's cable.",
            **values,
        )
    session.talk.ask_for("guard shut", "Shut the guard.")
    seen = _inputs_until(session, lambda bits: bool(bits & Inputs.GUARD_SHUT))
    if seen is None:
        return failed(
            "the guard is shut and reads open",
            ISOLATE + "The contact is the wrong way round or not connected: it must be closed while"
            " the guard is shut, so that a cut wire reads as open.",
            **values,
        )
    session.talk.ask_for("bag away", "Take the bag (or nest) away.")
    gone = _inputs_until(session, lambda bits: not bits & Inputs.RECEIVER_THERE)
    session.talk.ask_for("bag back", "Put it back.")
    back = _inputs_until(session, lambda bits: bool(bits & Inputs.RECEIVER_THERE))
    if gone is None or back is None:
        return failed(
            "the receiver input does not follow the bag",
            "Check the receiver's sensor and its wire; without one, tie the input to ready, and"
            " know that the module will then dispense without a bag.",
            **values,
        )
    return passed(f"inputs follow: {inputs_in_words(session.inputs())}", **values)


def guard(session: Session) -> Finding:
    """Is an open guard seen, and does it keep the unit from being started?"""
    client, talk = session.client, session.talk
    talk.ask_for("guard open", "Open the guard.")
    seen = _inputs_until(session, lambda bits: not bits & Inputs.GUARD_SHUT)
    if seen is None:
        return failed(
            "the guard is open and the module does not see it",
            ISOLATE + "Do not go on. The contact is bridged, stuck or wired to another input. The"
            " switch must cut the drive in hardware as well; check both.",
        )
    state = client.state()
    started = _would_start(session)
    talk.ask_for("guard shut", "Shut the guard.")
    shut = _inputs_until(session, lambda bits: bool(bits & Inputs.GUARD_SHUT))
    if started:
        session.rest()
        return failed(
            "the unit let itself be started with the guard open",
            ISOLATE + "Do not use this module; save its record and report it.",
        )
    if shut is None:
        return failed("the guard is shut and still reads open", ISOLATE + "Adjust its switch.")
    return passed(f"open is seen: the unit is {state} and refuses to be started", state=int(state))


def _would_start(session: Session) -> bool:
    """Whether any command that leads to motion is taken now."""
    client = session.client
    for command in ("clear", "reset", "start"):
        try:
            client.give(command)
        except DeviceError:
            continue
        return True
    return False


def beam_by_hand(session: Session) -> Finding:
    """Does the beam follow what is held into it?"""
    talk = session.talk
    if _beam_blocked(session):
        return failed(
            "the beam reads blocked with nothing in it",
            ISOLATE + "Look for something in the light, wipe emitter and receiver, align them;"
            " then check the receiver's supply and whether its output is the wrong way round.",
        )
    talk.ask_for("card in", "Hold a piece of card into the beam, from below.")
    dark = _beam_until(session, True)
    talk.ask_for("card out", "Take it out.")
    clear = _beam_until(session, False)
    if not dark:
        return failed(
            "the beam reads clear with a card in it",
            ISOLATE + "It would miss every part. Check the receiver's cable and plug, and that its"
            " light does not pass beside the card.",
        )
    if not clear:
        return failed("the beam stays dark", ISOLATE + "Wipe and align emitter and receiver.")
    return passed("clear, blocked by a card, clear again")


def _inputs_until(session: Session, wanted: Callable[[Inputs], bool]) -> Inputs | None:
    """The inputs as soon as they are as wanted, all of them shown live; None if they never are."""
    return session.until(session.inputs, wanted, inputs_in_words)


def _beam_until(session: Session, blocked: bool) -> bool:
    """Whether the beam comes to be blocked, or clear, in time; shown live."""
    seen = session.until(
        lambda: _beam_blocked(session),
        lambda now: now is blocked,
        lambda now: "beam blocked" if now else "beam clear",
    )
    return seen is not None


def _beam_blocked(session: Session) -> bool:
    return session.client.ask("MAINtenance:BEAM?").startswith("1,")


def _flat(value: Any) -> Any:
    """A setting as the line tells it: rows of a table one after the other; one number alone."""
    if isinstance(value, (list, tuple)):
        numbers = [number for row in value for number in row]
        return numbers[0] if len(numbers) == 1 else numbers or 0
    return value
